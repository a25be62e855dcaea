use nalgebra::Vector3;
use nightloom_sky::catalogue::stars;
use nightloom_sky::{Angle, Instant};

use crate::table::rows;

/// What the compact form loses: half of 2⁻³² turns is 0.15 mas.
const PLACE_MAS: f64 = 0.3;
/// Against astropy's motion over 34 years, milliarcseconds.
const MOVED_MAS: f64 = 1.0;

#[test]
fn a_sample_agrees_with_the_source() {
    // J2025.0 is JD 2460676.25.
    let instant: Instant = "2024-12-31T18:00:00Z".parse().expect("an instant");
    let table = rows(include_str!("../reference/stars.csv"));
    assert!(table.len() > 50);
    for (hip, row) in table {
        let hip: u32 = hip.parse().expect("a number");
        let star = stars()
            .iter()
            .find(|s| s.hip == hip)
            .unwrap_or_else(|| panic!("HIP {hip} is missing"));
        let mas = |a: Angle, rad: f64| ((a.rad() - rad) * 206_264_806.247).abs();
        assert!(mas(star.right_ascension, row[0]) < PLACE_MAS, "HIP {hip}");
        assert!(mas(star.declination, row[1]) < PLACE_MAS, "HIP {hip}");
        assert!(
            (star.motion_east.arcsec() * 1000.0 - row[2]).abs() < 0.006,
            "HIP {hip}"
        );
        assert!(
            (star.motion_north.arcsec() * 1000.0 - row[3]).abs() < 0.006,
            "HIP {hip}"
        );
        assert!((f64::from(star.b_v) - row[5]).abs() < 0.0006, "HIP {hip}");
        assert!((f64::from(star.v_mag) - row[4]).abs() < 1.1, "HIP {hip}");
        let (ra, dec) = (row[6].to_radians(), row[7].to_radians());
        let expected = Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin());
        let off = star.direction(instant).cross(&expected).norm() * 206_264_806.247;
        assert!(off < MOVED_MAS, "HIP {hip}: {off} mas");
    }
}

#[test]
fn sorted_and_whole() {
    let stars = stars();
    assert!(stars.windows(2).all(|pair| pair[0].v_mag <= pair[1].v_mag));
    assert!(stars.iter().all(|s| s.v_mag < 8.0));
    let mut numbers: Vec<_> = stars.iter().map(|s| s.hip).collect();
    numbers.sort_unstable();
    numbers.dedup();
    assert_eq!(numbers.len(), stars.len());
    // All-sky counts to V = 8 are about 41 000 (Allen's Astrophysical Quantities, from memory).
    assert!((38_000..45_000).contains(&stars.len()), "{}", stars.len());
}

/// Johnson V of constant stars (handbook values, from memory). Vega's Hp makes it 0.046 mag too faint;
/// the others are within 0.03.
#[test]
fn v_of_well_known_stars() {
    const TOLERANCE_MAG: f32 = 0.05;
    let known = [
        (91262, 0.03),  // Vega
        (69673, -0.05), // Arcturus
        (24608, 0.08),  // Capella
        (37279, 0.37),  // Procyon
        (97649, 0.77),  // Altair
        (113368, 1.16), // Fomalhaut
        (21421, 0.86),  // Aldebaran
        (104214, 5.21), // 61 Cygni A
        (102098, 1.25), // Deneb
    ];
    for (hip, v) in known {
        let star = stars().iter().find(|s| s.hip == hip).expect("a bright star");
        assert!(
            (star.v_mag - v).abs() < TOLERANCE_MAG,
            "HIP {hip}: {} for {v}",
            star.v_mag
        );
    }
}
