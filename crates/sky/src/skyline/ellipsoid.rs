//! The WGS 84 ellipsoid, and the way along it in one direction.

use nalgebra::Vector3;

/// Equatorial radius of WGS 84 (NGA.STND.0036), metres.
pub(super) const EQUATORIAL_M: f64 = 6_378_137.0;
/// Flattening of WGS 84.
pub(super) const FLATTENING: f64 = 1.0 / 298.257_223_563;
/// First eccentricity squared.
pub(super) const E2: f64 = FLATTENING * (2.0 - FLATTENING);

/// A place on the ellipsoid, degrees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Place {
    pub(super) lat_deg: f64,
    pub(super) lon_deg: f64,
}

impl Place {
    /// A place between two near ones. Along 1 km this is off by less than 0.02 m · tan(latitude).
    pub(super) fn towards(self, other: Self, part: f64) -> Self {
        // Two near places may stand on both sides of ±180°.
        let lon = (other.lon_deg - self.lon_deg + 180.0).rem_euclid(360.0) - 180.0;
        Self {
            lat_deg: self.lat_deg + (other.lat_deg - self.lat_deg) * part,
            lon_deg: self.lon_deg + lon * part,
        }
    }
}

/// The ellipsoid cut by the vertical plane that an observer looks along: what is seen in one
/// azimuth lies on it. Within 0.1 m of the exact cut out to 200 km.
pub(super) struct Section {
    origin: Vector3<f64>,
    /// The direction at the start, and up, both in the terrestrial frame.
    ahead: Vector3<f64>,
    up: Vector3<f64>,
    /// Radius of curvature in this direction, metres.
    pub(super) radius_m: f64,
}

impl Section {
    /// From `place` towards an azimuth (degrees, true north through east).
    pub(super) fn new(place: Place, azimuth_deg: f64) -> Self {
        let (sin_lat, cos_lat) = place.lat_deg.to_radians().sin_cos();
        let (sin_lon, cos_lon) = place.lon_deg.to_radians().sin_cos();
        let (sin_az, cos_az) = azimuth_deg.to_radians().sin_cos();
        let east = Vector3::new(-sin_lon, cos_lon, 0.0);
        let north = Vector3::new(-sin_lat * cos_lon, -sin_lat * sin_lon, cos_lat);
        let up = Vector3::new(cos_lat * cos_lon, cos_lat * sin_lon, sin_lat);
        let w2 = 1.0 - E2 * sin_lat * sin_lat;
        let across = EQUATORIAL_M / w2.sqrt();
        let along = across * (1.0 - E2) / w2;
        let origin = Vector3::new(up.x * across, up.y * across, up.z * across * (1.0 - E2));
        Self {
            origin,
            ahead: east * sin_az + north * cos_az,
            up,
            // Euler 1760: the curvature of a normal section.
            radius_m: 1.0 / (cos_az * cos_az / along + sin_az * sin_az / across),
        }
    }

    /// The place `distance_m` along the section.
    pub(super) fn at(&self, distance_m: f64) -> Place {
        let (sin, cos) = (distance_m / self.radius_m).sin_cos();
        let point =
            self.origin + self.ahead * (self.radius_m * sin) - self.up * (self.radius_m * (1.0 - cos));
        geodetic(&point)
    }
}

/// Latitude and longitude of a point near the surface, after Bowring 1976, Survey Review 23, 323
/// (one step; 1e-9° within 10 km of the surface).
fn geodetic(point: &Vector3<f64>) -> Place {
    let polar = EQUATORIAL_M * (1.0 - FLATTENING);
    let across = point.x.hypot(point.y);
    let (sin, cos) = (point.z * EQUATORIAL_M).atan2(across * polar).sin_cos();
    let second = E2 / (1.0 - E2);
    let z = point.z + second * polar * sin * sin * sin;
    let rho = across - E2 * EQUATORIAL_M * cos * cos * cos;
    Place {
        lat_deg: z.atan2(rho).to_degrees(),
        lon_deg: point.y.atan2(point.x).to_degrees(),
    }
}
