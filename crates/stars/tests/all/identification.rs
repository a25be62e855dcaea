//! Identification of painted fields of the real catalogue, and refusal of unreal ones.

use nalgebra::Rotation3;
use nightloom_optics::Lens;
use nightloom_sky::{Instant, catalogue};
use nightloom_stars::{IdentifySettings, Star, identify};

use crate::scene::{Random, listed, strewn, turn};

const SIZE: (usize, usize) = (3000, 2000);
/// Pointing against truth, arcseconds.
const POINTING_ARCSEC: f64 = 10.0;

fn when() -> Instant {
    "2026-08-12T22:00:00Z".parse().unwrap()
}

/// The catalogue through a lens, with a tenth of the stars false, half the frame hidden if `land`.
fn shown(random: &mut Random, lens: &Lens, attitude: &Rotation3<f64>, land: bool) -> Vec<Star> {
    let mut stars: Vec<Star> = catalogue::stars()
        .iter()
        .filter_map(|star| {
            let [x, y] = lens.project(&(attitude * star.direction(when()).into_inner()))?;
            let inside = x > 0.0 && y > 0.0 && x < 2999.0 && y < if land { 1100.0 } else { 1999.0 };
            let flux = 10f64.powf(-0.4 * (f64::from(star.v_mag) + 0.25 * random.normal()));
            inside.then(|| listed(x + 0.15 * random.normal(), y + 0.15 * random.normal(), flux))
        })
        .collect();
    for _ in 0..stars.len() / 10 + 4 {
        let flux = stars[(random.unit() * stars.len() as f64) as usize].flux;
        stars.push(listed(
            random.range(0.0, 3000.0),
            random.range(0.0, 2000.0),
            f64::from(flux),
        ));
    }
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    stars.truncate(1500);
    stars
}

fn attitude(random: &mut Random) -> Rotation3<f64> {
    turn(random.direction(), random.range(0.0, 180.0)) * turn(random.direction(), random.range(0.0, 180.0))
}

#[test]
fn fields_of_ten_to_a_hundred_degrees_with_rough_focal_length_and_unknown_distortion() {
    let mut random = Random(77);
    let mut failed = Vec::new();
    let mut cases = 0;
    for (field_deg, k1) in [
        (10.0f64, 0.0),
        (18.0, -0.05),
        (35.0, -0.08),
        (54.0, -0.06),
        (74.0, -0.05),
        (95.0, -0.03),
    ] {
        for trial in 0..3 {
            let mut lens = Lens::rectilinear(1500.0 / (field_deg / 2.0).to_radians().tan(), SIZE.0, SIZE.1);
            lens.radial[0] = k1;
            lens.centre_px[1] += 6.0;
            let truth = attitude(&mut random);
            let stars = shown(&mut random, &lens, &truth, trial == 2);
            let off = 1.0 + random.range(-0.05, 0.05);
            let guess = Lens::rectilinear(lens.focal_px * off, SIZE.0, SIZE.1);
            cases += 1;
            let Some(found) = identify(&stars, &guess, &IdentifySettings::default(), when()) else {
                failed.push((field_deg, trial));
                continue;
            };
            let axis = |a: &Rotation3<f64>, l: &Lens| {
                a.inverse() * l.unproject([1500.0, 700.0]).unwrap().into_inner()
            };
            let error = axis(&found.attitude, &found.lens)
                .angle(&axis(&truth, &lens))
                .to_degrees()
                * 3600.0;
            assert!(error < POINTING_ARCSEC, "{error}″ off at {field_deg}°: {found:?}");
            assert!(found.rms_px < 0.3, "{} px at {field_deg}°", found.rms_px);
        }
    }
    assert!(failed.len() * 12 <= cases, "not identified: {failed:?}");
}

#[test]
fn random_fields_are_refused() {
    let mut random = Random(78);
    for field_deg in [12.0f64, 30.0, 60.0, 90.0] {
        for _ in 0..2 {
            let stars = strewn(&mut random, 400);
            let guess = Lens::rectilinear(1500.0 / (field_deg / 2.0).to_radians().tan(), SIZE.0, SIZE.1);
            assert!(identify(&stars, &guess, &IdentifySettings::default(), when()).is_none());
        }
    }
    let guess = Lens::rectilinear(2000.0, SIZE.0, SIZE.1);
    assert!(identify(&[], &guess, &IdentifySettings::default(), when()).is_none());
}
