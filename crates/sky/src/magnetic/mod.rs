//! Where a compass points: declination from the World Magnetic Model.
//!
//! A. Chulliat et al. 2025, “The US/UK World Magnetic Model for 2025–2030: Technical Report” (NOAA
//! NCEI and British Geological Survey), and its predecessor for 2020 to 2024; equation numbers are the
//! report's. Coefficients are in the public domain. Held by the report's own test values
//! (`tests/all/magnetic.rs`).

mod coefficients;

use crate::{Angle, Instant};
use coefficients::{WMM2020, WMM2025};

/// Highest degree of the model.
const DEGREE: usize = 12;
/// The model's reference radius, metres.
const REFERENCE_M: f64 = 6_371_200.0;
/// WGS 84.
const EQUATORIAL_M: f64 = 6_378_137.0;
const E2: f64 = 0.006_694_379_990_141_317;
/// Below this horizontal field the report calls a compass unreliable, nanotesla.
const UNRELIABLE_NT: f64 = 2000.0;
/// At the poles themselves east has no meaning; this near to them it is taken.
const HIGHEST_LATITUDE_DEG: f64 = 89.999_999;

/// The first and the last year of which [`declination`] knows.
pub const VALID_YEARS: (i16, i16) = (2020, 2029);

struct Model {
    name: &'static str,
    epoch: f64,
    gauss: &'static [[f64; 4]; 90],
    /// Error of the declination: constant part in degrees, and degrees times nanotesla of H.
    error: (f64, f64),
}

const MODELS: [Model; 2] = [
    Model {
        name: "WMM2020",
        epoch: 2020.0,
        gauss: &WMM2020,
        error: (0.26, 5625.0),
    },
    Model {
        name: "WMM2025",
        epoch: 2025.0,
        gauss: &WMM2025,
        error: (0.26, 5417.0),
    },
];

/// What a compass needs to tell true north.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Declination {
    /// Magnetic north from true north, east positive: true = magnetic + declination.
    pub angle: Angle,
    /// One standard deviation after the report's error model. A phone's own error comes on top,
    /// and is larger: several degrees near iron or a car.
    pub uncertainty: Angle,
    /// Whether the horizontal field is so weak that a compass cannot be relied on.
    pub unreliable: bool,
    /// The model, as `WMM2025`.
    pub model: &'static str,
}

/// Why there is no declination.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MagneticError {
    /// A date that no model holds for.
    #[error(
        "the magnetic models here hold from 2020 to the end of 2029, and {instant} is outside; measure against true north, or give the declination yourself"
    )]
    Date {
        /// When it was asked for.
        instant: Instant,
    },
    /// A place that is none.
    #[error(
        "latitude {lat_deg}° and longitude {lon_deg}° are no place; latitude goes from -90 to 90 and comes first"
    )]
    Place {
        /// Latitude, degrees.
        lat_deg: f64,
        /// Longitude, degrees.
        lon_deg: f64,
    },
}

/// The magnetic declination at a geodetic latitude and longitude in degrees, `elevation_m` above the ellipsoid.
///
/// # Errors
/// Before 2020 or after 2029, when the models do not hold; a latitude or longitude out of range.
pub fn declination(
    lat_deg: f64,
    lon_deg: f64,
    elevation_m: f64,
    instant: Instant,
) -> Result<Declination, MagneticError> {
    if !((-90.0..=90.0).contains(&lat_deg) && (-180.0..=360.0).contains(&lon_deg)) {
        return Err(MagneticError::Place { lat_deg, lon_deg });
    }
    let year = decimal_year(instant).ok_or(MagneticError::Date { instant })?;
    let model = &MODELS[usize::from(year >= MODELS[1].epoch)];
    let [north, east, _] = field(model, lat_deg, lon_deg, elevation_m, year);
    let horizontal = north.hypot(east);
    let (constant, weak) = model.error;
    Ok(Declination {
        angle: Angle::from_rad(east.atan2(north)),
        uncertainty: Angle::from_deg(constant.hypot(weak / horizontal)),
        unreliable: horizontal < UNRELIABLE_NT,
        model: model.name,
    })
}

/// The year with its elapsed part; `None` outside [`VALID_YEARS`].
fn decimal_year(instant: Instant) -> Option<f64> {
    let date = jiff::tz::Offset::UTC.to_datetime(instant.timestamp());
    let days = if date.in_leap_year() { 366.0 } else { 365.0 };
    let midnight = date.day_of_year() - 1;
    let day = f64::from(date.hour()) / 24.0 + f64::from(date.minute()) / 1440.0;
    let (first, last) = VALID_YEARS;
    (first..=last)
        .contains(&date.year())
        .then(|| f64::from(date.year()) + (f64::from(midnight) + day) / days)
}

/// North, east and down in nanotesla.
fn field(model: &Model, lat_deg: f64, lon_deg: f64, elevation_m: f64, year: f64) -> [f64; 3] {
    let lat = lat_deg
        .clamp(-HIGHEST_LATITUDE_DEG, HIGHEST_LATITUDE_DEG)
        .to_radians();
    // Eq. 7, 8: geodetic to spherical.
    let (sin_lat, cos_lat) = lat.sin_cos();
    let curvature = EQUATORIAL_M / (1.0 - E2 * sin_lat * sin_lat).sqrt();
    let p = (curvature + elevation_m) * cos_lat;
    let z = (curvature * (1.0 - E2) + elevation_m) * sin_lat;
    let (radius, spherical) = (p.hypot(z), z.atan2(p));
    let [x, east, down] = spherical_field(model, spherical, lon_deg.to_radians(), radius, year);
    // Eq. 17: back to the ellipsoid's vertical.
    let (sin, cos) = (spherical - lat).sin_cos();
    [x * cos - down * sin, east, x * sin + down * cos]
}

/// Eq. 10 to 12: north, east and down on the sphere.
fn spherical_field(model: &Model, latitude: f64, longitude: f64, radius: f64, year: f64) -> [f64; 3] {
    let legendre = Legendre::new(latitude);
    let since = year - model.epoch;
    let mut sum = [0.0; 3];
    let mut row = model.gauss.iter();
    for n in 1..=DEGREE {
        let fall = (REFERENCE_M / radius).powi(n as i32 + 2);
        for m in 0..=n {
            let Some([g, h, g_change, h_change]) = row.next() else {
                return sum;
            };
            // Eq. 9.
            let (g, h) = (g + g_change * since, h + h_change * since);
            let (sin, cos) = (m as f64 * longitude).sin_cos();
            let along = g * cos + h * sin;
            sum[0] += fall * along * legendre.slope[n][m];
            sum[1] += fall * m as f64 * (g * sin - h * cos) * legendre.value[n][m] / latitude.cos();
            sum[2] -= fall * (n as f64 + 1.0) * along * legendre.value[n][m];
        }
    }
    sum
}

/// Schmidt's semi-normalised associated Legendre functions of the sine of a latitude, and their
/// derivatives by colatitude.
struct Legendre {
    value: [[f64; DEGREE + 1]; DEGREE + 1],
    slope: [[f64; DEGREE + 1]; DEGREE + 1],
}

impl Legendre {
    fn new(latitude: f64) -> Self {
        // Cosine and sine of the colatitude.
        let (c, s) = latitude.sin_cos();
        let (mut value, mut slope) = ([[0.0; DEGREE + 1]; DEGREE + 1], [[0.0; DEGREE + 1]; DEGREE + 1]);
        value[0][0] = 1.0;
        for n in 1..=DEGREE {
            let k = n as f64;
            // Sectorial: m = n; the first has no factor.
            let f = if n == 1 { 1.0 } else { (1.0 - 0.5 / k).sqrt() };
            value[n][n] = f * s * value[n - 1][n - 1];
            slope[n][n] = f * (s * slope[n - 1][n - 1] + c * value[n - 1][n - 1]);
            for m in 0..n {
                let before = if n > 1 {
                    (value[n - 2][m], slope[n - 2][m])
                } else {
                    (0.0, 0.0)
                };
                let (two, m2) = (2.0 * k - 1.0, (m * m) as f64);
                let older = ((k - 1.0) * (k - 1.0) - m2).max(0.0).sqrt();
                let norm = (k * k - m2).sqrt();
                value[n][m] = (two * c * value[n - 1][m] - older * before.0) / norm;
                let turned = c * slope[n - 1][m] - s * value[n - 1][m];
                slope[n][m] = (two * turned - older * before.1) / norm;
            }
        }
        Self { value, slope }
    }
}
