//! The tracker's axis against its bars: painted star fields with their noise, measured and identified by the real
//! ones.
//!
//! `cargo run -p nightloom-stars --example axis_bars -- [trials per lens and hemisphere] [seed]`
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "a report for reading")]

#[expect(dead_code, reason = "the tests use the rest")]
#[path = "../tests/all/axis_scene.rs"]
mod axis_scene;
#[expect(dead_code, reason = "the tests use the rest")]
#[path = "../tests/all/scene.rs"]
mod scene;

use axis_scene::{Rig, Touch, chi2, miss_arcmin};
use nightloom_stars::axis::{AxisMeasurement, measure_axis};
use scene::Random;

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let (trials, seed) = (arguments.next().unwrap_or(6), arguments.next().unwrap_or(20_264));
    let mut random = Random(seed);
    for (what, by_hand_deg, step_s) in [
        ("5 min apart", 0.0, 300.0),
        ("turned 60° in a minute", 60.0, 60.0),
    ] {
        println!("two frames {what}: axis missed by, arcminutes");
        let mut all = Vec::new();
        for focal in [24.0, 35.0, 50.0, 85.0, 135.0] {
            let mut lens = Vec::new();
            for trial in 0..2 * trials {
                let latitude = [47.0, -33.0][trial as usize % 2] + random.range(-12.0, 12.0);
                let rig = rig(latitude, focal, &mut random);
                let turned = Touch {
                    by_hand_deg: by_hand_deg * if random.unit() < 0.5 { 1.0 } else { -1.0 },
                    ..Touch::default()
                };
                let moments = [(0.0, Touch::default()), (step_s, turned)];
                match measured(&rig, &moments, &mut random) {
                    Some(found) => lens.push((
                        miss_arcmin(&found, &rig.axis()),
                        chi2(&found, &rig.axis()),
                        found.sigma().arcmin(),
                    )),
                    None => println!(
                        "  {focal} mm, latitude {latitude:.0}°, aim {:.0?}: no answer",
                        rig.aim
                    ),
                }
            }
            told(&format!("{focal:>5} mm"), &lens);
            all.extend(lens);
        }
        told("  all  ", &all);
    }
    gear(&mut random);
}

/// Somewhere over 25° high, axis up to 40′ off in any direction, camera rolled.
fn rig(latitude: f64, focal_mm: f64, random: &mut Random) -> Rig {
    let mut rig = Rig::new(latitude, focal_mm);
    rig.off_arcmin = [random.range(-40.0, 40.0), random.range(-40.0, 40.0)];
    rig.aim = [
        random.range(0.0, 360.0),
        random.range(35.0, 65.0),
        random.range(-20.0, 20.0),
    ];
    rig
}

fn measured(rig: &Rig, moments: &[(f64, Touch)], random: &mut Random) -> Option<AxisMeasurement> {
    let painted: Option<Vec<_>> = moments
        .iter()
        .map(|(s, touch)| rig.painted(*s, touch, random))
        .collect();
    let painted = painted?;
    let lens = painted[0].1;
    let frames: Vec<_> = painted.into_iter().map(|p| p.0).collect();
    measure_axis(&frames, &lens, &rig.pole())
        .inspect_err(|e| println!("  {e}"))
        .ok()
}

fn told(name: &str, found: &[(f64, f64, f64)]) {
    let mut miss: Vec<f64> = found.iter().map(|f| f.0).collect();
    miss.sort_by(f64::total_cmp);
    let part = |share: f64| {
        miss.get((share * (miss.len().max(1) - 1) as f64).round() as usize)
            .copied()
    };
    let sigma = found.iter().map(|f| f.2).sum::<f64>() / found.len().max(1) as f64;
    let inside = |limit: f64| found.iter().filter(|f| f.1 < limit).count() * 100 / found.len().max(1);
    let by_sigma = |k: f64| found.iter().filter(|f| f.0 < k * f.2).count() * 100 / found.len().max(1);
    println!(
        "  {name}: {} runs, median {:.3}, 90 % {:.3}, largest {:.3}; told sigma {sigma:.3}; in the 68 % ellipse {} %, 95 % {} %; within 1 sigma {} %, 2 sigma {} %",
        found.len(),
        part(0.5).unwrap_or(f64::NAN),
        part(0.9).unwrap_or(f64::NAN),
        part(1.0).unwrap_or(f64::NAN),
        inside(2.28),
        inside(5.99),
        by_sigma(1.0),
        by_sigma(2.0)
    );
}

/// Twenty frames through a worm's error.
fn gear(random: &mut Random) {
    println!("periodic error from 20 painted frames");
    for (focal, gear) in [
        (24.0, [25.0, 480.0, 1.0]),
        (50.0, [40.0, 600.0, 3.0]),
        (85.0, [30.0, 540.0, 5.0]),
    ] {
        let mut rig = rig(47.0, focal, random);
        rig.exposure_s = 60.0;
        rig.gear = Some(gear);
        let moments: Vec<(f64, Touch)> = (0..20).map(|n| (64.0 * f64::from(n), Touch::default())).collect();
        let found = measured(&rig, &moments, random).and_then(|m| m.periodic);
        // The painted frames stand at the middle of each exposure: the averaging taken out is put back.
        let half = std::f64::consts::PI * rig.exposure_s / gear[1];
        match found {
            Some(p) => println!(
                "  {focal:>5} mm: amplitude {:.1}″ ± {:.1}″ of {}″, period {:.0} ± {:.0} s of {} s",
                p.amplitude_arcsec * half.sin() / half,
                p.amplitude_sigma_arcsec,
                gear[0],
                p.period_s,
                p.period_sigma_s,
                gear[1]
            ),
            None => println!("  {focal:>5} mm: none found of {}″", gear[0]),
        }
    }
}
