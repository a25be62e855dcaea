//! How the Earth stands: the pole of date and the rotation, from the IAU's routines.

use crate::{Angle, Instant};

/// What no formula foretells of the Earth's rotation, as the IERS publishes it.
///
/// The default is nil throughout. That costs, in the places of everything: |UT1 − UTC| is kept below 0.9 s by leap
/// seconds (13.5″ in hour angle, 0.9 s in the time of an event; below 0.3 s and 4″ since 2010), and the pole wanders
/// by up to 0.6″.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct EarthOrientation {
    /// UT1 − UTC, seconds of time.
    pub ut1_minus_utc_s: f64,
    /// The pole's coordinate x, towards Greenwich.
    pub pole_x: Angle,
    /// The pole's coordinate y, towards 90° west.
    pub pole_y: Angle,
}

impl EarthOrientation {
    /// With UT1 − UTC given, and the pole's wandering neglected.
    pub fn with_ut1_minus_utc(seconds: f64) -> Self {
        Self {
            ut1_minus_utc_s: seconds,
            ..Self::default()
        }
    }
}

/// The celestial intermediate pole and origin: IAU 2006 precession, IAU 2000A nutation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pole {
    /// The pole's x and y in ICRS axes.
    pub(super) x: f64,
    pub(super) y: f64,
    /// The locator of the intermediate origin, radians.
    pub(super) locator: f64,
    /// Equation of the origins, radians: right ascension from the intermediate origin less that from the equinox.
    pub(super) origins: f64,
}

impl Pole {
    /// At a TT Julian date; about 50 µs, nearly all of it the nutation's 1365 terms.
    pub(super) fn at(tt: f64, fraction: f64) -> Self {
        let matrix = sofars::pnp::pnm06a(tt, fraction);
        let (x, y) = sofars::pnp::bpn2xy(&matrix);
        let locator = sofars::pnp::s06(tt, fraction, x, y);
        Self {
            x,
            y,
            locator,
            origins: sofars::pnp::eors(&matrix, locator),
        }
    }

    fn weighed(poles: &[Self], weights: &[f64; 4]) -> Self {
        let sum = |of: fn(&Self) -> f64| poles.iter().zip(weights).map(|(pole, w)| of(pole) * w).sum();
        Self {
            x: sum(|p| p.x),
            y: sum(|p| p.y),
            locator: sum(|p| p.locator),
            origins: sum(|p| p.origins),
        }
    }
}

/// The pole through a span of time: computed once a day, and by cubic interpolation between (within 0.001″, as
/// the nutation's quickest large term takes 9 days).
#[derive(Clone, Debug)]
pub(super) struct PoleTable {
    /// TT Julian date of the first entry.
    first: f64,
    poles: Vec<Pole>,
}

impl PoleTable {
    /// Room to interpolate from `from` to `to`, both in.
    pub(super) fn over(from: Instant, to: Instant) -> Self {
        let day = |instant: Instant| {
            let (tt, fraction) = instant.julian_date_tt();
            (tt + fraction).floor()
        };
        let first = day(from.min(to)) - 1.0;
        let count = (day(from.max(to)) - first) as usize + 3;
        let poles = (0..count).map(|n| Pole::at(first, n as f64)).collect();
        Self { first, poles }
    }

    /// The pole at a TT Julian date, if the table reaches there.
    pub(super) fn at(&self, tt: f64, fraction: f64) -> Option<Pole> {
        let since = tt - self.first + fraction;
        let before = since.floor();
        if before < 1.0 {
            return None;
        }
        let four = self.poles.get(before as usize - 1..before as usize + 3)?;
        let p = since - before;
        // Lagrange's cubic through −1, 0, 1, 2.
        let weights = [
            -p * (p - 1.0) * (p - 2.0) / 6.0,
            (p * p - 1.0) * (p - 2.0) / 2.0,
            -p * (p + 1.0) * (p - 2.0) / 2.0,
            p * (p * p - 1.0) / 6.0,
        ];
        Some(Pole::weighed(four, &weights))
    }
}
