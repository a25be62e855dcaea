//! A frame's own unit: the light that one part of its saturation stands for.
//!
//! Values of a calibrated frame are parts of the sensor's saturation. Times the frame's unit,
//! N²/(t·ISO/100) ([`Exposure::light_at_saturation`]), they are light that does not depend on how the
//! frame was taken. Nothing is taken from another frame, unless the file does not tell.

use nightloom_optics::Exposure;

use super::setting::Setting;

/// The unit of each frame, in the order given; `None` where its file does not tell what others tell.
///
/// What no frame of a camera tells (the f-number of an adapted lens, the ISO of an astronomical camera) is the
/// same for all of that camera and left out.
pub(super) fn told(settings: &[Setting]) -> Vec<Option<f64>> {
    settings.iter().map(|s| told_of(s, settings)).collect()
}

fn told_of(own: &Setting, all: &[Setting]) -> Option<f64> {
    let value = |of: fn(&Setting) -> Option<f64>| {
        let told = all.iter().any(|s| s.same_camera(own) && of(s).is_some());
        if told { of(own) } else { Some(1.0) }
    };
    let exposure = Exposure {
        seconds: value(|s| s.exposure_s)?,
        f_number: value(|s| s.f_number)?,
        iso: value(|s| s.iso)?,
    };
    Some(exposure.light_at_saturation()).filter(|u| u.is_finite() && *u > 0.0)
}

/// The unit of the picture: the median of the frames', so that no single frame decides it.
pub(super) fn common(units: impl Iterator<Item = f64>) -> f64 {
    let mut units: Vec<f64> = units.collect();
    units.sort_unstable_by(f64::total_cmp);
    // A frame's own, not a mean of two: frames of the commonest setting are then left as they are.
    units.get(units.len() / 2).copied().unwrap_or(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setting(exposure_s: Option<f64>, f_number: Option<f64>, iso: Option<f64>) -> Setting {
        Setting {
            exposure_s,
            f_number,
            iso,
            ..Setting::default()
        }
    }

    #[test]
    fn a_quarter_of_the_time_or_of_the_iso_is_worth_four_times_the_light() {
        let units = told(&[
            setting(Some(60.0), Some(2.8), Some(1600.0)),
            setting(Some(15.0), Some(2.8), Some(1600.0)),
            setting(Some(60.0), Some(2.8), Some(400.0)),
            setting(Some(60.0), Some(5.6), Some(1600.0)),
        ]);
        let ratio = |i: usize| units[i].unwrap_or(0.0) / units[0].unwrap_or(1.0);
        for i in 1..4 {
            assert!((ratio(i) - 4.0).abs() < 1e-12, "{units:?}");
        }
    }

    #[test]
    fn what_none_tells_is_left_out_and_what_one_lacks_is_unknown() {
        let adapted = [
            setting(Some(60.0), None, Some(800.0)),
            setting(Some(30.0), None, Some(800.0)),
            setting(None, None, Some(800.0)),
        ];
        let units = told(&adapted);
        assert_eq!(units[1].zip(units[0]).map(|(b, a)| b / a), Some(2.0));
        assert_eq!(units[2], None);
        let nothing = told(&[Setting::default(), Setting::default()]);
        assert!(nothing[0].is_some() && nothing[0] == nothing[1]);
    }
}
