//! Universal Transverse Mercator.
//!
//! Krüger's series in the third flattening to sixth order: C. F. F. Karney 2011, "Transverse
//! Mercator with an accuracy of a few nanometers", J. Geodesy 85, 475; equation numbers are his.
//! Within 1 µm of PROJ out to 10° from the zone's meridian (`tests/all/utm.rs`).

use super::ellipsoid::{E2, EQUATORIAL_M, FLATTENING, Place};

/// Scale on the zone's meridian.
const SCALE: f64 = 0.9996;
/// Easting of the zone's meridian, metres.
const FALSE_EASTING_M: f64 = 500_000.0;
/// Northing of the equator in southern zones, metres.
const FALSE_NORTHING_M: f64 = 10_000_000.0;

/// Third flattening.
const N: f64 = FLATTENING / (2.0 - FLATTENING);
const N2: f64 = N * N;
const N3: f64 = N2 * N;
const N4: f64 = N3 * N;
const N5: f64 = N4 * N;
const N6: f64 = N5 * N;

/// Radius of the circle as long as the meridian, eq. 14.
const RECTIFYING_M: f64 = EQUATORIAL_M / (1.0 + N) * (1.0 + N2 / 4.0 + N4 / 64.0 + N6 / 256.0);

/// Eq. 35.
const ALPHA: [f64; 6] = [
    N / 2.0 - 2.0 / 3.0 * N2 + 5.0 / 16.0 * N3 + 41.0 / 180.0 * N4 - 127.0 / 288.0 * N5
        + 7891.0 / 37_800.0 * N6,
    13.0 / 48.0 * N2 - 3.0 / 5.0 * N3 + 557.0 / 1440.0 * N4 + 281.0 / 630.0 * N5
        - 1_983_433.0 / 1_935_360.0 * N6,
    61.0 / 240.0 * N3 - 103.0 / 140.0 * N4 + 15_061.0 / 26_880.0 * N5 + 167_603.0 / 181_440.0 * N6,
    49_561.0 / 161_280.0 * N4 - 179.0 / 168.0 * N5 + 6_601_661.0 / 7_257_600.0 * N6,
    34_729.0 / 80_640.0 * N5 - 3_418_889.0 / 1_995_840.0 * N6,
    212_378_941.0 / 319_334_400.0 * N6,
];

/// Eq. 36.
const BETA: [f64; 6] = [
    N / 2.0 - 2.0 / 3.0 * N2 + 37.0 / 96.0 * N3 - 1.0 / 360.0 * N4 - 81.0 / 512.0 * N5
        + 96_199.0 / 604_800.0 * N6,
    1.0 / 48.0 * N2 + 1.0 / 15.0 * N3 - 437.0 / 1440.0 * N4 + 46.0 / 105.0 * N5
        - 1_118_711.0 / 3_870_720.0 * N6,
    17.0 / 480.0 * N3 - 37.0 / 840.0 * N4 - 209.0 / 4480.0 * N5 + 5569.0 / 90_720.0 * N6,
    4397.0 / 161_280.0 * N4 - 11.0 / 504.0 * N5 - 830_251.0 / 7_257_600.0 * N6,
    4583.0 / 161_280.0 * N5 - 108_847.0 / 3_991_680.0 * N6,
    20_648_693.0 / 638_668_800.0 * N6,
];

/// One zone of the Universal Transverse Mercator grid on WGS 84.
///
/// Zones on GRS 80 differ from it by less than 0.1 mm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Utm {
    zone: u8,
    south: bool,
}

impl Utm {
    /// Zone 1 to 60, whose northings count from the equator or, in the south, from 10 000 km
    /// below it. `None` for other zones.
    pub fn new(zone: u8, south: bool) -> Option<Self> {
        (1..=60).contains(&zone).then_some(Self { zone, south })
    }

    /// Easting and northing in metres of a geodetic latitude and longitude in degrees.
    pub fn forward(self, lat_deg: f64, lon_deg: f64) -> (f64, f64) {
        let turn = lon_deg - self.meridian_deg();
        let lambda = ((turn + 180.0).rem_euclid(360.0) - 180.0).to_radians();
        let (sin_lambda, cos_lambda) = lambda.sin_cos();
        // Eq. 7 to 9: tangent of the conformal latitude.
        let tau = conformal(lat_deg.to_radians().tan());
        // Eq. 10, 11.
        let (xi, eta) = (
            tau.atan2(cos_lambda),
            (sin_lambda / tau.hypot(cos_lambda)).asinh(),
        );
        let (dxi, deta) = series(&ALPHA, xi, eta);
        let (xi, eta) = (xi + dxi, eta + deta);
        let metres = SCALE * RECTIFYING_M;
        (
            FALSE_EASTING_M + metres * eta,
            self.false_northing_m() + metres * xi,
        )
    }

    /// Geodetic latitude and longitude in degrees of an easting and northing in metres.
    pub fn inverse(self, easting_m: f64, northing_m: f64) -> (f64, f64) {
        let metres = SCALE * RECTIFYING_M;
        // Eq. 15.
        let xi = (northing_m - self.false_northing_m()) / metres;
        let eta = (easting_m - FALSE_EASTING_M) / metres;
        let (dxi, deta) = series(&BETA, xi, eta);
        let (xi, eta) = (xi - dxi, eta - deta);
        // Eq. 18.
        let tau = xi.sin() / eta.sinh().hypot(xi.cos());
        let lambda = eta.sinh().atan2(xi.cos());
        let lon = self.meridian_deg() + lambda.to_degrees();
        (
            geodetic_tangent(tau).atan().to_degrees(),
            (lon + 180.0).rem_euclid(360.0) - 180.0,
        )
    }

    pub(super) fn grid(self, place: Place) -> (f64, f64) {
        self.forward(place.lat_deg, place.lon_deg)
    }

    fn meridian_deg(self) -> f64 {
        f64::from(self.zone) * 6.0 - 183.0
    }

    fn false_northing_m(self) -> f64 {
        if self.south { FALSE_NORTHING_M } else { 0.0 }
    }
}

/// Σ a_j (sin 2jξ cosh 2jη, cos 2jξ sinh 2jη), j from 1: the sums of eq. 11 and 15.
fn series(a: &[f64; 6], xi: f64, eta: f64) -> (f64, f64) {
    let mut sum = (0.0, 0.0);
    let mut angle = 0.0;
    for a in a {
        angle += 2.0;
        let (sin, cos) = (angle * xi).sin_cos();
        sum.0 += a * sin * (angle * eta).cosh();
        sum.1 += a * cos * (angle * eta).sinh();
    }
    sum
}

/// Tangent of the conformal latitude from that of the geodetic one, eq. 7 to 9.
fn conformal(tau: f64) -> f64 {
    let e = E2.sqrt();
    let sec = tau.hypot(1.0);
    let sigma = (e * (e * tau / sec).atanh()).sinh();
    tau * sigma.hypot(1.0) - sigma * sec
}

/// The other way, by Newton's method, eq. 19 to 21; two steps reach rounding.
fn geodetic_tangent(conformal_tau: f64) -> f64 {
    let mut tau = conformal_tau;
    for _ in 0..3 {
        let found = conformal(tau);
        let slope = found.hypot(1.0) * tau.hypot(1.0) * (1.0 - E2) / (1.0 + (1.0 - E2) * tau * tau);
        tau += (conformal_tau - found) / slope;
    }
    tau
}
