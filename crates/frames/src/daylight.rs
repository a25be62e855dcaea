//! How bright what a frame shows was, by the camera's own settings.

/// Level that a light meter calls for, of saturation (ISO 12232: 12.7 % for the speed by saturation).
const METERED: f64 = 0.127;

/// Brightness from which on no stars shine over a scene, as an exposure value at ISO 100: half way, in stops, from what the
/// full moon lights (-3) to what the sun does (15). Both are common practice.
pub(crate) const DAY_EV: f64 = 6.0;

/// The exposure value at ISO 100 that a meter would have called for: log₂(N²/t) as ISO 2720 has it, for the ISO speed, and by
/// how many stops the frame's middle `level`, a part of saturation, is brighter than metered.
///
/// `settings` are f-number, seconds and ISO speed; `None` where one is missing or makes no sense.
pub(crate) fn scene_ev(settings: [Option<f64>; 3], level: f64) -> Option<f64> {
    let [Some(n), Some(t), Some(iso)] = settings else {
        return None;
    };
    let set = (n * n / t).log2() - (iso / 100.0).log2();
    let ev = set + (level.max(1e-6) / METERED).log2();
    ev.is_finite().then_some(ev)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Full sun calls for f/16 at 1/100 s and ISO 100, and the full moon for about 18 stops more (common practice).
    #[test]
    fn sun_and_moon_lie_on_either_side() {
        let ev = |n, t: f64, iso, level| scene_ev([Some(n), Some(t), Some(iso)], level).unwrap();
        let sun = ev(16.0, 0.01, 100.0, METERED);
        assert!((sun - 14.64).abs() < 0.01, "{sun}");
        let moon = ev(16.0, 0.01 * f64::from(1 << 18), 100.0, METERED);
        assert!((sun - moon - 18.0).abs() < 1e-9);
        assert!(moon < DAY_EV - 8.0 && sun > DAY_EV + 8.0);
        // A stop brighter in the picture, a stop brighter in the world.
        assert!((ev(16.0, 0.01, 100.0, 2.0 * METERED) - sun - 1.0).abs() < 1e-9);
        assert_eq!(scene_ev([Some(8.0), None, Some(100.0)], 0.1), None);
        assert_eq!(scene_ev([Some(8.0), Some(0.0), Some(100.0)], 0.1), None);
    }
}
