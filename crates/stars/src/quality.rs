//! How good each frame of a set is, and whether to use it.

use crate::{Field, FrameRegistration};
use nightloom_fit::median;

/// The figures a frame is judged by. Those of frames taken with different settings have to be brought to one unit
/// of light first.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameQuality {
    /// Number of stars found.
    pub stars: usize,
    /// Median full width at half maximum, pixels.
    pub fwhm_px: f32,
    /// Median elongation.
    pub elongation: f32,
    /// Sky level, in a unit that the frames share.
    pub background: f32,
    /// Noise of a pixel, in the same unit.
    pub noise: f32,
    /// Part of the frame that is sky, 0 to 1.
    pub sky_fraction: f32,
    /// Flux of its stars over that of the same stars in the reference, where registered.
    pub flux_ratio: Option<f32>,
    /// Residual of registration, pixels, where registered.
    pub rms_px: Option<f32>,
    /// Why it could not be registered.
    pub unregistered: Option<String>,
}

/// A sky this close to the set's is not clouded, as a part of it (common practice, no source).
const SAME_SKY: f32 = 0.03;

impl FrameQuality {
    /// The figures of a field and, where there is one, of its registration.
    pub fn of(field: &Field, registration: Option<&FrameRegistration>) -> Self {
        Self {
            stars: field.stars.len(),
            fwhm_px: field.fwhm_px,
            elongation: field.elongation,
            background: field.background,
            noise: field.noise,
            sky_fraction: field.land.sky_fraction() as f32,
            flux_ratio: registration.and_then(|r| r.flux_ratio),
            rms_px: registration
                .filter(|r| r.rotation.is_some())
                .map(|r| r.rms_px as f32),
            unregistered: registration.and_then(|r| r.reason.clone()),
        }
    }

    /// The same in a unit of light that the set's frames share: `unit` brings the frame's own values to it.
    #[must_use]
    pub fn in_unit(self, unit: f32) -> Self {
        Self {
            background: self.background * unit,
            noise: self.noise * unit,
            ..self
        }
    }
}

/// What counts as clearly bad.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct JudgeSettings {
    /// Width over the set's typical width above which a frame is left out.
    pub max_fwhm_ratio: f32,
    /// Elongation above the set's typical elongation by which a frame is left out.
    pub max_elongation_excess: f32,
    /// Part of the set's typical starlight below which a frame is left out as clouded.
    pub min_transparency: f32,
    /// Part of the set's typical number of stars below which a frame is left out.
    pub min_star_ratio: f32,
    /// Sky level over the set's typical level above which a frame is left out.
    pub max_background_ratio: f32,
    /// Residual of registration above which a frame is left out, pixels.
    pub max_rms_px: f32,
}

impl Default for JudgeSettings {
    /// Limits from common practice, no source.
    fn default() -> Self {
        Self {
            max_fwhm_ratio: 1.5,
            max_elongation_excess: 0.4,
            min_transparency: 0.75,
            min_star_ratio: 0.4,
            max_background_ratio: 3.0,
            max_rms_px: 1.5,
        }
    }
}

/// No usable frame counts less than this part of a typical one.
const LEAST_WEIGHT: f32 = 1e-3;

/// What makes a frame one to leave out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// It matches no other frame.
    Unregistered,
    /// Nothing to judge it by.
    NoStars,
    /// Its stars are fainter than the set's.
    Dimmed,
    /// Its stars are longer than the set's.
    DrawnOut,
    /// Its stars are wider than the set's.
    Blurred,
    /// It shows fewer stars than its noise lets expect.
    FewStars,
    /// Its sky is brighter than the set's.
    BrightSky,
    /// Its stars do not lie where the set's do.
    Displaced,
}

/// What the figures say of one frame.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Verdict {
    /// Whether to use the frame.
    pub use_it: bool,
    /// Why, in plain words with the figures in them.
    pub reason: String,
    /// Weight in the stack, 1 for a frame as good as the set's typical one; 0 where left out.
    pub weight: f32,
    /// What is wrong with it, where it is left out for its figures.
    #[serde(default)]
    pub fault: Option<Fault>,
}

/// Judges the frames of one set against each other.
///
/// Each is compared with the set's median (of two frames, with the better one, and only what is
/// far worse is left out; one alone is always used if it has stars). A fault that all share is
/// typical, not bad: the whole set is then used. The weight is transparency² over noise², the
/// least noise on extended sky, times the set's typical width over the frame's.
pub fn judge(frames: &[FrameQuality], settings: &JudgeSettings) -> Vec<Verdict> {
    let typical = Typical::of(frames);
    let slack = if frames.len() < 3 { 1.3 } else { 1.0 };
    frames
        .iter()
        .map(|frame| match typical.fault(frame, settings, slack) {
            Some((fault, reason)) => Verdict {
                use_it: false,
                reason,
                weight: 0.0,
                fault: Some(fault),
            },
            None => Verdict {
                use_it: true,
                reason: typical.praise(frame),
                weight: typical.weight(frame),
                fault: None,
            },
        })
        .collect()
}

/// The set's typical figures.
struct Typical {
    stars: f32,
    fwhm_px: f32,
    elongation: f32,
    background: f32,
    noise: f32,
    flux_ratio: f32,
    rms_px: f32,
}

impl Typical {
    fn of(frames: &[FrameQuality]) -> Self {
        let usable = |f: &&FrameQuality| f.unregistered.is_none() && f.stars > 0;
        let middle = |value: fn(&FrameQuality) -> Option<f32>, more_is_better: bool| {
            let mut values: Vec<f32> = frames.iter().filter(usable).filter_map(value).collect();
            match values.as_slice() {
                [a, b] if more_is_better => a.max(*b),
                [a, b] => a.min(*b),
                _ => median(&mut values).unwrap_or(0.0),
            }
        };
        Self {
            stars: middle(|f| Some(f.stars as f32), true),
            fwhm_px: middle(|f| Some(f.fwhm_px), false),
            elongation: middle(|f| Some(f.elongation), false),
            background: middle(|f| Some(f.background), false),
            noise: middle(|f| Some(f.noise), false),
            flux_ratio: middle(|f| f.flux_ratio, true),
            rms_px: middle(|f| f.rms_px, false),
        }
    }

    /// How much of the set's typical starlight reached the frame.
    fn transparency(&self, frame: &FrameQuality) -> Option<f32> {
        frame
            .flux_ratio
            .filter(|_| self.flux_ratio > 0.0)
            .map(|ratio| ratio / self.flux_ratio)
    }

    fn fault(&self, frame: &FrameQuality, settings: &JudgeSettings, slack: f32) -> Option<(Fault, String)> {
        if let Some(reason) = &frame.unregistered {
            return Some((Fault::Unregistered, format!("not registered: {reason}")));
        }
        if frame.stars == 0 {
            return Some((Fault::NoStars, "no stars were found".into()));
        }
        if let Some(part) = self
            .transparency(frame)
            .filter(|part| *part < settings.min_transparency / slack)
        {
            let sky = frame.background / self.background.max(f32::MIN_POSITIVE);
            // Cloud shows in the sky's light; a knock shares each star's light between two places.
            let cause = if (sky - 1.0).abs() < SAME_SKY {
                "a knock that doubled its stars, dew or thin cloud"
            } else {
                "cloud"
            };
            return Some((
                Fault::Dimmed,
                format!(
                    "{cause}: its stars are {:.0} % fainter than the set's, the sky {sky:.2} times as bright",
                    100.0 * (1.0 - part)
                ),
            ));
        }
        let excess = frame.elongation - self.elongation;
        if excess > settings.max_elongation_excess * slack {
            return Some((
                Fault::DrawnOut,
                format!(
                    "stars drawn out: {:.2} times as long as wide against {:.2} in the set (bumped, or tracking slipped)",
                    frame.elongation, self.elongation
                ),
            ));
        }
        if self.fwhm_px > 0.0 && frame.fwhm_px > settings.max_fwhm_ratio * slack * self.fwhm_px {
            return Some((
                Fault::Blurred,
                format!(
                    "stars blurred: {:.1} px wide against {:.1} px in the set (bumped, dew, or focus moved)",
                    frame.fwhm_px, self.fwhm_px
                ),
            ));
        }
        self.rarer_fault(frame, settings, slack)
    }

    fn rarer_fault(
        &self,
        frame: &FrameQuality,
        settings: &JudgeSettings,
        slack: f32,
    ) -> Option<(Fault, String)> {
        let stars = frame.stars as f32;
        let expected = self.stars * self.depth(frame);
        if stars < settings.min_star_ratio / slack * expected {
            return Some((
                Fault::FewStars,
                format!("few stars: {} against {expected:.0} expected", frame.stars),
            ));
        }
        if self.background > 0.0 && frame.background > settings.max_background_ratio * slack * self.background
        {
            return Some((
                Fault::BrightSky,
                format!(
                    "bright sky: {:.1} times the set's level (stray light or cloud)",
                    frame.background / self.background
                ),
            ));
        }
        let limit = settings.max_rms_px.max(4.0 * self.rms_px) * slack;
        frame.rms_px.filter(|rms| *rms > limit).map(|rms| {
            let typical = self.rms_px;
            let reason =
                format!("stars off their places by {rms:.2} px rms against {typical:.2} px in the set");
            (Fault::Displaced, reason)
        })
    }

    /// Part of the set's typical stars that a frame's noise lets be seen. Star counts grow by a factor of about
    /// 2.8 a magnitude (N ∝ 10^0.45m, the slope of the counts from 4 to 8 mag), so as noise to the power of
    /// −1.1; a frame quieter than the set is not asked for more.
    fn depth(&self, frame: &FrameQuality) -> f32 {
        let noisier = if self.noise > 0.0 {
            frame.noise / self.noise
        } else {
            1.0
        };
        noisier.max(1.0).powf(-1.125)
    }

    fn praise(&self, frame: &FrameQuality) -> String {
        let seen = self.transparency(frame).map_or_else(String::new, |part| {
            format!(", {:.0} % of the set's starlight", 100.0 * part)
        });
        format!(
            "good: {} stars, {:.1} px wide, {:.2} times as long as wide{seen}",
            frame.stars, frame.fwhm_px, frame.elongation
        )
    }

    fn weight(&self, frame: &FrameQuality) -> f32 {
        let ratio = |a: f32, b: f32| if a > 0.0 && b > 0.0 { a / b } else { 1.0 };
        let noise = ratio(self.noise, frame.noise);
        let light = self.transparency(frame).unwrap_or(1.0);
        (noise * noise * light * light * ratio(self.fwhm_px, frame.fwhm_px)).clamp(LEAST_WEIGHT, 4.0)
    }
}
