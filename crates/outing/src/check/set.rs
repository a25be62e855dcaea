//! A frame beside the others of its set: even cloud dims all its stars alike, which the frame alone cannot show.

use nightloom_fit::median;
use nightloom_stars::cause::{Cause, CauseFound};

use super::FrameCheck;

/// Starlight lost against the set's from which on cloud is named, magnitudes. Between clear frames of one setting
/// it changes by a few hundredths (measured on the demo: 0.02).
const LOST_MAG: f64 = 0.2;
/// Frames of one setting without which there is no set.
const LEAST: usize = 4;
/// Likelihood of cloud then: a hand before the lens or dew wiped off would look the same.
const LIKELY: f64 = 0.85;

/// Names cloud where a frame's stars are fainter than before and after it.
///
/// Stars that stay faint to the end may be dew's: that is the trends' to tell.
pub(super) fn compare(checks: &mut [FrameCheck]) {
    let starlight: Vec<Option<f64>> = checks.iter().map(FrameCheck::starlight_mag).collect();
    let settings: Vec<_> = checks.iter().map(|c| c.settings).collect();
    for (i, check) in checks.iter_mut().enumerate() {
        let alike = |n: &usize| settings[*n] == settings[i];
        let mut set: Vec<f64> = (0..starlight.len())
            .filter(alike)
            .filter_map(|n| starlight[n])
            .collect();
        let (Some(own), true) = (starlight[i], set.len() >= LEAST) else {
            continue;
        };
        let lost = median(&mut set).unwrap_or(own) - own;
        let clear = |n: usize| starlight[n].is_some_and(|s| s - own > 0.5 * lost);
        let after = (i + 1..starlight.len()).filter(alike).any(clear);
        if lost > LOST_MAG && after {
            dimmed(check, lost);
        }
    }
}

fn dimmed(check: &mut FrameCheck, lost_mag: f64) {
    check.causes.retain(|c| c.cause != Cause::Cloud);
    for other in &mut check.causes {
        other.likelihood *= 1.0 - LIKELY;
    }
    let percent = 100.0 * (1.0 - 10f64.powf(-0.4 * lost_mag));
    check.causes.insert(
        0,
        CauseFound {
            cause: Cause::Cloud,
            likelihood: LIKELY,
            figure: format!("its stars are {percent:.0} % fainter than the set's"),
        },
    );
    check.next = "Leave this frame out; go on when the cloud has passed.".into();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(zero_point: f64) -> FrameCheck {
        FrameCheck {
            zero_point: Some(zero_point),
            settings: [Some(90.0), Some(800.0), Some(2.8)],
            causes: vec![CauseFound {
                cause: Cause::Good,
                likelihood: 0.9,
                figure: String::new(),
            }],
            ..FrameCheck::unreadable("a".into(), String::new())
        }
    }

    fn firsts(zero_points: &[f64]) -> Vec<Option<Cause>> {
        let mut checks: Vec<FrameCheck> = zero_points.iter().map(|z| frame(*z)).collect();
        compare(&mut checks);
        checks.iter().map(FrameCheck::first).collect()
    }

    #[test]
    fn a_frame_fainter_than_before_and_after_is_clouded() {
        let good = Some(Cause::Good);
        let cloud = Some(Cause::Cloud);
        assert_eq!(
            firsts(&[6.48, 6.49, 6.0, 6.47, 6.46]),
            [good, good, cloud, good, good]
        );
        assert_eq!(firsts(&[6.48, 6.45, 6.42, 6.38, 6.36]), [good; 5]);
        assert_eq!(firsts(&[6.48, 6.0, 6.47]), [good; 3], "three are no set");
        // Faint to the end: dew, perhaps.
        assert_eq!(firsts(&[6.48, 6.47, 6.48, 6.1, 6.0]), [good; 5]);
    }
}
