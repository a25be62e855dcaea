//! The embedded star catalogue: Hipparcos-2 (van Leeuwen 2007, A&A 474, 653) down to V = 8.

use std::sync::LazyLock;

use nalgebra::{UnitVector3, Vector3};

use crate::{Angle, Instant};

/// Made by `data/make_catalogue.py`, which describes the format.
static BYTES: &[u8] = include_bytes!("../data/stars.bin");
const RECORD: usize = 24;
const RAD_PER_UNIT: f64 = std::f64::consts::TAU / 4_294_967_296.0;
/// Julian date of the catalogue's epoch, J1991.25.
const EPOCH_JD: f64 = 2_448_349.062_5;

static STARS: LazyLock<Vec<CatalogueStar>> = LazyLock::new(|| {
    BYTES
        .as_chunks::<RECORD>()
        .0
        .iter()
        .map(CatalogueStar::from_record)
        .collect()
});

/// One star of the catalogue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CatalogueStar {
    /// Number in the Hipparcos catalogue.
    pub hip: u32,
    /// Johnson V, magnitudes; made from Hp and the colour (Bessell 2000), good to about 0.03 mag; variable
    /// stars apart, and Sirius and Canopus, which are 0.3 and 0.15 mag too faint as they are in Hp.
    pub v_mag: f32,
    /// Johnson B−V, magnitudes.
    pub b_v: f32,
    /// Right ascension, ICRS, at epoch J1991.25.
    pub right_ascension: Angle,
    /// Declination, ICRS, at epoch J1991.25.
    pub declination: Angle,
    /// Proper motion in right ascension times cos(declination), a Julian year.
    pub motion_east: Angle,
    /// Proper motion in declination, a Julian year.
    pub motion_north: Angle,
}

impl CatalogueStar {
    /// The unit vector towards the star in ICRS at `instant`, proper motion applied along the
    /// tangent (van Leeuwen's epoch J1991.25). Parallax, radial motion and aberration are not in it:
    /// together under 1″ but for aberration's 20.5″, which is common to a whole frame to 0.3″ per degree.
    pub fn direction(&self, instant: Instant) -> UnitVector3<f64> {
        let (sin_ra, cos_ra) = self.right_ascension.rad().sin_cos();
        let (sin_dec, cos_dec) = self.declination.rad().sin_cos();
        let place = Vector3::new(cos_dec * cos_ra, cos_dec * sin_ra, sin_dec);
        let east = Vector3::new(-sin_ra, cos_ra, 0.0);
        let north = Vector3::new(-sin_dec * cos_ra, -sin_dec * sin_ra, cos_dec);
        let (whole, part) = instant.julian_date_utc();
        let years = (whole - EPOCH_JD + part) / 365.25;
        let moved = east * (self.motion_east.rad() * years) + north * (self.motion_north.rad() * years);
        UnitVector3::new_normalize(place + moved)
    }

    fn from_record(bytes: &[u8; RECORD]) -> Self {
        let word = |at: usize| [bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]];
        let milli = |at: usize| f32::from(i16::from_le_bytes([bytes[at], bytes[at + 1]])) / 1000.0;
        let signed = |at: usize| f64::from(i32::from_le_bytes(word(at)));
        let motion = |at: usize| Angle::from_arcsec(signed(at) * 1e-5);
        Self {
            hip: u32::from_le_bytes(word(0)),
            right_ascension: Angle::from_rad(f64::from(u32::from_le_bytes(word(4))) * RAD_PER_UNIT),
            declination: Angle::from_rad(signed(8) * RAD_PER_UNIT),
            motion_east: motion(12),
            motion_north: motion(16),
            v_mag: milli(20),
            b_v: milli(22),
        }
    }
}

/// All stars with V below 8, brightest first. Decoded on first use (about 3 MB).
pub fn stars() -> &'static [CatalogueStar] {
    &STARS
}
