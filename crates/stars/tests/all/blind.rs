//! Blind identification of simulated lists, refusal of unreal ones.
//!
//! All five hundred fields of the bars: `cargo run -p nightloom-stars --example blind_bars`.

use nightloom_stars::{BlindSettings, Star, identify_blind};

use crate::blind_fields::{WHEN, judge, simulate};
use crate::scene::{Random, listed};

const FIELDS: u64 = 40;
const SEED: u64 = 7;
/// Pointing against truth, arcseconds.
const POINTING_ARCSEC: f64 = 10.0;
/// Focal length against truth, as a part of it.
const FOCAL_SHARE: f64 = 5e-4;

#[test]
fn any_part_of_the_sky_through_any_lens() {
    let mut missed = Vec::new();
    for n in 0..FIELDS {
        let field = simulate(n, SEED);
        let Some(found) = identify_blind(&field.stars, field.size_px, &BlindSettings::default(), WHEN())
        else {
            missed.push((n, field.focal_mm, field.land, field.known));
            continue;
        };
        let error = judge(&field, &found);
        assert!(
            error.pointing_arcsec < POINTING_ARCSEC && error.focal_share < FOCAL_SHARE,
            "{error:?}: {n}, {} mm",
            field.focal_mm
        );
        assert_eq!(found.mirrored, field.mirrored, "{n}");
        assert!(found.false_alarm < 1e-8, "{}: {n}", found.false_alarm);
    }
    assert!(missed.is_empty(), "not identified: {missed:?}");
}

#[test]
fn a_known_focal_length_narrows_the_search() {
    let field = simulate(3, SEED);
    let focal = field.lens.focal_px / 3000f64.hypot(2000.0);
    let open = identify_blind(&field.stars, field.size_px, &BlindSettings::default(), WHEN()).unwrap();
    let hinted = BlindSettings {
        focal_range: [focal * 0.95, focal * 1.05],
        ..BlindSettings::default()
    };
    let told = identify_blind(&field.stars, field.size_px, &hinted, WHEN()).unwrap();
    assert!(judge(&field, &told).pointing_arcsec < POINTING_ARCSEC);
    assert!(told.tried < open.tried, "{} {}", told.tried, open.tried);
    let elsewhere = BlindSettings {
        focal_range: [focal * 3.0, focal * 4.0],
        ..BlindSettings::default()
    };
    assert!(identify_blind(&field.stars, field.size_px, &elsewhere, WHEN()).is_none());
}

#[test]
fn a_lens_that_is_known_is_held_to() {
    let field = simulate(3, SEED);
    let open = identify_blind(&field.stars, field.size_px, &BlindSettings::default(), WHEN()).unwrap();
    let through = |lens| BlindSettings {
        lens: Some(lens),
        mirrored: field.mirrored,
        ..BlindSettings::default()
    };
    let told = identify_blind(&field.stars, field.size_px, &through(field.lens), WHEN()).unwrap();
    assert!(judge(&field, &told).pointing_arcsec < POINTING_ARCSEC);
    assert!(told.tried * 4 < open.tried, "{} {}", told.tried, open.tried);
    let mut other = field.lens;
    other.focal_px *= 1.5;
    assert!(identify_blind(&field.stars, field.size_px, &through(other), WHEN()).is_none());
}

#[test]
fn stars_strewn_at_random_are_refused() {
    let mut random = Random(80);
    for count in [0, 5, 12, 60, 600] {
        let mut stars: Vec<Star> = (0..count)
            .map(|_| {
                let (x, y) = (random.range(0.0, 6000.0), random.range(0.0, 4000.0));
                listed(x, y, random.flux(500.0))
            })
            .collect();
        stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
        let found = identify_blind(&stars, [6000, 4000], &BlindSettings::default(), WHEN());
        assert!(found.is_none(), "{count}: {found:?}");
    }
}
