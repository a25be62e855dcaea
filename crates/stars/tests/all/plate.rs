//! A published plate solution of an open image (source in `tests/reference/make_plate.py`) against ours.

use nalgebra::Vector3;
use nightloom_sky::Instant;
use nightloom_stars::{BlindSettings, Star, identify_blind};

use crate::scene::listed;

const SIZE_PX: [usize; 2] = [700, 700];
/// Reference point of the published solution: pixel (from the middle of the first) and ICRS direction, degrees.
const REFERENCE: ([f64; 2], [f64; 2]) = ([349.5, 349.5], [303.206422334, 46.0173987483]);
/// For where the frame looks.
const POINTING_ARCSEC: f64 = 10.0;
/// Over the field: the published solution itself leaves the catalogue's eleven stars 0.4 to 1.5 of its pixels (10.3″)
/// from where they are seen.
const MEDIAN_ARCSEC: f64 = 12.0;

fn direction([ra_deg, dec_deg]: [f64; 2]) -> Vector3<f64> {
    let (ra, dec) = (ra_deg.to_radians(), dec_deg.to_radians());
    Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin())
}

fn table() -> Vec<(Star, Vector3<f64>)> {
    include_str!("../reference/plate.csv")
        .lines()
        .skip(1)
        .map(|line| {
            let v: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
            (listed(v[0], v[1], v[2]), direction([v[3], v[4]]))
        })
        .collect()
}

/// Two degrees of sky, of which the catalogue holds eleven stars.
#[test]
fn a_published_plate_solution_is_ours_too() {
    let table = table();
    let stars: Vec<Star> = table.iter().map(|t| t.0).collect();
    let taken: Instant = "2016-09-09T08:15:34Z".parse().unwrap();
    let found = identify_blind(&stars, SIZE_PX, &BlindSettings::default(), taken).unwrap();
    let apart = |at: [f64; 2], published: &Vector3<f64>| {
        found.direction(at).unwrap().angle(published).to_degrees() * 3600.0
    };
    let pointing = apart(REFERENCE.0, &direction(REFERENCE.1));
    assert!(pointing < POINTING_ARCSEC, "{pointing}″");
    let mut all: Vec<f64> = table.iter().map(|(s, p)| apart([s.x, s.y], p)).collect();
    all.sort_by(f64::total_cmp);
    let median = all[all.len() / 2];
    assert!(median < MEDIAN_ARCSEC, "{median}″ of {all:?}");
    // Rows run upwards in such files: the sky is seen in a mirror.
    assert!(found.mirrored && found.false_alarm < 1e-9);
}
