//! Where each body's series lies in `data/ephemeris.bin`. Made by `data/make_ephemeris.py`; not edited by hand.

use super::chebyshev::Series;

/// TDB Julian date at which every series begins.
pub(super) const FIRST_JD: f64 = 2447880.5;

/// Within 0.049 km of DE440.
pub(super) const MOON: Series = Series {
    at: 0,
    pieces: 5192,
    days: 5.0,
    quantum_km: 0.0125,
    widths: &[4, 4, 3, 3, 2, 2, 2, 1, 1],
};

/// Within 9.9 km of DE440.
pub(super) const SUN: Series = Series {
    at: 342672,
    pieces: 136,
    days: 192.0,
    quantum_km: 2.5,
    widths: &[3, 3, 2, 1, 1, 1, 1],
};

/// Within 9.7 km of DE440.
pub(super) const EMB: Series = Series {
    at: 347568,
    pieces: 203,
    days: 128.0,
    quantum_km: 2.5,
    widths: &[4, 4, 4, 3, 3, 3, 2, 2, 1, 1],
};

/// Within 11 km of DE440.
pub(super) const MERCURY: Series = Series {
    at: 364011,
    pieces: 1298,
    days: 20.0,
    quantum_km: 3.0,
    widths: &[4, 4, 3, 3, 3, 2, 2, 2, 2, 1, 1, 1],
};

/// Within 5.4 km of DE440.
pub(super) const VENUS: Series = Series {
    at: 473043,
    pieces: 271,
    days: 96.0,
    quantum_km: 1.5,
    widths: &[4, 4, 4, 3, 3, 3, 2, 2, 2, 1, 1],
};

/// Within 8 km of DE440.
pub(super) const MARS: Series = Series {
    at: 496620,
    pieces: 102,
    days: 256.0,
    quantum_km: 2.0,
    widths: &[4, 4, 4, 4, 3, 3, 3, 2, 2, 2, 2, 1, 1],
};

/// Within 65 km of DE440.
pub(super) const JUPITER: Series = Series {
    at: 507330,
    pieces: 17,
    days: 1536.0,
    quantum_km: 20.0,
    widths: &[4, 4, 4, 3, 3, 3, 2, 2, 2, 1, 1],
};

/// Within 1.6e+02 km of DE440.
pub(super) const SATURN: Series = Series {
    at: 508809,
    pieces: 17,
    days: 1536.0,
    quantum_km: 42.5,
    widths: &[4, 4, 3, 3, 2, 2, 1, 1],
};

/// Within 1.9e+02 km of DE440.
pub(super) const URANUS: Series = Series {
    at: 509829,
    pieces: 17,
    days: 1536.0,
    quantum_km: 92.5,
    widths: &[4, 3, 3, 2, 2, 1],
};

/// Within 3.2e+02 km of DE440.
pub(super) const NEPTUNE: Series = Series {
    at: 510594,
    pieces: 17,
    days: 1536.0,
    quantum_km: 157.5,
    widths: &[4, 3, 3, 2, 1],
};
