//! Which of the land frames become the land, and what each of them is worth.
//!
//! Frames fall into those of the night and those of twilight: by the sun where place and time are known, else
//! by the sky's own light. One of these groups, or one setting, becomes the land; the others are told.

use nightloom_outing::{FrameTime, LandSettings, LandUse};
use nightloom_sky::{EarthOrientation, Instant, Observer, Site, SolarBody, Target};
use nightloom_stack::PixelNoise;

use super::land_frame::LandFrame;
use super::prepare::Prepared;
use super::setting::Setting;
use super::times::Times;

/// With the sun above this, degrees, twilight lights the land (the sky's excess is 1 mag at −15°: TRADE.md 4).
const TWILIGHT_SUN_DEG: f64 = -15.0;
/// Without place and time: a sky this many times brighter than the darkest land frame's is of twilight (1 mag).
const BRIGHTER: f64 = 2.5;
/// Frames worth at least this part of the best are as good as it.
const AS_GOOD: f32 = 0.8;

/// When a land frame was taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Light {
    Night,
    Twilight,
}

/// The land frames that are used.
pub(super) struct Chosen<'a> {
    /// Ready to be stacked.
    pub(super) frames: Vec<LandFrame<'a>>,
    /// The one on whose pixels the land lies: of the quietest, the one in the middle.
    pub(super) reference: usize,
    /// Whether their light is the night's.
    pub(super) light: Light,
    /// Those left out, among the prepared land frames, with the reason.
    pub(super) left_out: Vec<(usize, String)>,
}

/// What the prepared land frames are worth.
#[derive(Clone, Copy)]
pub(super) struct Worth<'b> {
    /// The light that each frame's saturation stands for, …
    pub(super) units: &'b [f64],
    /// … as its file tells it, …
    pub(super) told: &'b [Option<f64>],
    /// … and that of the picture.
    pub(super) unit: f64,
    /// The sky frames, which show their camera's noise.
    pub(super) sky: &'b [Prepared],
}

/// Chooses among `frames`. Where what is asked for is not there, says what is.
pub(super) fn choose<'a>(
    frames: &'a [Prepared],
    worth: Worth<'_>,
    settings: &LandSettings,
    lights: &[Light],
) -> Result<Chosen<'a>, String> {
    let asked = |i: usize| match &settings.use_only {
        LandUse::Night => lights[i] == Light::Night,
        LandUse::Twilight => lights[i] == Light::Twilight,
        LandUse::Setting(words) => plain(&frames[i].facts.setting().exposure_words()) == plain(words),
    };
    let mut used: Vec<usize> = (0..frames.len()).filter(|&i| asked(i)).collect();
    if used.is_empty() && settings.use_only == LandUse::Night {
        used = (0..frames.len()).collect();
    }
    let Some(&first) = used.first() else {
        return Err(available(frames, lights));
    };
    let noises = noises(frames, &used, worth.sky);
    let made: Vec<LandFrame<'a>> = used
        .iter()
        .zip(noises)
        .map(|(&i, noise)| LandFrame {
            told: worth.told[i].is_some(),
            ..land_frame(&frames[i], (worth.units[i] / worth.unit) as f32, noise)
        })
        .collect();
    let left_out = (0..frames.len()).filter(|i| !used.contains(i));
    Ok(Chosen {
        reference: reference(&made),
        light: lights[first],
        left_out: left_out.map(|i| (i, reason(&frames[i], lights[i]))).collect(),
        frames: made,
    })
}

fn plain(words: &str) -> String {
    words
        .chars()
        .filter(|c| c.is_alphanumeric() || "/.".contains(*c))
        .flat_map(char::to_lowercase)
        .collect()
}

fn reason(frame: &Prepared, light: Light) -> String {
    let when = match light {
        Light::Night => "taken at night",
        Light::Twilight => "taken in twilight",
    };
    let words = frame.facts.setting().exposure_words();
    format!("not in the land: {when} at {words}; land.use in outing.toml chooses")
}

fn available(frames: &[Prepared], lights: &[Light]) -> String {
    let mut all: Vec<String> = frames
        .iter()
        .map(|f| f.facts.setting().exposure_words())
        .collect();
    all.extend(
        lights
            .iter()
            .map(|l| if *l == Light::Night { "night" } else { "twilight" }.to_owned()),
    );
    all.sort();
    all.dedup();
    all.iter()
        .map(|w| format!("\"{w}\""))
        .collect::<Vec<_>>()
        .join(", ")
}

/// When each frame was taken.
pub(super) fn lights(frames: &[Prepared], units: &[f64], times: &Times, site: Option<&Site>) -> Vec<Light> {
    let sun = |time: &Option<FrameTime>| {
        let (site, time) = site.filter(|_| times.absolute).zip(time.as_ref())?;
        sun_deg(site, time.middle())
    };
    let suns: Option<Vec<f64>> = times.land.iter().map(sun).collect();
    if let Some(suns) = suns {
        let light = |s: f64| {
            if s > TWILIGHT_SUN_DEG {
                Light::Twilight
            } else {
                Light::Night
            }
        };
        return suns.into_iter().map(light).collect();
    }
    let sky: Vec<f64> = frames
        .iter()
        .zip(units)
        .map(|(f, u)| f64::from(f.facts.sky_level[1]) * u)
        .collect();
    let darkest = sky
        .iter()
        .copied()
        .filter(|v| *v > 0.0)
        .fold(f64::INFINITY, f64::min);
    let light = |s: f64| {
        if s > BRIGHTER * darkest {
            Light::Twilight
        } else {
            Light::Night
        }
    };
    sky.into_iter().map(light).collect()
}

fn sun_deg(site: &Site, at: Instant) -> Option<f64> {
    let observer = Observer::new(site, at, EarthOrientation::default()).ok()?;
    Some(observer.altitude(&Target::Body(SolarBody::Sun)).deg())
}

fn land_frame(frame: &Prepared, gain: f32, noise: PixelNoise) -> LandFrame<'_> {
    LandFrame {
        frame,
        gain,
        // Variance grows with the square of a factor, its part in proportion to light with the factor.
        noise: PixelNoise {
            read: noise.read * gain * gain,
            shot: noise.shot * gain,
        },
        told: true,
    }
}

/// Noise in parts of saturation: the median of the frames of the same setting, for one frame's own scatters;
/// held to what the sky frames of the camera show, for texture passes for noise on land and never in the sky.
fn noises(frames: &[Prepared], used: &[usize], sky: &[Prepared]) -> Vec<PixelNoise> {
    let settings: Vec<Setting> = used.iter().map(|&i| frames[i].facts.setting()).collect();
    let own = |i: usize| {
        frames[i].facts.noise.unwrap_or(PixelNoise {
            read: frames[i].facts.field.noise.powi(2).max(1e-12),
            shot: 0.0,
        })
    };
    settings
        .iter()
        .map(|setting| {
            let alike = || {
                used.iter()
                    .zip(&settings)
                    .filter(|(_, s)| s.same(setting))
                    .map(|(&i, _)| own(i))
            };
            let plain = PixelNoise {
                read: median(alike().map(|n| n.read)).unwrap_or(0.0),
                shot: median(alike().map(|n| n.shot)).unwrap_or(0.0),
            };
            as_the_sky_shows(plain, setting, sky)
        })
        .collect()
}

fn as_the_sky_shows(own: PixelNoise, setting: &Setting, sky: &[Prepared]) -> PixelNoise {
    let of_camera = || {
        let camera = sky.iter().map(|f| (f.facts.setting(), f.facts.noise));
        camera
            .filter_map(|(s, n)| Some((s.iso?, n?, s)))
            .filter(|(_, _, s)| s.same_camera(setting))
    };
    // In parts of saturation the shot noise of one electron grows with the ISO.
    let shot = setting
        .iso
        .and_then(|iso| median(of_camera().map(|(own, n, _)| n.shot * (iso / own) as f32)));
    let read = median(
        of_camera()
            .filter(|(_, _, s)| s.same_iso(setting))
            .map(|(_, n, _)| n.read),
    );
    PixelNoise {
        read: read.map_or(own.read, |r| r.min(own.read)),
        shot: shot.map_or(own.shot, |s| s.max(own.shot)),
    }
}

fn median(values: impl Iterator<Item = f32>) -> Option<f32> {
    nightloom_fit::median_of(values)
}

fn reference(frames: &[LandFrame<'_>]) -> usize {
    let light = frames
        .iter()
        .map(|f| f.gain * f.frame.facts.sky_level[1].max(0.0))
        .fold(0.0, f32::max);
    let worth = |f: &LandFrame<'_>| f.noise.variance(light).recip();
    let best = frames.iter().map(worth).fold(0.0, f32::max);
    let good: Vec<usize> = (0..frames.len())
        .filter(|&i| worth(&frames[i]) >= AS_GOOD * best)
        .collect();
    good.get(good.len() / 2).copied().unwrap_or(0)
}
