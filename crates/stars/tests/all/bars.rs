//! The bars of detection and shape on painted stars. The report over more kinds of frames is the
//! example `detect_bars`.

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, Field, Star, measure};

use crate::profile::{Fall, Profile};
use crate::scene::{Look, Random, expose};

/// Root mean square error of centres over the Cramér–Rao bound.
const OVER_BOUND: f64 = 1.15;
/// Part of stars of 7 σ that are found at least.
const COMPLETE: f64 = 0.90;
/// Widths, as a part.
const WIDTH_PART: f64 = 0.02;
/// Directions of elongation, degrees.
const ANGLE_DEG: f64 = 3.0;

const SIZE: usize = 700;
const PITCH: f64 = 34.0;

/// 361 places on a grid, off their pixels' centres by chance; every ninth is for a bright star.
fn painted(profile: &Profile, snr: f64, random: &mut Random) -> (Field, Vec<(f64, f64, f64)>) {
    let look = Look::default();
    let unit = 1.0 / profile.snr_per_electron(variance());
    let mut plane = Plane::filled(SIZE, SIZE, look.sky_electrons as f32);
    let mut tested = Vec::new();
    for i in 0..361 {
        let x = PITCH * f64::from(1 + i % 19) + random.range(-3.0, 3.0);
        let y = PITCH * f64::from(1 + i / 19) + random.range(-3.0, 3.0);
        let bright = i % 9 == 4;
        let electrons = unit * if bright { random.range(60.0, 200.0) } else { snr };
        profile.paint(&mut plane, x, y, electrons);
        if !bright {
            tested.push((x, y, electrons));
        }
    }
    (
        measure(&expose(plane, &look, random), &DetectSettings::default()),
        tested,
    )
}

fn variance() -> f64 {
    let look = Look::default();
    look.sky_electrons + look.read_noise.powi(2)
}

fn nearest(field: &Field, x: f64, y: f64) -> Option<&Star> {
    let off = |s: &&Star| (s.x - x).hypot(s.y - y);
    field
        .stars
        .iter()
        .min_by(|a, b| off(a).total_cmp(&off(b)))
        .filter(|s| off(s) < 2.0)
}

/// Error over bound, and the part found.
fn centre_errors(profile: &Profile, snr: f64, random: &mut Random) -> (f64, f64) {
    let (field, tested) = painted(profile, snr, random);
    let bound = profile.bound(0.25, 0.25, tested[0].2, variance());
    let squares: Vec<f64> = tested
        .iter()
        .filter_map(|(x, y, _)| nearest(&field, *x, *y).map(|s| (s.x - x).powi(2) + (s.y - y).powi(2)))
        .collect();
    let found = squares.len() as f64;
    let error = (squares.iter().sum::<f64>() / found / (bound[0].powi(2) + bound[1].powi(2))).sqrt();
    (error, found / tested.len() as f64)
}

#[test]
fn centres_keep_to_the_cramer_rao_bound() {
    let mut random = Random(11);
    for (fall, fwhm, snr) in [
        (Fall::Gauss, 1.6, 500.0),
        (Fall::Gauss, 2.6, 5.0),
        (Fall::Gauss, 2.6, 30.0),
        (Fall::Gauss, 5.0, 100.0),
        (Fall::Moffat(3.5), 2.4, 10.0),
        (Fall::Moffat(3.5), 2.4, 200.0),
    ] {
        let (error, _) = centre_errors(&Profile::round(fall, fwhm), snr, &mut random);
        assert!(
            error < OVER_BOUND,
            "{error} of the bound for {fall:?} of {fwhm} px at {snr} σ"
        );
        assert!(error > 0.85, "{error} beats the bound: the test is wrong");
    }
}

#[test]
fn signal_over_noise_is_that_of_the_best_filter() {
    let mut random = Random(15);
    for fwhm in [1.6, 2.6, 3.2] {
        let (field, tested) = painted(&Profile::round(Fall::Gauss, fwhm), 20.0, &mut random);
        let seen: Vec<f64> = tested
            .iter()
            .filter_map(|(x, y, _)| nearest(&field, *x, *y).map(|s| f64::from(s.snr)))
            .collect();
        let mean = seen.iter().sum::<f64>() / seen.len() as f64;
        assert!((mean / 20.0 - 1.0).abs() < 0.05, "{mean} for 20 at {fwhm} px");
    }
}

#[test]
fn nine_of_ten_stars_of_seven_sigma_are_found() {
    let mut random = Random(12);
    for fwhm in [1.6, 2.6, 3.2] {
        let (_, part) = centre_errors(&Profile::round(Fall::Gauss, fwhm), 7.0, &mut random);
        assert!(part >= COMPLETE, "{part} found at {fwhm} px");
    }
}

#[test]
fn widths_and_directions_are_those_of_the_pixels_light() {
    let mut random = Random(13);
    for (fall, fwhm, stretch) in [
        (Fall::Gauss, 1.6, 1.0),
        (Fall::Gauss, 2.6, 1.3),
        (Fall::Gauss, 5.0, 1.0),
        (Fall::Moffat(3.5), 2.0, 1.0),
        (Fall::Moffat(2.5), 3.0, 1.3),
    ] {
        let profile = Profile {
            fall,
            long_px: fwhm * f64::sqrt(stretch),
            short_px: fwhm / f64::sqrt(stretch),
            angle: -0.7,
        };
        let (field, tested) = painted(&profile, 150.0, &mut random);
        let (long, short) = profile.seen_fwhm();
        let off = f64::from(field.fwhm_px) / (long * short).sqrt() - 1.0;
        assert!(off.abs() < WIDTH_PART, "width off by {off} for {fall:?} {fwhm}");
        if stretch > 1.0 {
            let off = f64::from(field.elongation) / (long / short) - 1.0;
            assert!(off.abs() < 0.03, "elongation off by {off} for {fall:?} {fwhm}");
            let mut turned: Vec<f64> = tested
                .iter()
                .filter_map(|t| nearest(&field, t.0, t.1))
                .map(|s| (s.angle.deg() + 0.7f64.to_degrees()).abs())
                .collect();
            turned.sort_by(f64::total_cmp);
            assert!(
                turned[turned.len() / 2] < ANGLE_DEG,
                "{:?}",
                turned[turned.len() / 2]
            );
            assert!((field.trail_angle.deg() + 0.7f64.to_degrees()).abs() < ANGLE_DEG);
        }
    }
}

#[test]
fn two_stars_one_and_a_half_widths_apart_are_two() {
    let mut random = Random(14);
    let profile = Profile::round(Fall::Gauss, 2.6);
    let look = Look::default();
    for (ratio, centre_px) in [(1.0, 0.06), (0.2, 0.25)] {
        let mut plane = Plane::filled(SIZE, SIZE, look.sky_electrons as f32);
        let mut pairs = Vec::new();
        for i in 0..196 {
            let x = 48.0 * f64::from(1 + i % 14) + random.unit();
            let y = 48.0 * f64::from(1 + i / 14) + random.unit();
            let turn = random.range(0.0, std::f64::consts::TAU);
            let apart = 1.5 * 2.6;
            let (bx, by) = (x + apart * turn.cos(), y + apart * turn.sin());
            profile.paint(&mut plane, x, y, 15_000.0);
            if i % 3 == 0 {
                profile.paint(&mut plane, bx, by, 15_000.0 * ratio);
                pairs.push([(x, y), (bx, by)]);
            }
        }
        let field = measure(&expose(plane, &look, &mut random), &DetectSettings::default());
        let is_right = |(x, y): &(f64, f64)| {
            let star = nearest(&field, *x, *y);
            star.is_some_and(|s| (s.x - x).hypot(s.y - y) < centre_px)
        };
        let both = pairs.iter().filter(|p| p.iter().all(is_right)).count();
        assert!(
            both * 100 >= 95 * pairs.len(),
            "{both} of {} pairs of 1 : {ratio} with right centres",
            pairs.len()
        );
        let wrong = field.stars.len().abs_diff(196 + pairs.len());
        assert!(wrong <= 4, "{} stars of {}", field.stars.len(), 196 + pairs.len());
    }
}
