//! Paints frames with one known fault each, checks them, and reports how often the right cause came first.
//!
//! `cargo run --example check_bars [FRAMES] [FAULT]`

#![allow(clippy::print_stdout, reason = "a report")]

#[path = "../tests/all/faults.rs"]
mod faults;
#[path = "../tests/all/still.rs"]
mod still;

use std::collections::BTreeMap;

use faults::{FAULTS, paint};
use nightloom_frames::cause::Cause;
use nightloom_frames::{CheckOptions, check_pixels};
use still::Still;

fn main() {
    let mut args = std::env::args().skip(1);
    let frames: u64 = args.next().and_then(|a| a.parse().ok()).unwrap_or(300);
    let only = args.next();
    let world = Still::new();
    let mut table: BTreeMap<(Cause, Cause), usize> = BTreeMap::new();
    let mut sure: Vec<(f64, bool)> = Vec::new();
    let mut seconds = Vec::new();
    for number in 0..frames {
        let fault = FAULTS[number as usize % FAULTS.len()];
        if only.as_ref().is_some_and(|o| o != fault.word()) {
            continue;
        }
        let painted = paint(number, fault);
        let check = check_pixels(
            "painted",
            &painted.frame,
            &painted.standing,
            &CheckOptions::default(),
            &world,
        );
        let first = check.first().unwrap_or(Cause::NoStars);
        *table.entry((fault, first)).or_default() += 1;
        sure.push((check.causes.first().map_or(0.0, |c| c.likelihood), first == fault));
        seconds.push(check.seconds);
        if first != fault || only.is_some() {
            tell(number, &painted, &check);
        }
    }
    confusion(&table);
    calibration(&sure);
    seconds.sort_by(f64::total_cmp);
    println!(
        "median {:.2} s a frame",
        seconds.get(seconds.len() / 2).copied().unwrap_or(0.0)
    );
}

fn tell(number: u64, painted: &faults::Painted, check: &nightloom_frames::FrameCheck) {
    let causes: Vec<String> = check
        .causes
        .iter()
        .map(|c| format!("{} {:.2}", c.cause, c.likelihood))
        .collect();
    println!(
        "{number}: {painted} → {} [{} stars, identified {}; axis seen {:?}]",
        causes.join(", "),
        check.stars,
        check.centre.is_some(),
        check.axis_arcmin.map(f64::round),
    );
    if let Some(f) = &check.figures {
        let m = &f.motion;
        println!(
            "    width {:.2} (least {:.2}, corners {:.2}, worst {:.2}, lop {:.2}, scatter {:.2}) e {:.2} drift {:.1} expl {:.2} shift {:.2} rad {:.2} {:.1} turn {:?}",
            f.width_px,
            f.growth.least_px,
            f.growth.corners,
            f.growth.worst,
            f.growth.lopsided,
            f.growth.scatter,
            f.elongation,
            m.length_px,
            m.explained,
            m.shift_explained,
            m.radial_explained,
            m.radial_px2,
            m.turn.map(|t| [
                t.polar_rad,
                t.polar_explained,
                t.crosswise_rad,
                t.crosswise_explained
            ]
            .map(|v| (v * 1e5).round() / 1e5)),
        );
        println!("    path {:?}", f.path);
        println!("    {:?}", f.coma);
        println!(
            "    {:?} {:?} {:?} trails {}",
            f.profile, f.doubled, f.patches, f.exposure.sky
        );
        println!(
            "    {:?} zp {:?} sky {:?}",
            f.exposure, check.zero_point, check.sky_mag_arcsec2
        );
        for c in &check.causes {
            println!("    {}: {}", c.cause, c.figure);
        }
    }
}

fn confusion(table: &BTreeMap<(Cause, Cause), usize>) {
    let mut right = 0;
    let mut all = 0;
    for fault in FAULTS {
        let row: Vec<(&(Cause, Cause), &usize)> = table.iter().filter(|(k, _)| k.0 == fault).collect();
        let n: usize = row.iter().map(|r| r.1).sum();
        if n == 0 {
            continue;
        }
        let good = table.get(&(fault, fault)).copied().unwrap_or(0);
        (right, all) = (right + good, all + n);
        let others: Vec<String> = row
            .iter()
            .filter(|r| r.0.1 != fault)
            .map(|r| format!("{} {}", r.0.1, r.1))
            .collect();
        println!("{:<17} {good:>3} of {n:<3} {}", fault.word(), others.join(", "));
    }
    println!(
        "right cause first: {right} of {all}, {:.1} %",
        100.0 * right as f64 / f64::from(all.max(1) as u32)
    );
}

/// Likelihood told against share right.
fn calibration(sure: &[(f64, bool)]) {
    for (low, high) in [(0.0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 0.95), (0.95, 1.01)] {
        let own: Vec<&(f64, bool)> = sure.iter().filter(|s| s.0 >= low && s.0 < high).collect();
        if own.is_empty() {
            continue;
        }
        let n = own.len() as f64;
        println!(
            "likelihood {:.2} told on the average of {:>3} frames: right in {:.2}",
            own.iter().map(|s| s.0).sum::<f64>() / n,
            own.len(),
            own.iter().filter(|s| s.1).count() as f64 / n
        );
    }
}
