//! How faint a star is just found.

use super::sample::MeasuredStar;
use nightloom_fit::median_of;

/// Signal over noise at the limit.
const AT: f64 = 5.0;

/// Magnitude of a point source of 5 σ: where the sky's noise rules, a detection's signal over noise goes
/// as the star's light, so each star says where 5 σ lies. The median of them; above the air, as seen
/// through it.
pub(super) fn limiting(samples: &[MeasuredStar]) -> f64 {
    let each = samples.iter().map(|s| s.v_mag + 2.5 * (s.snr / AT).log10());
    median_of(each).unwrap_or(f64::NAN)
}
