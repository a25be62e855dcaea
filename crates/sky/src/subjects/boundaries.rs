//! Which constellation a place is in, by the boundaries of Delporte 1930 as N. G. Roman tabulated them (1987, PASP 99,
//! 695; CDS VI/42), for the equinox B1875.

use std::sync::LazyLock;

use nalgebra::{UnitVector3, Vector3};

use super::constellations::{Constellation, by_abbreviation};
use super::{number, rows};

/// Made by `data/make_subjects.py`.
static TABLE: &str = include_str!("../../data/boundaries.csv");
/// Julian date of B1875.0 (Lieske 1979).
const B1875_JD: f64 = 2_405_889.258_550_475;

/// A strip of sky: the first that a place lies in names its constellation.
struct Strip {
    /// Hours.
    from: f64,
    to: f64,
    /// Degrees.
    lower: f64,
    constellation: Option<&'static Constellation>,
}

static STRIPS: LazyLock<Vec<Strip>> = LazyLock::new(|| {
    rows(TABLE, ',')
        .map(|row| Strip {
            from: number(row[0]),
            to: number(row[1]),
            lower: number(row[2]),
            constellation: by_abbreviation(row[3]),
        })
        .collect()
});

static TO_B1875: LazyLock<[[f64; 3]; 3]> = LazyLock::new(|| sofars::pnp::pmat06(B1875_JD, 0.0));

/// The constellation of an ICRS direction.
///
/// Precessed to B1875 by the IAU 2006 model, which puts boundaries some arcseconds off where the catalogues of 1875 have
/// them; no place nearer than that to a line can be told for sure by anyone. Agrees with astropy on all of
/// 2000 random places (test `boundaries`).
pub fn constellation_of(icrs: &UnitVector3<f64>) -> Option<&'static Constellation> {
    let place = TO_B1875.map(|row| Vector3::from(row).dot(icrs));
    let hours = place[1].atan2(place[0]).to_degrees().rem_euclid(360.0) / 15.0;
    let declination = place[2].clamp(-1.0, 1.0).asin().to_degrees();
    let inside = |s: &&Strip| s.from <= hours && hours < s.to && declination >= s.lower;
    STRIPS.iter().find(inside)?.constellation
}
