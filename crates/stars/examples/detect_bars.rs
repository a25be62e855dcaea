//! Detection and shape against painted truth: centres over the Cramér–Rao bound, completeness,
//! widths, elongations, false stars.
//!
//! `cargo run --release -p nightloom-stars --example detect_bars`

#![allow(
    dead_code,
    clippy::print_stdout,
    reason = "a report command that shares the tests' painter"
)]

#[path = "../tests/all/profile.rs"]
mod profile;
#[path = "../tests/all/scene.rs"]
mod scene;

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, Field, Star, measure};
use profile::{Fall, Profile};
use scene::{FULL_WELL, Look, Random, expose};

/// A star of the truth.
#[derive(Clone, Copy)]
struct True {
    x: f64,
    y: f64,
    electrons: f64,
    tested: bool,
}

/// What is over the sky.
#[derive(Clone, Copy, PartialEq)]
enum SkyKind {
    Flat,
    MilkyWay,
}

struct Scene {
    truth: Vec<True>,
    field: Field,
}

const WIDTH: usize = 1100;
const HEIGHT: usize = 1000;
const PITCH: f64 = 44.0;

/// A grid of stars of one signal over noise, and a few bright ones as every frame has them.
fn scene(profile: &Profile, snr: f64, look: &Look, kind: SkyKind, seed: u64) -> Scene {
    let mut random = Random(seed);
    let variance = look.sky_electrons + look.read_noise.powi(2);
    let unit = 1.0 / profile.snr_per_electron(variance);
    let (columns, rows) = (
        (WIDTH as f64 / PITCH) as usize - 1,
        (HEIGHT as f64 / PITCH) as usize - 1,
    );
    let truth: Vec<True> = (0..columns * rows)
        .map(|i| {
            let tested = i % 9 != 4;
            let at_snr = if tested { snr } else { random.range(60.0, 200.0) };
            True {
                x: PITCH * (1.0 + (i % columns) as f64) + random.range(-4.0, 4.0),
                y: PITCH * (1.0 + (i / columns) as f64) + random.range(-4.0, 4.0),
                electrons: at_snr * unit,
                tested,
            }
        })
        .collect();
    let mut plane = Plane::from_fn(WIDTH, HEIGHT, |x, y| sky_at(look, kind, x, y) as f32);
    for s in &truth {
        profile.paint(&mut plane, s.x, s.y, s.electrons);
    }
    let field = measure(&expose(plane, look, &mut random), &DetectSettings::default());
    Scene { truth, field }
}

/// Electrons of the sky: flat, or a band with lanes over a light dome.
fn sky_at(look: &Look, kind: SkyKind, x: usize, y: usize) -> f64 {
    if kind == SkyKind::Flat {
        return look.sky_electrons;
    }
    let (u, v) = (x as f64 / WIDTH as f64 - 0.5, y as f64 / HEIGHT as f64 - 0.5);
    let band = 0.5 * (-((u - 0.5 * v) / 0.13).powi(2)).exp();
    let lane = 1.0 - 0.35 * (-((u - 0.5 * v + 0.02) / 0.03).powi(2)).exp();
    let dome = 0.8 * (v + 0.5).powi(3);
    look.sky_electrons * ((1.0 + band) * lane + dome)
}

fn nearest(field: &Field, x: f64, y: f64) -> Option<(f64, &Star)> {
    field
        .stars
        .iter()
        .map(|s| ((s.x - x).hypot(s.y - y), s))
        .min_by(|a, b| a.0.total_cmp(&b.0))
}

/// Root mean square of the centre's error over its bound, and the part found.
fn centres(scene: &Scene, profile: &Profile, look: &Look, kind: SkyKind) -> (f64, f64) {
    let (mut sum, mut found, mut all) = (0.0, 0.0, 0.0);
    // The bound hardly changes within a quarter of a pixel and a tenth of the sky.
    let mut bounds = std::collections::HashMap::new();
    for s in scene.truth.iter().filter(|s| s.tested) {
        all += 1.0;
        let sky = sky_at(look, kind, s.x as usize, s.y as usize);
        match nearest(&scene.field, s.x, s.y) {
            Some((off, star)) if off < 2.0f64.max(0.6 * profile.long_px) => {
                let variance = 0.05 * ((sky + look.read_noise.powi(2)).ln() / 0.05).round();
                let at = |v: f64| 0.25 * (4.0 * v).round();
                let key = [at(s.x.fract()), at(s.y.fract()), variance, s.electrons].map(f64::to_bits);
                let [bx, by] = *bounds
                    .entry(key)
                    .or_insert_with(|| profile.bound(at(s.x), at(s.y), s.electrons, variance.exp()));
                sum += 0.5 * (((star.x - s.x) / bx).powi(2) + ((star.y - s.y) / by).powi(2));
                found += 1.0;
            }
            _ => {}
        }
    }
    (f64::sqrt(sum / f64::max(found, 1.0)), found / all)
}

fn strays(scene: &Scene) -> usize {
    let is_true = |s: &&Star| scene.truth.iter().any(|t| (t.x - s.x).hypot(t.y - s.y) < 3.0);
    scene.field.stars.iter().filter(|s| !is_true(s)).count()
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn centre_table(name: &str, fall: Fall, look: &Look, kind: SkyKind) {
    let snrs = [5.0, 7.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0];
    println!("\n{name}: centre error over the bound (part found) at signal over noise");
    println!("  FWHM  {}  strays", snrs.map(|s| format!("{s:>13.0}")).concat());
    for fwhm in [1.6, 2.0, 2.6, 3.5, 5.0] {
        let profile = Profile::round(fall, fwhm);
        let (mut line, mut stray, mut worst) = (String::new(), 0, 0f64);
        for (i, snr) in snrs.iter().enumerate() {
            let scene = scene(&profile, *snr, look, kind, 100 + i as u64);
            let (ratio, part) = centres(&scene, &profile, look, kind);
            line += &format!("{ratio:>6.3} ({:>3.0}%)", 100.0 * part);
            stray += strays(&scene);
            worst = worst.max(ratio);
        }
        println!("  {fwhm:>4.1}  {line}  {stray:>4}   worst {worst:.3}");
    }
}

/// Relative errors of width and elongation and the angle's, over stars of one signal over noise.
fn shape_table(name: &str, fall: Fall, kind: SkyKind) {
    println!("\n{name}: shape. Width: the frame's, and each star's median and scatter, off by (%);");
    println!("elongation's median error (%), angle's median absolute error (deg)");
    let look = Look::default();
    for (fwhm, elongation) in [
        (1.6, 1.0),
        (2.0, 1.0),
        (2.6, 1.0),
        (3.5, 1.0),
        (5.0, 1.0),
        (2.0, 1.3),
        (2.6, 1.3),
        (3.5, 1.3),
        (2.6, 1.6),
    ] {
        for snr in [30.0, 100.0, 300.0] {
            let profile = Profile {
                fall,
                long_px: fwhm * f64::sqrt(elongation),
                short_px: fwhm / f64::sqrt(elongation),
                angle: 0.6,
            };
            let (long, short) = profile.seen_fwhm();
            let scene = scene(&profile, snr, &look, kind, 7);
            let stars: Vec<&Star> = scene
                .truth
                .iter()
                .filter(|t| t.tested)
                .filter_map(|t| nearest(&scene.field, t.x, t.y).filter(|n| n.0 < 2.0))
                .map(|n| n.1)
                .collect();
            let width = (long * short).sqrt();
            let of = |f: &dyn Fn(&Star) -> f64| stars.iter().map(|s| f(s)).collect::<Vec<f64>>();
            let widths = of(&|s| 100.0 * (f64::from(s.fwhm_px) / width - 1.0));
            let bias = median(widths.clone());
            let scatter = 1.48 * median(widths.iter().map(|w| (w - bias).abs()).collect());
            let stretch = median(of(&|s| 100.0 * (f64::from(s.elongation) / (long / short) - 1.0)));
            let turned = median(of(&|s| {
                let off = (s.angle.deg() - profile.angle.to_degrees()).rem_euclid(180.0);
                off.min(180.0 - off)
            }));
            println!(
                "  FWHM {fwhm:.1} elongation {elongation:.1} S/N {snr:>3.0}: frame {:>5.2}  stars {bias:>5.2} ± {scatter:.2}  elongation {stretch:>5.2}  angle {}",
                100.0 * (f64::from(scene.field.fwhm_px) / width - 1.0),
                if elongation > 1.0 {
                    format!("{turned:.2}")
                } else {
                    "-".into()
                }
            );
        }
    }
}

/// Land of all kinds under random stars; false stars among those found.
fn land_table(explain: bool) {
    println!("\nFalse stars with land in the frame (bar 1 %)");
    for kind in ["branches", "lamps", "snow", "house"] {
        let (mut wrong, mut all, mut kept, mut sky_stars) = (0, 0, 0, 0);
        for seed in 0..4 {
            let (image, stars, ridge) = landscape(kind, 40 + seed);
            let field = measure(&image, &DetectSettings::default());
            let near = |s: &Star| stars.iter().any(|t| (t.x - s.x).hypot(t.y - s.y) < 2.5);
            for s in field.stars.iter().filter(|s| !near(s)) {
                wrong += 1;
                if explain {
                    describe(s, &stars);
                }
            }
            all += field.stars.len();
            for t in stars.iter().filter(|t| t.y < ridge - 60.0 && t.tested) {
                sky_stars += 1;
                kept += usize::from(field.stars.iter().any(|s| (t.x - s.x).hypot(t.y - s.y) < 2.5));
            }
        }
        println!(
            "  {kind:<9} {wrong} of {all} found ({:.2} %); of stars at 10 sigma and more high over the land {:.1} % found",
            100.0 * wrong as f64 / all.max(1) as f64,
            100.0 * kept as f64 / sky_stars.max(1) as f64
        );
    }
}

fn describe(s: &Star, stars: &[True]) {
    let near = stars
        .iter()
        .map(|t| ((t.x - s.x).hypot(t.y - s.y), t.electrons))
        .filter(|t| t.0 < 40.0)
        .max_by(|a, b| a.1.total_cmp(&b.1));
    println!(
        "    at {:.0} {:.0}: S/N {:.1} FWHM {:.2} elongation {:.2} saturated {}; brightest within 40 px {near:.0?}",
        s.x, s.y, s.snr, s.fwhm_px, s.elongation, s.saturated
    );
}

/// A frame with the lower part land, its stars in electrons, and the highest row of land.
fn landscape(kind: &str, seed: u64) -> (Plane, Vec<True>, f64) {
    let (width, height) = (1500, 1000);
    let look = Look::default();
    let mut random = Random(seed);
    let profile = Profile::round(Fall::Moffat(3.5), 2.4);
    let unit = 1.0 / profile.snr_per_electron(309.0);
    let mut plane = Plane::from_fn(width, height, |x, y| {
        let u = x as f64 / width as f64 - y as f64 / height as f64;
        let band = 0.4 * (-(u / 0.2).powi(2)).exp();
        (300.0 * (1.0 + band + 0.6 * (y as f64 / height as f64).powi(3))) as f32
    });
    let ridge_at = |x: f64| 700.0 + 50.0 * (x / 170.0).sin() + 20.0 * (x / 41.0).cos();
    let mut stars: Vec<True> = (0..900)
        .map(|_| {
            let electrons = random.flux(6.0 * unit);
            True {
                x: random.range(3.0, width as f64 - 4.0),
                y: random.range(3.0, height as f64 - 4.0),
                electrons,
                tested: electrons > 10.0 * unit && electrons < 1e5,
            }
        })
        .collect();
    for s in &stars {
        profile.paint(&mut plane, s.x, s.y, s.electrons);
    }
    let mut ridge = 625.0;
    for x in 0..width {
        for y in 0..height {
            if y as f64 > ridge_at(x as f64) {
                *plane.at_mut(x, y) = ground(kind, x, y, &mut random) as f32;
            }
        }
    }
    stars.retain(|s| s.y < ridge_at(s.x) - 1.0);
    match kind {
        "branches" => {
            ridge = 330.0;
            branches(&mut plane, &mut random, &ridge_at);
        }
        "lamps" => {
            for _ in 0..25 {
                let x = random.range(20.0, width as f64 - 20.0);
                let y = ridge_at(x) + random.range(6.0, 120.0);
                let lamp = Profile::round(Fall::Moffat(2.5), random.range(2.0, 9.0));
                lamp.paint(&mut plane, x, y, random.range(3e3, 8e5));
            }
        }
        _ => {}
    }
    (expose(plane, &look, &mut random), stars, ridge)
}

fn ground(kind: &str, x: usize, y: usize, random: &mut Random) -> f64 {
    match kind {
        "snow" => {
            let rolling = 500.0 + 120.0 * (x as f64 / 33.0).sin() * (y as f64 / 21.0).cos();
            let glint = if random.unit() < 0.002 {
                4_000.0 * random.unit()
            } else {
                0.0
            };
            rolling * (0.85 + 0.3 * random.unit()) + glint
        }
        "house" => {
            let inside = (500..900).contains(&x) && y > 760;
            let window = x % 60 > 25 && y % 70 > 30;
            match (inside, window) {
                (true, true) => 15_000.0,
                (true, false) => 900.0,
                _ => 60.0 + 20.0 * random.unit(),
            }
        }
        _ => 40.0,
    }
}

/// Trunks and twigs over the sky on the right third.
fn branches(plane: &mut Plane, random: &mut Random, ridge: &dyn Fn(f64) -> f64) {
    for _ in 0..14 {
        let x = random.range(1050.0, 1450.0);
        grow(plane, random, (x, ridge(x) + 5.0), -1.57, 90.0, 9.0);
    }
}

fn grow(plane: &mut Plane, random: &mut Random, from: (f64, f64), angle: f64, length: f64, width: f64) {
    if width < 0.7 {
        return;
    }
    let (mut x, mut y) = from;
    for _ in 0..length as usize {
        let half = 0.5 * width;
        for py in (y - half) as isize..=(y + half) as isize {
            for px in (x - half) as isize..=(x + half) as isize {
                if px >= 0 && py >= 0 && (px as usize) < plane.width() && (py as usize) < plane.height() {
                    *plane.at_mut(px as usize, py as usize) = 30.0;
                }
            }
        }
        x += angle.cos();
        y += angle.sin();
    }
    for _ in 0..2 {
        let turn = random.range(-0.6, 0.6);
        grow(plane, random, (x, y), angle + turn, 0.75 * length, 0.62 * width);
    }
}

fn main() {
    let which: Vec<String> = std::env::args().skip(1).collect();
    let wants = |name: &str| which.is_empty() || which.iter().any(|w| w == name);
    let dark = Look {
        sky_electrons: 20.0,
        ..Look::default()
    };
    if wants("centres") {
        println!("full well {FULL_WELL} e-");
        centre_table(
            "Gaussian, sky 300 e-",
            Fall::Gauss,
            &Look::default(),
            SkyKind::Flat,
        );
        centre_table("Gaussian, sky 20 e-", Fall::Gauss, &dark, SkyKind::Flat);
        let moffat = Fall::Moffat(3.5);
        centre_table("Moffat 3.5, sky 300 e-", moffat, &Look::default(), SkyKind::Flat);
        centre_table(
            "Gaussian, Milky Way",
            Fall::Gauss,
            &Look::default(),
            SkyKind::MilkyWay,
        );
    }
    if wants("shapes") {
        shape_table("Gaussian", Fall::Gauss, SkyKind::Flat);
        shape_table("Moffat 3.5", Fall::Moffat(3.5), SkyKind::Flat);
        shape_table("Moffat 2.5, Milky Way", Fall::Moffat(2.5), SkyKind::MilkyWay);
    }
    if wants("land") {
        land_table(wants("explain") && !which.is_empty());
    }
}
