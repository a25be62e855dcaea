//! Which masters serve a frame, and what is said of those that do not fit.
//!
//! Darks go by camera, ISO and exposure; one of another exposure is scaled, by the ratio of the exposures
//! where a bias of the frames' ISO is known, else by the warm pixels that dark and frame share. Flats go by camera, lens, focal
//! length and f-number, and what does not match is not applied: another lens's fall-off is worse than none.

use nightloom_outing::{Digest, Role, Settings};
use nightloom_raster::{DecodeError, Frame, Mosaic, Plane};
use nightloom_stack::{
    Calibration, Dark, HotPixels, HotSettings, WarmPixels, find_hot_in_frame, find_hot_pixels,
};

use super::ahead::each_decoded;
use super::inventory::{Item, options_of};
use super::masters::{MasterFile, Masters};
use super::setting::Setting;
use nightloom_journal::{Bench, BuildError, StepKey};

/// A dark's measured factor is believed if its error is below this part of it.
const SURE: f32 = 0.05;
/// A dark of the frame's own exposure whose current differs from the frame's by more than this part, and by so many standard
/// errors, was taken at another temperature. Less may be what warm pixels are chosen by: noise in the dark.
const OTHER_TEMPERATURE: f32 = 0.15;
const SURELY: f32 = 5.0;
/// How far a pixel has to stand out of the mean of each role, to be hot if it does in both: by chance one in
/// some hundred million does.
const A_LITTLE: HotSettings = HotSettings {
    dark_sigma: 8.0,
    frame_sigma: 3.5,
    isolation: 2.0,
};
/// Frames of each role that show the sensor's hot pixels where there are no darks.
const SHOWING: usize = 4;

/// The masters for one kind of frame, loaded, with their identity.
#[derive(Clone, Debug, Default)]
pub(super) struct Loaded {
    /// What is applied.
    calibration: Calibration,
    /// The dark's factor is still to be measured in each frame.
    measure_dark: bool,
    /// It is of the frames' own exposure; only another temperature can change its current.
    own_exposure: bool,
    /// The dark's warm pixels.
    warm: WarmPixels,
    /// Which dark that is.
    scaled: String,
    /// Whether hot pixels have to be looked for in the frame itself too.
    hot_from_frame: bool,
    /// Identity of what is applied.
    pub(super) keys: Vec<Digest>,
    /// What the frames' reports say of it.
    said: Vec<String>,
    /// Sentences on what does not fit.
    pub(super) misfits: Vec<String>,
}

/// A sensor's hot pixels as its light frames show them.
#[derive(Clone, Debug, Default)]
pub(super) struct ShownHot {
    hot: HotPixels,
    key: Option<Digest>,
}

impl Masters {
    /// Loads what serves frames of a setting; `role` is for the sentences.
    pub(super) fn load(&self, setting: &Setting, role: Role, shown: &ShownHot) -> Result<Loaded, BuildError> {
        let mut loaded = Loaded {
            hot_from_frame: true,
            ..Loaded::default()
        };
        if let Some(bias) = fitting(
            &self.biases,
            |m| m.same_camera(setting) && m.same_iso(setting),
            setting,
        ) {
            loaded.calibration.bias = Some(bias.plane()?.into());
            loaded.keys.push(bias.key);
            loaded.said.push(format!("bias, {}", frames(bias)));
        }
        loaded.take_dark(self, setting, role)?;
        if let (Some(key), true) = (shown.key, loaded.hot_from_frame) {
            loaded.calibration.hot = std::mem::take(&mut loaded.calibration.hot).union(shown.hot.clone());
            loaded.keys.push(key);
            loaded.said.push(format!(
                "{} hot pixels that the frames show",
                shown.hot.places.len()
            ));
        }
        loaded.take_flat(self, setting, role)?;
        Ok(loaded)
    }
}

/// The nearest of the masters that serve.
fn fitting<'a>(
    masters: &'a [MasterFile],
    serves: impl Fn(&Setting) -> bool,
    setting: &Setting,
) -> Option<&'a MasterFile> {
    let serving = masters.iter().filter(|m| serves(&m.about.setting));
    serving.min_by(|a, b| {
        away(a, setting)
            .total_cmp(&away(b, setting))
            .then(a.key.cmp(&b.key))
    })
}

fn away(master: &MasterFile, setting: &Setting) -> f64 {
    setting.away(&master.about.setting)
}

fn frames(master: &MasterFile) -> String {
    match master.about.frames {
        1 => "1 frame".into(),
        n => format!("{n} frames"),
    }
}

impl Loaded {
    fn take_dark(&mut self, masters: &Masters, setting: &Setting, role: Role) -> Result<(), BuildError> {
        let alike = |m: &Setting| m.same_camera(setting) && m.same_iso(setting);
        let exact = fitting(&masters.darks, |m| alike(m) && m.same_exposure(setting), setting);
        let Some(dark) = exact
            .or_else(|| fitting(&masters.darks, alike, setting))
            .or_else(|| fitting(&masters.darks, |m| m.same_camera(setting), setting))
        else {
            self.tell_other_camera(&masters.darks, "dark", role);
            return Ok(());
        };
        let plane = std::sync::Arc::new(dark.plane()?);
        let words = dark.about.setting.dark_words();
        self.calibration.hot = find_hot_pixels(&plane, &HotSettings::default());
        self.keys.push(dark.key);
        let ratio = exposure_ratio(setting, &dark.about.setting);
        let wanted = format!(
            "No dark of {} was found for the {role} frames",
            setting.dark_words()
        );
        let scale = if exact.is_some() {
            self.said.push(format!("dark of {words}, {}", frames(dark)));
            self.hot_from_frame = false;
            self.own_exposure = true;
            1.0
        } else if let (Some(_), Some(ratio), true) =
            (&self.calibration.bias, ratio, alike(&dark.about.setting))
        {
            self.said.push(format!(
                "dark of {words} times {ratio:.2} over the bias, {}",
                frames(dark)
            ));
            self.misfits.push(format!(
                "{wanted}; the nearest, of {words}, was scaled to {ratio:.2} of its dark current, the bias apart."
            ));
            ratio
        } else {
            self.measure_dark = true;
            self.scaled = format!("dark of {words}, {},", frames(dark));
            self.misfits.push(format!(
                "{wanted}; the nearest, of {words}, was scaled by the warm pixels that it shares with each frame, as no bias tells, or left out where they do not tell either. Take darks of the frames' own exposure and ISO."
            ));
            1.0
        };
        self.warm = warm_of(&plane, self.calibration.bias.as_deref());
        self.calibration.dark = Some(Dark { plane, scale });
        Ok(())
    }

    fn take_flat(&mut self, masters: &Masters, setting: &Setting, role: Role) -> Result<(), BuildError> {
        if let Some(flat) = fitting(&masters.flats, |m| m.same_optics(setting), setting) {
            self.calibration.flat = Some(flat.plane()?.into());
            self.keys.push(flat.key);
            self.said.push(format!(
                "flat of {}, {}",
                flat.about.setting.optics_words(),
                frames(flat)
            ));
        } else if let Some(nearest) = fitting(&masters.flats, |_| true, setting) {
            self.misfits.push(format!(
                "No flat of {} was found for the {role} frames; the nearest is of {} and was not applied.",
                setting.optics_words(),
                nearest.about.setting.optics_words()
            ));
        }
        Ok(())
    }

    fn tell_other_camera(&mut self, masters: &[MasterFile], what: &str, role: Role) {
        if !masters.is_empty() {
            self.misfits.push(format!(
                "The {what}s are of another camera than the {role} frames and were not applied."
            ));
        }
    }

    /// The flat, for what must know where saturation lies.
    pub(super) fn flat_for(&self, size: (usize, usize)) -> Option<&Plane> {
        self.calibration
            .flat
            .as_deref()
            .filter(|f| (f.width(), f.height()) == size)
    }

    /// Calibrates one frame, as its file stores it; what was applied to it in words.
    pub(super) fn apply(&self, mosaic: &mut Mosaic) -> Result<String, String> {
        let size = (mosaic.plane.width(), mosaic.plane.height());
        let mut said = self.said.clone();
        let mut own = self.calibration.clone();
        if let Some(odd) = drop_of_other_size(&mut own, size) {
            said.push(odd);
        }
        if self.measure_dark
            && let Some(dark) = &mut own.dark
        {
            match measured(&mosaic.plane, &self.warm) {
                Some((factor, sigma)) => {
                    dark.scale = factor;
                    said.push(format!(
                        "{} times {factor:.3} ± {sigma:.3}, by its warm pixels",
                        self.scaled
                    ));
                }
                None => {
                    own.dark = None;
                    said.push("no dark: none is of its exposure and its warm pixels tell no factor".into());
                }
            }
        }
        if self.own_exposure
            && let Some(dark) = &mut own.dark
            && let Some((factor, sigma)) = measured(&mosaic.plane, &self.warm)
            && (factor - 1.0).abs() > OTHER_TEMPERATURE.max(SURELY * sigma)
        {
            dark.scale = factor;
            let how = if factor > 1.0 { "warmer" } else { "colder" };
            said.push(format!(
                "its current times {factor:.2} ± {sigma:.2}, by its warm pixels: the sensor was {how} than in the darks"
            ));
        }
        if self.hot_from_frame {
            let found = find_hot_in_frame(mosaic, &HotSettings::default());
            own.hot = std::mem::take(&mut own.hot).union(found);
        }
        nightloom_stack::calibrate(mosaic, &own).map_err(|e| e.to_string())?;
        Ok(if said.is_empty() {
            "no calibration frames".into()
        } else {
            said.join("; ")
        })
    }
}

fn exposure_ratio(frame: &Setting, dark: &Setting) -> Option<f32> {
    Some((frame.exposure_s? / dark.exposure_s?) as f32)
}

/// Masters that lie otherwise than the frame (the camera was turned upright) are not applied.
fn drop_of_other_size(own: &mut Calibration, size: (usize, usize)) -> Option<String> {
    let fits = |p: &Plane| (p.width(), p.height()) == size;
    let mut odd = false;
    odd |= own.bias.take_if(|p| !fits(p)).is_some();
    odd |= own.flat.take_if(|p| !fits(p)).is_some();
    if own.dark.take_if(|d| !fits(&d.plane)).is_some() {
        own.hot = HotPixels::default();
        odd = true;
    }
    odd.then(|| format!("not the masters that are not {} × {} pixels", size.0, size.1))
}

/// The factor on a dark that a frame's warm pixels tell, with its error, where that is small.
fn measured(frame: &Plane, warm: &WarmPixels) -> Option<(f32, f32)> {
    let found = warm.scale_in(frame)?;
    (found.factor > 0.0 && found.sigma < SURE * found.factor).then_some((found.factor, found.sigma))
}

/// The warm pixels of a dark, its bias taken off where there is one of its size.
fn warm_of(dark: &Plane, bias: Option<&Plane>) -> WarmPixels {
    match bias.filter(|b| (b.width(), b.height()) == (dark.width(), dark.height())) {
        Some(bias) => WarmPixels::of(&difference(dark, bias)),
        None => WarmPixels::of(dark),
    }
}

fn difference(a: &Plane, b: &Plane) -> Plane {
    let values = a.data().iter().zip(b.data()).map(|(a, b)| a - b).collect();
    Plane::from_vec(a.width(), a.height(), values)
}

/// Looks for a camera's hot pixels in the means of some of its sky and land frames: stars and land move in them
/// or are spread over several pixels, a hot pixel stays and stands alone. What stands out a little in both roles
/// is hot too: the sky is another in each.
pub(super) fn shown_hot(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &mut [Item],
    of: &Setting,
) -> Result<ShownHot, BuildError> {
    let mut away = Vec::new();
    loop {
        let before = away.len();
        let shown = shown_by(bench, settings, items, of, &mut away)?;
        if away.len() == before {
            return Ok(shown);
        }
        // Without them, under a key that does not name them.
        away.iter().for_each(|&i: &usize| items[i].passing = true);
    }
}

/// The same without the frames `away`, to which those are added that fail for a reason that may pass; then nothing is
/// kept.
fn shown_by(
    bench: &mut Bench<'_>,
    settings: &Settings,
    items: &[Item],
    of: &Setting,
    away: &mut Vec<usize>,
) -> Result<ShownHot, BuildError> {
    let showing = [Role::Sky, Role::Land].map(|role| {
        let own = |&i: &usize| items[i].serves(role) && Setting::of(&items[i].facts.meta).same_camera(of);
        let mut own: Vec<usize> = (0..items.len())
            .filter(own)
            .filter(|i| !away.contains(i))
            .collect();
        // The earliest: a frame that comes later changes nothing for those that are done.
        own.sort_by_key(|&i| (items[i].facts.meta.taken_local.clone(), items[i].hash));
        own.truncate(SHOWING);
        own
    });
    let frames = showing.iter().flatten();
    let frames = frames.filter_map(|&i| Some((items[i].hash?, options_of(settings, &items[i]))));
    let key = frames
        .fold(StepKey::new("shown-hot", 4), |key, (hash, options)| {
            key.input("frame", hash).settings(&options)
        })
        .finish();
    if let Some(hot) = bench.kept::<HotPixels>("shown-hot", key) {
        return Ok(ShownHot { hot, key: Some(key) });
    }
    let before = away.len();
    let mut hot = HotPixels::default();
    let mut little: Vec<HotPixels> = Vec::new();
    for role in &showing {
        if let Some(mean) = mean_mosaic(bench, settings, items, role, away)? {
            hot = hot.union(find_hot_in_frame(&mean, &HotSettings::default()));
            little.push(find_hot_in_frame(&mean, &A_LITTLE));
        }
    }
    if let [sky, land] = little.as_slice() {
        hot = hot.union(sky.clone().common(land));
    }
    if away.len() > before {
        return Ok(ShownHot::default());
    }
    bench.done("shown-hot", key, &[], &hot)?;
    Ok(ShownHot { hot, key: Some(key) })
}

fn mean_mosaic(
    bench: &Bench<'_>,
    settings: &Settings,
    items: &[Item],
    showing: &[usize],
    away: &mut Vec<usize>,
) -> Result<Option<Mosaic>, BuildError> {
    let paths: Vec<_> = showing.iter().map(|&i| items[i].path.as_path()).collect();
    let (mut sum, mut count): (Option<Mosaic>, f32) = (None, 0.0);
    let hashes = bench.journal.hashes();
    let options: Vec<_> = showing.iter().map(|&i| options_of(settings, &items[i])).collect();
    each_decoded(bench.world, &hashes, &paths, &options, |k, frame| {
        let stage = "Looking for hot pixels without darks";
        bench.show(stage, k as f64 / paths.len() as f64, &items[showing[k]].name)?;
        if frame.as_ref().is_err_and(DecodeError::may_pass) {
            away.push(showing[k]);
        }
        // A frame that cannot be read is told when its turn comes.
        let lying = |f: Frame| {
            Some(
                f.pixels
                    .unmixed(f.was_linear)
                    .ok()?
                    .turned_back(f.meta.orientation.unwrap_or(1)),
            )
        };
        let Some(mosaic) = frame.ok().and_then(lying) else {
            return Ok(());
        };
        match &mut sum {
            None => sum = Some(mosaic),
            Some(s)
                if (s.plane.width(), s.plane.height()) == (mosaic.plane.width(), mosaic.plane.height()) =>
            {
                let pairs = s.plane.data_mut().iter_mut().zip(mosaic.plane.data());
                pairs.for_each(|(s, v)| *s += v);
            }
            Some(_) => return Ok(()),
        }
        count += 1.0;
        Ok(())
    })?;
    if let Some(sum) = &mut sum {
        sum.plane.data_mut().iter_mut().for_each(|v| *v /= count);
    }
    Ok(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;
    use nightloom_raster::Cfa;
    use std::sync::Arc;

    /// A dark's pattern, with `noise`.
    fn pattern(current: f32, noise: f32, seed: u64) -> Plane {
        let mut random = Random::new(seed);
        Plane::from_fn(240, 160, |x, y| {
            let warm = if (x * 7919 + y * 104_729).is_multiple_of(61) {
                0.02
            } else {
                0.001
            };
            current * warm + noise * random.normal() as f32
        })
    }

    /// What is left of the pattern in a frame that holds `current` times the dark's, and what is said.
    fn left(current: f32, seed: u64) -> (f32, String) {
        let plane = pattern(1.0, 1e-4, 100 + seed);
        let loaded = Loaded {
            warm: WarmPixels::of(&plane),
            calibration: Calibration {
                dark: Some(Dark {
                    plane: Arc::new(plane),
                    scale: 1.0,
                }),
                ..Calibration::default()
            },
            own_exposure: true,
            ..Loaded::default()
        };
        let mut plane = pattern(current, 5e-4, seed);
        plane.data_mut().iter_mut().for_each(|v| *v += 0.05);
        let mut mosaic = Mosaic {
            plane,
            cfa: Cfa::RGGB,
        };
        let said = loaded.apply(&mut mosaic).expect("it fits");
        let mean = |warm: bool| {
            let own = |k: &usize| (k % 240 * 7919 + k / 240 * 104_729).is_multiple_of(61) == warm;
            let all: Vec<f32> = (0..240 * 160)
                .filter(own)
                .map(|k| mosaic.plane.data()[k])
                .collect();
            all.iter().sum::<f32>() / all.len() as f32
        };
        ((mean(true) - mean(false)) / 0.019, said)
    }

    #[test]
    fn a_warmer_sensor_is_noticed_and_its_dark_scaled() {
        for seed in 0..5 {
            let (rest, said) = left(1.6, seed);
            assert!(rest.abs() < 0.02 && said.contains("warmer"), "{rest} {said}");
            let (rest, said) = left(0.6, seed);
            assert!(rest.abs() < 0.02 && said.contains("colder"), "{rest} {said}");
            let (rest, said) = left(1.0, seed);
            assert!(rest.abs() < 0.02 && !said.contains("current"), "{rest} {said}");
        }
    }
}
