//! The fixed frames become one: the land stack.

use nightloom_raster::colour::to_working;
use nightloom_raster::{Plane, Rgb, WorkFile, WorkValues, resize_area_plane};
use nightloom_stack::{CombineSettings, Input, Shift, Source, combine, tripod_shift};
use serde::{Deserialize, Serialize};

use super::land_frame::LandFrame;
use super::{land_focus, light_ratio};
use nightloom_journal::{Bench, BuildError, StepKey};
use nightloom_outing::{Digest, LandSettings};

/// A tripod that moved by less is left alone: resampling costs more sharpness than the shift.
const STILL_PX: f64 = 0.15;
/// So is one whose shift is not so many of its errors large: trails and sky that pass for land scatter more than
/// their error says (2 to 13 times, on painted nights of another painter).
const SURE: f64 = 10.0;
/// Correlation of the land's slopes that a shift of pixels has to leave.
const LEAST_AGREEMENT: f64 = 0.1;
/// Shifts are looked for in pictures no longer than this: blocks of land tell a fiftieth of such a pixel.
const SHIFT_PX: usize = 1600;
/// Pixels that one value of the temporal planes stands for, each way.
const TEMPORAL_CELL: usize = 4;

/// The stacked land.
pub(super) struct LandStack {
    /// Linear working colour in the picture's unit.
    pub(super) picture: Rgb,
    /// Mean of single frames' luminance in cells.
    pub(super) mean: Plane,
    /// Variance of single frames' luminance over the frames in cells.
    pub(super) variance: Plane,
    /// What was done.
    pub(super) facts: LandFacts,
    /// The identity of the step.
    pub(super) key: Digest,
    /// Its work file, inside the outing.
    pub(super) work: String,
    /// Width and height of the land frame; the picture may be laid on a larger canvas later.
    pub(super) frame_px: [usize; 2],
}

/// What the journal keeps of a land stack.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct LandFacts {
    /// Shift of each frame against the reference.
    pub(super) shifts_px: Vec<[f64; 2]>,
    /// Share of samples rejected per frame.
    pub(super) rejected: Vec<f64>,
    /// How many focus settings were merged.
    pub(super) focus: usize,
    /// The frame on whose pixels the land lies.
    pub(super) home: usize,
    /// Frames that are not in it, with the reason.
    pub(super) left_out: Vec<(usize, String)>,
}

/// Whether the stars say that the camera stood still between two land frames; `None` where they do not tell.
pub(super) type StoodStill<'a> = dyn Fn(&LandFrame<'_>, &LandFrame<'_>) -> Option<bool> + 'a;

/// Stacks the land frames on the pixels of the one at `reference`.
pub(super) fn stack_land(
    bench: &mut Bench<'_>,
    settings: &LandSettings,
    mut frames: Vec<LandFrame<'_>>,
    reference: usize,
    stood_still: &StoodStill<'_>,
) -> Result<LandStack, BuildError> {
    let still: Vec<Option<bool>> = frames
        .iter()
        .map(|f| stood_still(f, &frames[reference]))
        .collect();
    let key = frames
        .iter()
        .fold(StepKey::new("land-stack", 7), |key, f| {
            key.input("frame", f.frame.key)
                .settings(&(f.gain, f.noise, f.told))
        })
        .settings(&(settings, reference, still))
        .finish();
    let (name, path) = bench.work_file("land", key, "planes")?;
    let (cells_name, cells) = bench.work_file("land", key, "cells")?;
    if let Some(facts) = bench.kept::<LandFacts>("land-stack", key) {
        let picture = WorkFile::open(&path)?.read_rgb()?;
        let [mean, variance] = WorkFile::open(&cells)?.read_planes()?;
        return Ok(LandStack {
            frame_px: [picture.width(), picture.height()],
            key,
            work: name,
            picture,
            mean,
            variance,
            facts,
        });
    }
    let sources = frames
        .iter()
        .map(|f| WorkFile::open(&f.frame.work))
        .collect::<Result<Vec<_>, _>>()?;
    light_ratio::settle(&mut frames, &sources, reference)?;
    let by_focus = land_focus::parts(bench, &frames, &sources, reference)?;
    let mut facts = LandFacts {
        shifts_px: vec![[0.0; 2]; frames.len()],
        rejected: vec![0.0; frames.len()],
        focus: by_focus.parts.len(),
        ..LandFacts::default()
    };
    facts
        .left_out
        .extend(by_focus.soft.iter().map(|(i, why)| (*i, (*why).to_owned())));
    let mut pictures = Vec::new();
    let mut home = reference;
    for (k, part) in by_focus.parts.iter().enumerate() {
        let own = if part.contains(&reference) {
            reference
        } else {
            part[part.len() / 2]
        };
        if k == 0 {
            home = own;
        }
        let shifts = shifts(bench, settings, &frames, &sources, part, own, stood_still)?;
        let (picture, rejected) = combined(bench, settings, &frames, &sources, part, &shifts)?;
        for ((&i, shift), rejected) in part.iter().zip(&shifts).zip(rejected) {
            (facts.shifts_px[i], facts.rejected[i]) = ([shift.dx, shift.dy], rejected);
        }
        pictures.push(picture);
    }
    let mut picture = if pictures.len() == 1 {
        pictures.remove(0)
    } else {
        let (picture, lost) = land_focus::merged(bench, &frames, &by_focus.parts, pictures, home)?;
        let why = "of another focus, and how that changes the picture's scale could not be measured";
        let frames_lost = lost.iter().flat_map(|&k| &by_focus.parts[k]);
        facts.left_out.extend(frames_lost.map(|&i| (i, why.to_owned())));
        facts.focus -= lost.len();
        picture
    };
    facts.home = home;
    to_working(&mut picture, &frames[home].frame.facts.colour);
    let [mean, variance] = temporal(&sources, &frames, &by_focus.parts[0])
        .map_err(|e| BuildError::read(&frames[home].frame.work, &e))?;
    let [r, g, b] = picture.planes();
    WorkFile::write_planes(&path, &[r, g, b], WorkValues::Float32)?;
    WorkFile::write_planes(&cells, &[&mean, &variance], WorkValues::Float32)?;
    bench.done("land-stack", key, &[&name, &cells_name], &facts)?;
    Ok(LandStack {
        frame_px: [picture.width(), picture.height()],
        key,
        work: name,
        picture,
        mean,
        variance,
        facts,
    })
}

/// How far the tripod moved between the reference and each frame.
fn shifts(
    bench: &Bench<'_>,
    settings: &LandSettings,
    frames: &[LandFrame<'_>],
    sources: &[WorkFile],
    part: &[usize],
    reference: usize,
    stood_still: &StoodStill<'_>,
) -> Result<Vec<Shift>, BuildError> {
    let still = Shift {
        confidence: 1.0,
        ..Shift::default()
    };
    if !settings.register || part.len() < 2 {
        return Ok(vec![still; part.len()]);
    }
    let small = |i: usize| Ok::<_, BuildError>(resize_area_plane(&sources[i].read_plane(1)?, SHIFT_PX));
    let home = small(reference)?;
    let scale = sources[reference].width() as f64 / home.width() as f64;
    let land = &frames[reference].frame.facts.field.land;
    let mut shifts = Vec::with_capacity(part.len());
    for (k, &i) in part.iter().enumerate() {
        // Over a narrow field the sky can pass for land that moves; the stars know better.
        if i == reference || stood_still(&frames[i], &frames[reference]) == Some(true) {
            shifts.push(still);
            continue;
        }
        bench.show("Checking the tripod", k as f64 / part.len() as f64, "")?;
        let other = small(i)?;
        let is_land = |x: usize, y: usize| land.is_land(x as f64 * scale, y as f64 * scale);
        let sure = |s: &Shift| {
            let far = s.dx.hypot(s.dy);
            far > STILL_PX && far > SURE * s.sigma_px && s.confidence > 0.5
        };
        shifts.push(
            tripod_shift(&home, &other, &is_land)
                .filter(|s| explains(&home, &other, s, &is_land))
                .map(|s| s.scaled(scale))
                .filter(sure)
                .unwrap_or(still),
        );
    }
    Ok(shifts)
}

/// Whether the land's slopes agree better after a shift than where they are.
fn explains(a: &Plane, b: &Plane, shift: &Shift, is_land: &dyn Fn(usize, usize) -> bool) -> bool {
    let agreement = |dx: isize, dy: isize| {
        let (mut ab, mut aa, mut bb) = (0.0f64, 0.0, 0.0);
        for y in (2..a.height().saturating_sub(2)).step_by(2) {
            for x in (2..a.width().saturating_sub(2))
                .step_by(2)
                .filter(|&x| is_land(x, y))
            {
                let (Some(bx), Some(by)) = (x.checked_add_signed(dx), y.checked_add_signed(dy)) else {
                    continue;
                };
                if bx < 1 || by >= b.height() || bx + 1 >= b.width() {
                    continue;
                }
                let ga = f64::from(a.at(x + 1, y) - a.at(x - 1, y));
                let gb = f64::from(b.at(bx + 1, by) - b.at(bx - 1, by));
                (ab, aa, bb) = (ab + ga * gb, aa + ga * ga, bb + gb * gb);
            }
        }
        if aa * bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 }
    };
    let (dx, dy) = (shift.dx.round() as isize, shift.dy.round() as isize);
    // Below a pixel the whole steps are the same, and the shift is the finer measure.
    (dx, dy) == (0, 0) || agreement(dx, dy) > agreement(0, 0).max(LEAST_AGREEMENT)
}

fn combined(
    bench: &Bench<'_>,
    settings: &LandSettings,
    frames: &[LandFrame<'_>],
    sources: &[WorkFile],
    part: &[usize],
    shifts: &[Shift],
) -> Result<(Rgb, Vec<f64>), BuildError> {
    let size = [sources[part[0]].width(), sources[part[0]].height()];
    let inputs: Vec<Input<'_>> = part
        .iter()
        .zip(shifts)
        .map(|(&i, shift)| {
            let (source, frame, shift) = (&sources[i], &frames[i], *shift);
            let moved = shift.dx != 0.0 || shift.dy != 0.0;
            Input {
                to_source: moved.then(|| {
                    Box::new(move |point: [f64; 2]| Some(shift.moved(point, size)))
                        as Box<nightloom_stack::Mapping<'_>>
                }),
                gain: [frame.gain; 3],
                noise: frame.noise,
                // The light it can tell at most is what its saturation is worth.
                clipped: Some((&frame.frame.facts.clipped, frame.gain)),
                ..Input::unmoved(source as &dyn Source)
            }
        })
        .collect();
    let mut combine_settings = CombineSettings {
        feather_px: 0.0,
        level_frames: false,
        ..CombineSettings::default()
    };
    combine_settings.reject.enabled = settings.reject;
    let (width, height) = (sources[0].width(), sources[0].height());
    let progress = |done: f64| bench.tell("Stacking land frames", done, "");
    let stacked = combine(
        &inputs,
        width,
        height,
        &combine_settings,
        &progress,
        bench.world.cancelled(),
    )
    .map_err(|e| bench.go_on().err().unwrap_or_else(|| BuildError::internal(e)))?;
    Ok((stacked.rgb, stacked.rejected_per_input))
}

/// Mean over the frames, and variance of a usual frame about it, of the green light in cells; frames count by
/// their worth, so that the noise of a short one does not pass for motion.
fn temporal(sources: &[WorkFile], frames: &[LandFrame<'_>], part: &[usize]) -> std::io::Result<[Plane; 2]> {
    let (width, height) = (sources[0].width(), sources[0].height());
    let (columns, rows) = ((width / TEMPORAL_CELL).max(1), (height / TEMPORAL_CELL).max(1));
    let mut mean = Plane::filled(columns, rows, 0.0);
    let mut variance = Plane::filled(columns, rows, 0.0);
    let mut band = vec![0.0; width * TEMPORAL_CELL.min(height)];
    let n = part.len() as f32;
    let worths: Vec<f32> = part
        .iter()
        .map(|&i| frames[i].noise.variance(0.0).recip())
        .collect();
    let total: f32 = worths.iter().sum();
    for row in 0..rows {
        let (mut sum, mut square) = (vec![0.0f32; columns], vec![0.0f32; columns]);
        for (&i, worth) in part.iter().zip(&worths) {
            let (source, frame) = (&sources[i], &frames[i]);
            let (lines, weight) = (TEMPORAL_CELL.min(height), n * worth / total);
            source
                .read_rows(1, row * TEMPORAL_CELL, lines, &mut band)
                .map_err(|e| std::io::Error::other(e.to_string()))?;
            for (column, (sum, square)) in sum.iter_mut().zip(&mut square).enumerate() {
                let across = TEMPORAL_CELL.min(width);
                let cell = band
                    .chunks(width)
                    .map(|line| &line[column * TEMPORAL_CELL..][..across]);
                let value = cell.flatten().sum::<f32>() * frame.gain / (across * lines) as f32;
                *sum += weight * value;
                *square += weight * value * value;
            }
        }
        for column in 0..columns {
            let m = sum[column] / n;
            *mean.at_mut(column, row) = m;
            *variance.at_mut(column, row) = if n > 1.0 {
                ((square[column] - n * m * m) / (n - 1.0)).max(0.0)
            } else {
                0.0
            };
        }
    }
    Ok([mean, variance])
}
