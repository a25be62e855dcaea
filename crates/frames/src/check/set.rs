//! A frame beside the others of its set, by the judge that the build goes by: even cloud dims all its stars alike, which the
//! frame alone cannot show, and what the build will leave out is said before.

use crate::cause::{Cause, CauseFound};
use nightloom_fit::median;
use nightloom_optics::{Exposure, SIDEREAL_ARCSEC_PER_S};
use nightloom_stars::{Fault, FrameQuality, JudgeSettings, judge};

use super::FrameCheck;

/// Frames without which there is no set: of two nobody can say which is the odd one.
const LEAST: usize = 3;
/// Likelihood of cloud then: a hand before the lens or dew wiped off would look the same.
const LIKELY: f64 = 0.85;

/// Lets the build's judge compare the frames of each set, and names what it would leave out. Frames of other exposures
/// and ISO are compared in one unit of light, as a build does.
///
/// `checks` are in the order in which they were taken, each as it was judged by itself. Stars that stay faint to the end
/// may be dew's: that is the trends' to tell.
pub fn judge_together(checks: &mut [FrameCheck]) {
    let mut left: Vec<usize> = (0..checks.len())
        .filter(|&i| checks[i].quality.is_some())
        .collect();
    while let Some(&first) = left.first() {
        let (set, others) = left.into_iter().partition(|&i| alike(&checks[i], &checks[first]));
        left = others;
        if set.len() >= LEAST {
            judged(checks, &set);
        }
    }
}

/// Scales further apart than this part of themselves are of two lenses.
const ONE_LENS: f64 = 0.02;
/// Frames further apart in time are of two nights, seconds.
const ONE_NIGHT_S: f64 = 14.0 * 3600.0;

/// Part of an untracked camera's trails from which a camera counts as standing still.
const STILL: f64 = 0.5;
/// Trails shorter than this tell nothing of that, pixels.
const LEAST_TRAIL_PX: f64 = 1.0;

/// Whether the camera stood still while the stars went by; `None` where lens, place or exposure are not known.
fn stood_still(check: &FrameCheck) -> Option<bool> {
    let (scale, centre, seconds) = (check.scale_arcsec_px?, check.centre?, check.settings[0]?);
    let trail = SIDEREAL_ARCSEC_PER_S * seconds * centre.dec_deg.to_radians().cos() / scale;
    (trail >= LEAST_TRAIL_PX).then_some(check.drift_px > STILL * trail)
}

/// The light that one part of a frame's saturation stands for; what no file tells is left out.
fn unit(check: &FrameCheck) -> f64 {
    let [seconds, iso, f_number] = check.settings;
    let exposure = Exposure {
        seconds: seconds.unwrap_or(1.0),
        f_number: f_number.unwrap_or(1.0),
        iso: iso.unwrap_or(100.0),
    };
    exposure.light_at_saturation()
}

/// Whether two frames are of one set: one lens and night, taken in one way, as far as is known.
fn alike(a: &FrameCheck, b: &FrameCheck) -> bool {
    let lens = match (a.scale_arcsec_px, b.scale_arcsec_px) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < ONE_LENS,
        _ => true,
    };
    let night = match (a.taken, b.taken) {
        (Some(a), Some(b)) => a.seconds_since(b).abs() < ONE_NIGHT_S,
        _ => true,
    };
    let told = |c: &FrameCheck| c.settings.map(|s| s.is_some());
    let followed = stood_still(a).zip(stood_still(b)).is_some_and(|(a, b)| a == b);
    (a.settings == b.settings || followed && told(a) == told(b)) && lens && night
}

/// One set, in the order of its frames.
fn judged(checks: &mut [FrameCheck], set: &[usize]) {
    let starlight: Vec<Option<f64>> = set.iter().map(|&i| checks[i].starlight_mag()).collect();
    let mut told: Vec<f64> = starlight.iter().flatten().copied().collect();
    let typical = median(&mut told).filter(|_| told.len() >= LEAST);
    let lost = |k: usize| Some(typical? - starlight[k]?);
    let common = median(&mut set.iter().map(|&i| unit(&checks[i])).collect::<Vec<f64>>()).unwrap_or(1.0);
    let figures = |(k, &i): (usize, &usize)| FrameQuality {
        flux_ratio: lost(k).map(|lost| 10f64.powf(-0.4 * lost) as f32),
        ..checks[i]
            .quality
            .clone()
            .unwrap_or_default()
            .in_unit((unit(&checks[i]) / common) as f32)
    };
    let figures: Vec<FrameQuality> = set.iter().enumerate().map(figures).collect();
    for (k, verdict) in judge(&figures, &JudgeSettings::default()).into_iter().enumerate() {
        let check = &mut checks[set[k]];
        match verdict.fault {
            Some(Fault::Dimmed) => {
                let own = lost(k).unwrap_or(0.0);
                if (k + 1..set.len()).any(|n| lost(n).is_some_and(|after| after < 0.5 * own)) {
                    let percent = 100.0 * (1.0 - 10f64.powf(-0.4 * own));
                    let figure = format!("its stars are {percent:.0} % fainter than the set's");
                    check.causes.retain(|c| c.cause != Cause::Cloud);
                    put_first(check, Cause::Cloud, figure);
                    check.next = "Leave this frame out; go on when the cloud has passed.".into();
                }
            }
            Some(fault) if matches!(check.first(), Some(Cause::Good | Cause::CannotTell)) => {
                if let Some(cause) = cause_of(fault) {
                    put_first(check, cause, verdict.reason);
                    check.next = "Leave this frame out: the others of its set are better.".into();
                }
            }
            // Only where starlight was compared: a frame without it may be clouded all the same.
            None if check.first() == Some(Cause::Cloud) && lost(k).is_some() => {
                check.next =
                    "Keep it: its stars are as bright as those of the set's other frames. Look at the sky."
                        .into();
            }
            _ => {}
        }
    }
}

fn cause_of(fault: Fault) -> Option<Cause> {
    match fault {
        Fault::DrawnOut => Some(Cause::Knock),
        Fault::Blurred => Some(Cause::Focus),
        Fault::FewStars | Fault::BrightSky => Some(Cause::Cloud),
        Fault::Unregistered | Fault::NoStars | Fault::Dimmed | Fault::Displaced => None,
    }
}

fn put_first(check: &mut FrameCheck, cause: Cause, figure: String) {
    for other in &mut check.causes {
        other.likelihood *= 1.0 - LIKELY;
    }
    let first = CauseFound {
        cause,
        likelihood: LIKELY,
        figure,
    };
    check.causes.insert(0, first);
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
            quality: Some(FrameQuality {
                stars: 500,
                fwhm_px: 2.0,
                elongation: 1.1,
                background: 0.02,
                noise: 0.001,
                sky_fraction: 0.8,
                ..FrameQuality::default()
            }),
            ..FrameCheck::unreadable("a".into(), String::new())
        }
    }

    fn firsts(zero_points: &[f64]) -> Vec<Option<Cause>> {
        let mut checks: Vec<FrameCheck> = zero_points.iter().map(|z| frame(*z)).collect();
        judge_together(&mut checks);
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
        assert_eq!(
            firsts(&[6.48, 6.0, 6.47]),
            [good, cloud, good],
            "a build leaves it out"
        );
        assert_eq!(firsts(&[6.48, 6.0]), [good; 2], "two are no set");
        // Faint to the end: dew, perhaps.
        assert_eq!(firsts(&[6.48, 6.47, 6.48, 6.1, 6.0]), [good; 5]);
    }

    #[test]
    fn frames_of_two_lenses_are_two_sets() {
        let mut checks: Vec<FrameCheck> = [6.48, 6.49, 6.47, 6.46, 5.1, 5.11, 5.12, 5.1].map(frame).to_vec();
        for check in &mut checks[..4] {
            check.scale_arcsec_px = Some(20.0);
        }
        for check in &mut checks[4..] {
            check.scale_arcsec_px = Some(50.0);
        }
        // A darker lens among the brighter one's frames is no cloud.
        checks.swap(1, 5);
        judge_together(&mut checks);
        assert!(checks.iter().all(|c| c.first() == Some(Cause::Good)));
    }

    /// Tracked frames of half the ISO and a quarter of the time, each with the values that one light gives at its setting.
    #[test]
    fn frames_of_other_settings_are_compared_in_one_light() {
        let mut checks = vec![frame(6.48); 6];
        for check in &mut checks {
            check.scale_arcsec_px = Some(50.0);
            check.centre = Some(crate::SkyPlace {
                ra_deg: 80.0,
                dec_deg: 10.0,
            });
        }
        for (k, [seconds, iso]) in [[22.5, 800.0], [90.0, 400.0], [22.5, 400.0]]
            .into_iter()
            .enumerate()
        {
            let light: f64 = seconds * iso / (90.0 * 800.0);
            checks[k].settings = [Some(seconds), Some(iso), Some(2.8)];
            checks[k].zero_point = checks[k].zero_point.map(|z| z + 2.5 * light.log10());
            checks[k].quality = checks[k].quality.clone().map(|q| q.in_unit(light as f32));
        }
        let clouded = checks[1].quality.clone();
        let mut sound = checks.clone();
        judge_together(&mut sound);
        assert!(sound.iter().all(|c| c.first() == Some(Cause::Good)), "{sound:#?}");
        // Of its own setting it is the only one.
        checks[1].quality = clouded.map(|q| FrameQuality { fwhm_px: 4.0, ..q });
        judge_together(&mut checks);
        assert_eq!(checks[1].first(), Some(Cause::Focus));
        // A frame whose camera stood still is none of them.
        checks[1].drift_px = 27.0;
        checks[1].causes.remove(0);
        judge_together(&mut checks);
        assert_eq!(checks[1].first(), Some(Cause::Good));
    }

    #[test]
    fn what_the_build_would_leave_out_is_said_and_what_it_keeps_is_kept() {
        let mut checks = vec![frame(6.48); 5];
        checks[1].quality = checks[1]
            .quality
            .clone()
            .map(|q| FrameQuality { fwhm_px: 4.0, ..q });
        checks[2].quality = checks[2]
            .quality
            .clone()
            .map(|q| FrameQuality { elongation: 1.8, ..q });
        checks[3].causes[0].cause = Cause::Cloud;
        judge_together(&mut checks);
        let firsts: Vec<Option<Cause>> = checks.iter().map(FrameCheck::first).collect();
        let [good, focus, knock, cloud] = [Cause::Good, Cause::Focus, Cause::Knock, Cause::Cloud].map(Some);
        assert_eq!(firsts, [good, focus, knock, cloud, good]);
        assert!(checks[1].next.starts_with("Leave this frame out"));
        assert!(checks[3].next.starts_with("Keep it"), "{}", checks[3].next);
    }
}
