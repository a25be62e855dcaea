//! The tracked frames become one: the sky stack on the canvas.

use nalgebra::Rotation3;
use nightloom_raster::colour::to_working;
use nightloom_raster::{Plane, Rgb, WorkFile, WorkValues};
use nightloom_stack::{
    CombineSettings, Input, Mask, PixelNoise, Source, Veiled, colour_hearts, combine, ground_light,
    lay_veiled,
};
use nightloom_stars::AirPath;
use serde::{Deserialize, Serialize};

use super::canvas::Canvas;
use super::ground;
use super::masks;
use super::prepare::Prepared;
use super::track::Tracked;
use nightloom_journal::{Bench, BuildError, StepKey};
use nightloom_outing::{Digest, Rejection, SkySettings};

/// Frames whose stars agree in brightness this closely are not rescaled: the measure itself
/// scatters by a per cent or so.
const SAME_TRANSPARENCY: f32 = 0.02;

/// The stacked sky.
pub(super) struct SkyStack {
    /// Linear working colour in the picture's unit: 1 at a usual tracked frame's saturation before white
    /// balance.
    pub(super) picture: Rgb,
    /// Frames under each pixel; below 1 where it is seen through land alone: what that is worth in frames.
    pub(super) coverage: Plane,
    /// Level of the sky there, per cell of [`nightloom_stack::VEIL_CELL`] pixels; `None` without such pixels.
    pub(super) veil: Option<Rgb>,
    /// What was done.
    pub(super) facts: SkyFacts,
}

/// What the journal keeps of a sky stack.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct SkyFacts {
    /// Noise of the background per camera channel.
    pub(super) noise: [f32; 3],
    /// Share of samples rejected.
    pub(super) rejected_fraction: f64,
    /// The same per stacked frame.
    pub(super) rejected: Vec<f64>,
    /// Whether some sky is seen through land.
    #[serde(default)]
    veiled: bool,
}

/// A land frame as a witness of the light that stays with the ground: it sees the sky down to the ridge.
pub(super) struct Witness<'a> {
    pub(super) frame: &'a Prepared,
    /// Brings its light to the picture's unit.
    pub(super) gain: f32,
    /// Reference camera's axes to the land camera while it was taken, and the air then.
    pub(super) rotation: Rotation3<f64>,
    pub(super) air: AirPath,
    /// Land in it, on the canvas.
    pub(super) mask: Mask,
}

/// Land that the sky is seen through.
pub(super) struct Veil<'a> {
    /// For each used frame how open the land was in it, at the pixels that are named; `None` where that is not known.
    pub(super) open: &'a Open<'a>,
    /// What it follows from.
    pub(super) twigs: Digest,
    /// The land's light in parts of the sky's.
    pub(super) land: f32,
}

type Open<'a> = dyn Fn(&(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Vec<Mask>> + 'a;

/// What the stack is laid on, and where land hides it.
pub(super) struct Lay<'a> {
    pub(super) canvas: &'a Canvas,
    /// One per used frame, or none at all.
    pub(super) masks: &'a [Mask],
    pub(super) witnesses: &'a [Witness<'a>],
    /// Nothing where there is no land.
    pub(super) veil: Option<Veil<'a>>,
    /// The light that 1 stands for.
    pub(super) unit: f64,
}

/// Stacks the used tracked frames.
pub(super) fn stack_sky(
    bench: &mut Bench<'_>,
    settings: &SkySettings,
    frames: &[Prepared],
    tracked: &Tracked,
    lay: &Lay<'_>,
) -> Result<SkyStack, BuildError> {
    let Lay {
        canvas,
        masks,
        witnesses,
        unit,
        ..
    } = *lay;
    let used: Vec<usize> = tracked.used().collect();
    let levels = levels(frames, tracked, &used, unit);
    let key = witnesses
        .iter()
        .fold(key(settings, frames, tracked, lay, &levels), |key, w| {
            let mask = nightloom_outing::hash_bytes(&mask_bytes(&w.mask, canvas));
            key.input("witness", w.frame.key)
                .settings(&(w.gain, w.rotation, &w.air))
                .input("mask", mask)
        })
        .finish();
    let (name, path) = bench.work_file("sky", key, "planes")?;
    let (level_name, level_path) = bench.work_file("sky-level", key, "planes")?;
    if let Some(facts) = bench.kept::<SkyFacts>("sky-stack", key) {
        let [r, g, b, coverage] = WorkFile::open(&path)?.read_planes()?;
        let veil = match facts.veiled {
            true => Some(Rgb::from_planes(WorkFile::open(&level_path)?.read_planes()?)),
            false => None,
        };
        return Ok(SkyStack {
            picture: Rgb::from_planes([r, g, b]),
            coverage,
            veil,
            facts,
        });
    }
    let sources = used
        .iter()
        .map(|&i| WorkFile::open(&frames[i].work))
        .collect::<Result<Vec<_>, _>>()?;
    let witness_sources = witnesses
        .iter()
        .map(|w| WorkFile::open(&w.frame.work))
        .collect::<Result<Vec<_>, _>>()?;
    let open;
    let mut inputs: Vec<Input<'_>> = used
        .iter()
        .enumerate()
        .map(|(k, &i)| {
            let camera = tracked.camera(i);
            let to_source: Box<nightloom_stack::Mapping<'_>> =
                Box::new(move |pixel| canvas.to_sky_frame(&camera, pixel));
            Input {
                source: &sources[k] as &dyn Source,
                to_source: Some(to_source),
                gain: [levels[k].gain; 3],
                offset: levels[k].offset,
                surface: None,
                // The verdict's weight has the noise in it.
                weight: tracked.verdicts[i].weight * levels[k].variance,
                noise: PixelNoise {
                    read: levels[k].variance,
                    shot: 0.0,
                },
                clipped: Some((&frames[i].facts.clipped, levels[k].gain)),
                mask: masks.get(k),
                veiled: false,
            }
        })
        .collect();
    inputs.extend(witnesses.iter().zip(&witness_sources).map(|(w, source)| Input {
        source: source as &dyn Source,
        to_source: Some(Box::new(|pixel| {
            canvas.to_land_frame(&w.rotation, Some(&w.air), pixel)
        })),
        gain: [w.gain; 3],
        offset: [0.0; 3],
        surface: None,
        weight: 1.0,
        noise: PixelNoise { read: 1.0, shot: 0.0 },
        clipped: None,
        mask: Some(&w.mask),
        veiled: false,
    }));
    into_the_light_shown(bench, &mut inputs, tracked, canvas, &used, witnesses)?;
    let mut combine_settings = CombineSettings::default();
    combine_settings.reject.enabled = settings.rejection != Rejection::None;
    let progress = |done: f64| bench.tell("Stacking sky frames", done, "");
    let stacked = combine(
        &inputs,
        canvas.width,
        canvas.height,
        &combine_settings,
        &progress,
        bench.world.cancelled(),
    )
    .map_err(|e| bench.go_on().err().unwrap_or_else(|| BuildError::internal(e)))?;
    let (mut picture, mut coverage) = (stacked.rgb, stacked.coverage);
    let colour = &frames[used[0]].facts.colour;
    let seen = |x: usize, y: usize| coverage.at(x, y) > 0.0;
    colour_hearts(&mut picture, colour.white_balance, seen, |x, y| {
        clipped_in_most(&inputs, x, y)
    });
    let mut level = None;
    if let Some(veil) = &lay.veil {
        open = (veil.open)(&|x, y| coverage.at(x, y) == 0.0);
        if let Some(open) = &open {
            let sky = (&mut picture, &mut coverage);
            level = lay_through(bench, sky, &mut inputs, (open, veil.land), stacked.noise)?;
        }
    }
    drop(inputs);
    to_working(&mut picture, colour);
    let facts = SkyFacts {
        noise: stacked.noise,
        rejected_fraction: stacked.rejected_fraction,
        rejected: stacked.rejected_per_input,
        veiled: level.is_some(),
    };
    let mut names = vec![name.as_str()];
    if let Some(level) = &mut level {
        to_working(level, colour);
        WorkFile::write_planes(&level_path, &level.planes().each_ref(), WorkValues::Float32)?;
        names.push(&level_name);
    }
    let [r, g, b] = picture.planes();
    WorkFile::write_planes(&path, &[r, g, b, &coverage], WorkValues::Float32)?;
    bench.done("sky-stack", key, &names, &facts)?;
    Ok(SkyStack {
        picture,
        coverage,
        veil: level,
        facts,
    })
}

/// Lays what shines through land into pixels that no frame saw clear of it, and what that is worth into the coverage; returns
/// its level, see [`lay_veiled`].
fn lay_through<'a>(
    bench: &Bench<'_>,
    (picture, coverage): (&mut Rgb, &mut Plane),
    inputs: &mut [Input<'a>],
    (open, land): (&'a [Mask], f32),
    noise: [f32; 3],
) -> Result<Option<Rgb>, BuildError> {
    let (width, height) = (picture.width(), picture.height());
    let worths: Vec<(f32, &Mask)> = inputs.iter().map(Input::worth).zip(open).collect();
    let mut share = Plane::from_fn(width, height, |x, y| match coverage.at(x, y) {
        0.0 => masks::seen_through(&worths, x, y).open,
        _ => 0.0,
    });
    if share.data().iter().all(|s| *s == 0.0) {
        return Ok(None);
    }
    for (input, mask) in inputs.iter_mut().zip(open) {
        (input.mask, input.veiled) = (Some(mask), true);
    }
    // What is open differs from frame to frame: a frame that is brighter than others is no outlier.
    let mut settings = CombineSettings {
        level_frames: false,
        ..CombineSettings::default()
    };
    settings.reject.enabled = false;
    let veiled = combine(inputs, width, height, &settings, &|_| (), bench.world.cancelled())
        .map_err(|e| bench.go_on().err().unwrap_or_else(|| BuildError::internal(e)))?;
    // Open, but beyond all frames.
    let unreached = share.data_mut().iter_mut().zip(veiled.coverage.data());
    unreached
        .filter(|(_, frames)| **frames == 0.0)
        .for_each(|(s, _)| *s = 0.0);
    let frames = |x: usize, y: usize| masks::seen_through(&worths, x, y).frames;
    let veiled = Veiled {
        light: &veiled.rgb,
        open: &share,
        noise,
        land,
    };
    Ok(Some(lay_veiled(picture, coverage, &veiled, frames)))
}

/// Whether most of the frames that see a canvas pixel are clipped there.
fn clipped_in_most(inputs: &[Input<'_>], x: usize, y: usize) -> bool {
    let (mut seen, mut clipped) = (0, 0);
    for input in inputs {
        let at = input.to_source.as_ref().and_then(|map| map([x as f64, y as f64]));
        let (Some([u, v]), Some((runs, _))) = (at, input.clipped) else {
            continue;
        };
        if u >= 0.0 && v >= 0.0 {
            seen += 1;
            clipped += usize::from(runs.contains((u + 0.5) as usize, (v + 0.5) as usize));
        }
    }
    2 * clipped >= seen.max(1)
}

/// Brings every frame into the light of the place where its sky is shown, if the frames tell that
/// light; its measured drift then stands for the difference of the frames' medians.
fn into_the_light_shown(
    bench: &mut Bench<'_>,
    inputs: &mut Vec<Input<'_>>,
    tracked: &Tracked,
    canvas: &Canvas,
    used: &[usize],
    witnesses: &[Witness<'_>],
) -> Result<(), BuildError> {
    let of_land = witnesses.iter().map(|w| &w.air);
    let Some((stood, shown)) = ground::directions(canvas, tracked, used, of_land) else {
        inputs.truncate(used.len());
        return Ok(());
    };
    let size = (canvas.width, canvas.height);
    let surfaces = ground_light(
        inputs,
        &stood,
        &shown,
        size,
        witnesses.len(),
        bench.world.cancelled(),
    )
    .map_err(|e| bench.go_on().err().unwrap_or_else(|| BuildError::internal(e)))?;
    inputs.truncate(used.len());
    for (input, surface) in inputs.iter_mut().zip(surfaces.into_iter().flatten()) {
        input.offset = [0.0; 3];
        input.surface = Some(surface);
    }
    Ok(())
}

/// How one frame is brought to the picture's unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Level {
    gain: f32,
    offset: [f32; 3],
    /// Of a pixel of its sky, in parts of the set's typical one.
    variance: f32,
}

/// The frame's unit and the starlight that came through the air set the factor, the sky's own light what is
/// added. Light and air are brought to the median of the frames in the stack, so that no single frame decides.
fn levels(frames: &[Prepared], tracked: &Tracked, used: &[usize], unit: f64) -> Vec<Level> {
    let median = |values: Vec<f32>| nightloom_stack::median_of(&mut { values }).unwrap_or(1.0);
    let units: Vec<f32> = used.iter().map(|&i| (tracked.units[i] / unit) as f32).collect();
    let clear: Vec<f32> = used
        .iter()
        .map(|&i| tracked.transparency(i).unwrap_or(1.0))
        .collect();
    let common = median(clear.clone()).max(f32::MIN_POSITIVE);
    let reference: [f32; 3] = std::array::from_fn(|c| {
        let levels = used
            .iter()
            .zip(&units)
            .map(|(&i, u)| u * frames[i].facts.sky_level[c]);
        median(levels.collect())
    });
    let noise = |k: usize, gain: f32| (gain * frames[used[k]].facts.field.noise).powi(2);
    let typical = median((0..used.len()).map(|k| noise(k, units[k])).collect()).max(f32::MIN_POSITIVE);
    used.iter()
        .enumerate()
        .map(|(k, &i)| {
            let ratio = clear[k] / common;
            let differs = (ratio - 1.0).abs() > SAME_TRANSPARENCY && ratio > 0.2;
            let gain = if differs { units[k] / ratio } else { units[k] };
            let own = frames[i].facts.sky_level;
            Level {
                gain,
                offset: std::array::from_fn(|c| reference[c] - gain * own[c]),
                variance: (noise(k, gain) / typical).max(1e-3),
            }
        })
        .collect()
}

fn key(
    settings: &SkySettings,
    frames: &[Prepared],
    tracked: &Tracked,
    lay: &Lay<'_>,
    levels: &[Level],
) -> StepKey {
    let (canvas, masks) = (lay.canvas, lay.masks);
    let mut key = StepKey::new("sky-stack", 14)
        .settings(settings)
        .settings(tracked.lens())
        .settings(&(canvas.width, canvas.height, canvas.origin, canvas.offset_px))
        .settings(&(canvas.lens, canvas.from_reference))
        .settings(&canvas.air.as_ref().map(|air| (&air.frames, &air.shown)))
        .settings(levels);
    for (k, i) in tracked.used().enumerate() {
        let mask: Option<Vec<u8>> = masks.get(k).map(|m| mask_bytes(m, canvas));
        key = key
            .input("frame", frames[i].key)
            .settings(&(tracked.rotation(i), tracked.verdicts[i].weight))
            .input("mask", nightloom_outing::hash_bytes(&mask.unwrap_or_default()));
    }
    match &lay.veil {
        Some(veil) => key.input("twigs", veil.twigs).settings(&veil.land),
        None => key,
    }
}

/// The mask at its own resolution.
fn mask_bytes(mask: &Mask, canvas: &Canvas) -> Vec<u8> {
    let cell = mask.cell();
    let rows = (cell / 2..canvas.height).step_by(cell);
    rows.flat_map(|y| {
        (cell / 2..canvas.width)
            .step_by(cell)
            .map(move |x| (mask.at(x, y) * 255.0) as u8)
    })
    .collect()
}
