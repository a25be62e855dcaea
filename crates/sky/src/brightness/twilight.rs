//! Twilight at the zenith.

use super::SurfaceBrightness;
use crate::Angle;

/// The dark zenith to which the excess of twilight is counted, V mag/arcsec² (the graph's own is not stated;
/// 0.2 mag of doubt in the twilight's brightness comes from this).
pub const TWILIGHT_REFERENCE_MAG: f64 = 22.0;
/// The fit holds for the sun between these altitudes, degrees.
const FIT_DEG: (f64, f64) = (-18.0, -6.0);
/// Over so many degrees below −18° the rest goes to nothing, without a kink.
const TAIL_DEG: f64 = 0.855;

/// How many magnitudes brighter than a dark sky the zenith is, by the sun's true altitude.
///
/// From −18° to −6°, which is what it was made for: a cubic fitted to a published graph (good to about 0.1 mag
/// against the graph; clear nights differ by more). Lower, it runs out smoothly by −18.9°. Higher, it goes on with the
/// slope of −6° (1.06 mag a degree) to the sun on the horizon, where it gives 330 cd/m², the order of
/// what is measured at sunset; for a sun above the horizon that value stands and means only "day".
pub fn twilight_excess_mag(sun_altitude: Angle) -> f64 {
    let h = sun_altitude.deg().min(0.0);
    if h < FIT_DEG.0 {
        let left = 1.0 - (FIT_DEG.0 - h) / TAIL_DEG;
        return cubic(FIT_DEG.0) * left.max(0.0).powi(2);
    }
    let slope = cubic_slope(FIT_DEG.1);
    cubic(h.min(FIT_DEG.1)) + slope * (h - FIT_DEG.1).max(0.0)
}

fn cubic(h: f64) -> f64 {
    let y = (-h - 9.0) / 9.0;
    ((2.063_517_5 * y + 1.246_602) * y - 9.408_449_5) * y + 6.132_725
}

/// Magnitudes a degree of rising sun.
fn cubic_slope(h: f64) -> f64 {
    let y = (-h - 9.0) / 9.0;
    -((3.0 * 2.063_517_5 * y + 2.0 * 1.246_602) * y - 9.408_449_5) / 9.0
}

/// The twilight's own light at the zenith.
pub(super) fn twilight_zenith(sun_altitude: Angle) -> SurfaceBrightness {
    let ratio = 10f64.powf(0.4 * twilight_excess_mag(sun_altitude)) - 1.0;
    SurfaceBrightness::from_mag(TWILIGHT_REFERENCE_MAG).scaled(ratio)
}
