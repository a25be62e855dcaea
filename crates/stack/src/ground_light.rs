//! The light that stays with the ground while the stars go by: airglow, towns, haze at the horizon.
//!
//! A tracked frame shows the sky's stars before the light of where they stood then. In a picture of
//! another moment they stand elsewhere, mostly lower, before more of it. Frames taken one after another
//! tell the two apart, for the star field is the same in all of them:
//!
//! 1. The level of frame f in cell c of the canvas is taken for s(c)·T(h) + G(d) + o(f): s goes with the
//!    stars and is dimmed by the air, G is light from the direction d in the ground frame, o a change of the
//!    whole. Of o the steady part is left out: a sky that grew darker as it sank is taken to go on so.
//! 2. G is a few profiles in altitude ([`profiles`]), each with an amplitude that is a periodic cubic
//!    B-spline in azimuth, held smooth by penalties (P-splines: Eilers & Marx 1996, Statistical Science 11,
//!    89). That they are shaped as such light is lets them be followed to where no frame looked.
//! 3. s is eliminated cell by cell (each frame against the mean of all), the rest is linear least squares
//!    with Tukey's biweight against what a cloud or an aircraft spoils.
//! 4. Each frame gets what its sky would have where it is shown less what it had, a slow surface that is
//!    added: it touches no star's flux.

use std::sync::atomic::AtomicBool;

use nalgebra::{DMatrix, DVector, Vector3};
use nightloom_fit::{BIWEIGHT, Loss, median_of};
use rayon::prelude::*;

use crate::error::CombineError;
use crate::input::Input;
use crate::level::Grid;
use crate::surface::Surface;

/// From a pixel of the canvas to the direction there in the ground frame (x east, y north, z up), free
/// of refraction.
pub type GroundDirection<'a> = dyn Fn([f64; 2]) -> Option<Vector3<f64>> + Sync + 'a;

/// Splines round the horizon.
const AROUND: usize = 30;
/// Altitude profiles of the light.
const PROFILES: usize = 4;
/// How the light of towns near and far falls off with altitude: by 1/e in so many degrees (common
/// practice, no source).
const DOME_DEG: [f64; 2] = [5.0, 15.0];
/// Height of the airglow layer over the Earth's radius, kilometres (van Rhijn 1921).
const LAYER_KM: f64 = 90.0;
const EARTH_KM: f64 = 6371.0;
/// Extinction in magnitudes per airmass, and its share that a wide source feels, as light is
/// scattered into the beam as well (common practice, no source).
const EXTINCTION_MAG: f64 = 0.2;
const WIDE_SHARE: f64 = 0.75;
/// Airglow through clear air and through hazy air, shares of the usual extinction: their mixture is that of the night's air,
/// which close to the horizon makes light and dark.
const AIR: [f64; 2] = [0.6, 1.4];
/// What lies lower counts as this, degrees.
const LOWEST_DEG: f64 = 0.0;
/// Expected second and first difference of neighbouring amplitudes, amplitude, and change of the whole
/// from frame to frame, as shares of the sky's level.
const BEND: f64 = 0.1;
const SLOPE: f64 = 0.5;
const AMPLITUDE: f64 = 1.0;
const CHANGE: f64 = 0.02;
/// The same of a witness, whose level may be any.
const FREE: f64 = 1.0;
/// The steady part of the change, as a share of it.
const STEADY: f64 = 0.01;
/// Error of a level before the fit has told it, as a share of it.
const FIRST_ERROR: f64 = 0.01;
const ROUNDS: usize = 6;
/// Fewer shared levels than this tell nothing.
const ENOUGH: usize = 60;
/// The star field by itself is nowhere brighter than so many times what is usual in the picture: the Milky Way's core.
const MOST_STARLIGHT: f32 = 4.0;
/// Side of the cells of the surfaces, pixels.
const SURFACE_PX: usize = 16;

/// What to add to each frame so that its sky stands in the light of the place where it is shown; `None`
/// where the frames do not tell.
///
/// `stood` holds for each input where a canvas pixel's stars stood while the frame was taken, `shown`
/// where they stand in the picture. `gain` of the inputs counts, `offset` does not. The last `witnesses` of the inputs are no
/// part of the stack and were taken at quite another time: they tell the light's shape, their own level is free, and no
/// surface is made for them.
///
/// In the test's sky, whose light has other shapes than those fitted, a sky that was an eighth too dark
/// near the horizon comes within 1.2 % (median).
///
/// # Errors
/// A frame that cannot be read; [`CombineError::Cancelled`].
pub fn ground_light(
    inputs: &[Input],
    stood: &[Box<GroundDirection<'_>>],
    shown: &GroundDirection<'_>,
    (width, height): (usize, usize),
    witnesses: usize,
    cancelled: &AtomicBool,
) -> Result<Option<Vec<Surface>>, CombineError> {
    let grid = Grid::new(width, height);
    let measured: Result<Vec<Vec<[f32; 3]>>, CombineError> = inputs
        .par_iter()
        .enumerate()
        .map(|(index, input)| grid.measure(index, input, cancelled))
        .collect();
    let cells = gather(&grid, inputs, &measured?, stood);
    let centre = [width as f64 / 2.0, height as f64 / 2.0];
    let frames = stood.len().saturating_sub(witnesses);
    let Some(light) = Light::fit(cells, &progress(&stood[..frames], centre), witnesses) else {
        return Ok(None);
    };
    let starlight = light.starlight(&grid);
    let surface = |frame: usize| {
        let from = &stood[frame];
        Surface::from_fn(width, height, SURFACE_PX, |pixel| {
            let Some((to, from)) = shown(pixel).zip(from(pixel)) else {
                return [0.0; 3];
            };
            let (to, from) = (LightSample::at(&to), LightSample::at(&from));
            std::array::from_fn(|c| {
                let stars = f64::from(starlight.at(c, pixel)) * (to.clear - from.clear);
                let change = light.of(c, &to) - light.of(c, &from);
                (stars + change - light.drift[frame][c]) as f32
            })
        })
    };
    Ok(Some((0..frames).into_par_iter().map(surface).collect()))
}

/// How far the sky had gone when each frame was taken: from its mean, in any unit; all 0 where it did not.
fn progress(stood: &[Box<GroundDirection<'_>>], centre: [f64; 2]) -> Vec<f64> {
    let at: Vec<Vector3<f64>> = stood
        .iter()
        .map(|s| s(centre).unwrap_or_else(Vector3::zeros))
        .collect();
    let mean = at.iter().sum::<Vector3<f64>>() / at.len().max(1) as f64;
    let away = |d: &Vector3<f64>| (d - mean).norm();
    let farthest = at.iter().max_by(|a, b| away(a).total_cmp(&away(b)));
    let along = farthest.map_or_else(Vector3::zeros, |f| f - mean);
    at.iter().map(|d| (d - mean).dot(&along)).collect()
}

/// One frame's level in one cell.
struct Level {
    frame: usize,
    sample: LightSample,
    values: [f64; 3],
    /// 1 for one that fits, falling to 0.
    trust: f64,
}

/// The levels of one cell of the canvas.
struct Cell {
    index: usize,
    levels: Vec<Level>,
}

/// The levels of each cell that at least two frames show.
fn gather(
    grid: &Grid,
    inputs: &[Input],
    measured: &[Vec<[f32; 3]>],
    stood: &[Box<GroundDirection<'_>>],
) -> Vec<Cell> {
    let level = |cell: usize, frame: usize| {
        let levels = measured[frame][cell];
        let direction = stood.get(frame)?(grid.centre(cell))?;
        levels.iter().all(|v| v.is_finite()).then(|| Level {
            frame,
            sample: LightSample::at(&direction),
            // The offset brings frames together by their medians, and those the light is in.
            values: std::array::from_fn(|c| f64::from(levels[c] - inputs[frame].offset[c])),
            trust: 1.0,
        })
    };
    (0..grid.len())
        .map(|index| Cell {
            index,
            levels: (0..inputs.len())
                .filter_map(|frame| level(index, frame))
                .collect(),
        })
        .filter(|cell| cell.levels.len() > 1)
        .collect()
}

/// What counts of one direction.
#[derive(Clone, Copy)]
struct LightSample {
    index: [usize; 4 * PROFILES],
    value: [f64; 4 * PROFILES],
    /// Share of the stars' light that comes through, 1 at the zenith.
    clear: f64,
}

impl LightSample {
    fn at(direction: &Vector3<f64>) -> Self {
        let altitude = direction.z.atan2(direction.x.hypot(direction.y)).to_degrees();
        let altitude = altitude.max(LOWEST_DEG);
        let turn = direction.x.atan2(direction.y) / std::f64::consts::TAU;
        let (first, columns) = cubic(turn.rem_euclid(1.0) * AROUND as f64);
        let rows = profiles(altitude);
        Self {
            index: std::array::from_fn(|k| k / 4 * AROUND + (first + k % 4) % AROUND),
            value: std::array::from_fn(|k| rows[k / 4] * columns[k % 4]),
            clear: dimmed(altitude, WIDE_SHARE),
        }
    }
}

/// The shapes that light fixed to the ground has in altitude (degrees): two domes of towns and the airglow,
/// brighter towards the horizon as its layer is seen slantwise, until the air takes more than that.
fn profiles(altitude: f64) -> [f64; PROFILES] {
    let slant = altitude.to_radians().cos() * EARTH_KM / (EARTH_KM + LAYER_KM);
    let airglow = AIR.map(|share| dimmed(altitude, share) / (1.0 - slant * slant).sqrt());
    let [near, far] = DOME_DEG.map(|scale| (-altitude / scale).exp());
    [near, far, airglow[0], airglow[1]]
}

/// What the air lets through at an altitude, against the zenith (airmass: Kasten & Young 1989).
fn dimmed(altitude: f64, share: f64) -> f64 {
    let airmass = 1.0 / (altitude.to_radians().sin() + 0.50572 * (altitude + 6.07995).powf(-1.6364));
    10f64.powf(-0.4 * EXTINCTION_MAG * share * (airmass - 1.0))
}

/// The first of the four uniform cubic B-splines at a place, and their values.
fn cubic(at: f64) -> (usize, [f64; 4]) {
    let first = at.floor();
    let t = at - first;
    let values = [
        (1.0 - t).powi(3),
        3.0 * t.powi(3) - 6.0 * t * t + 4.0,
        -3.0 * t.powi(3) + 3.0 * t * t + 3.0 * t + 1.0,
        t.powi(3),
    ];
    (first as usize, values.map(|v| v / 6.0))
}

const SPLINES: usize = AROUND * PROFILES;

/// The light fixed to the ground, and that of the stars.
struct Light {
    coefficients: [DVector<f64>; 3],
    /// Change of each frame from the middle one.
    drift: Vec<[f64; 3]>,
    cells: Vec<Cell>,
}

impl Light {
    fn of(&self, channel: usize, sample: &LightSample) -> f64 {
        let terms = sample.index.iter().zip(sample.value);
        terms.map(|(&k, v)| self.coefficients[channel][k] * v).sum()
    }

    fn fit(mut cells: Vec<Cell>, progress: &[f64], witnesses: usize) -> Option<Self> {
        let all = || cells.iter().flat_map(|c| &c.levels);
        if all().count() < ENOUGH {
            return None;
        }
        let level = median_of(all().map(|l| l.values[1]))?.abs().max(1e-9);
        let mut error = FIRST_ERROR * level;
        let mut solved = solve(&cells, progress, witnesses, level, error)?;
        for _ in 1..ROUNDS {
            error = weigh(&mut cells, &solved).max(1e-4 * level);
            solved = solve(&cells, progress, witnesses, level, error)?;
        }
        let frames = SPLINES..SPLINES + progress.len();
        let middle = solved
            .each_ref()
            .map(|s| median_of(frames.clone().map(|f| s[f])).unwrap_or(0.0));
        let drift = frames.map(|f| std::array::from_fn(|c| solved[c][f] - middle[c]));
        Some(Self {
            drift: drift.collect(),
            coefficients: solved,
            cells,
        })
    }

    /// The level of the star field by itself, as at the zenith; the usual one where no frames tell.
    fn starlight(&self, grid: &Grid) -> Surface {
        let mut levels = vec![[f32::NAN; 3]; grid.len()];
        for cell in &self.cells {
            let mean = |c: usize| {
                let (mut sum, mut weight) = (0.0, 0.0);
                for l in &cell.levels {
                    let own = l.values[c] - terms(l).map(|(k, v)| self.coefficients[c][k] * v).sum::<f64>();
                    sum += l.trust * l.sample.clear * own;
                    weight += l.trust * l.sample.clear * l.sample.clear;
                }
                (sum / weight) as f32
            };
            levels[cell.index] = std::array::from_fn(mean);
        }
        let usual: [f32; 3] = std::array::from_fn(|c| median_of(levels.iter().map(|l| l[c])).unwrap_or(0.0));
        let (width, height) = grid.covered();
        Surface::from_fn(width, height, grid.side(), |at| {
            let own = levels[grid.holding(at)];
            // Close to the horizon little of it comes through, and what the ground's light leaves over may be anything.
            std::array::from_fn(|c| match own[c].is_finite() {
                true => own[c].clamp(0.0, MOST_STARLIGHT * usual[c].max(0.0)),
                false => usual[c],
            })
        })
    }
}

/// The unknowns of one level and their factors: the splines, then the frame's change.
fn terms(level: &Level) -> impl Iterator<Item = (usize, f64)> + '_ {
    let splines = level.sample.index.into_iter().zip(level.sample.value);
    splines.chain(std::iter::once((SPLINES + level.frame, 1.0)))
}

/// Least squares over what each level is beside its cell's starlight.
fn solve(
    cells: &[Cell],
    progress: &[f64],
    witnesses: usize,
    level: f64,
    error: f64,
) -> Option<[DVector<f64>; 3]> {
    let unknowns = SPLINES + progress.len() + witnesses;
    let mut normal = penalties(progress, witnesses, level);
    let mut right: [DVector<f64>; 3] = std::array::from_fn(|_| DVector::zeros(unknowns));
    let mut mean = DVector::zeros(unknowns);
    for cell in cells {
        let (mut total, mut sums) = (0.0, [0.0; 3]);
        mean.fill(0.0);
        for l in &cell.levels {
            let weight = l.trust / (error * error);
            let clear = l.sample.clear;
            total += weight * clear * clear;
            for (a, va) in terms(l) {
                mean[a] += weight * clear * va;
                terms(l).for_each(|(b, vb)| normal[(a, b)] += weight * va * vb);
                (0..3).for_each(|c| right[c][a] += weight * va * l.values[c]);
            }
            (0..3).for_each(|c| sums[c] += weight * clear * l.values[c]);
        }
        normal.ger(-1.0 / total, &mean, &mean, 1.0);
        (0..3).for_each(|c| right[c].axpy(-sums[c] / total, &mean, 1.0));
    }
    let solver = normal.cholesky()?;
    Some(right.map(|r| solver.solve(&r)))
}

/// What is expected of the unknowns before anything is measured.
fn penalties(progress: &[f64], witnesses: usize, level: f64) -> DMatrix<f64> {
    let unknowns = SPLINES + progress.len() + witnesses;
    let mut normal = DMatrix::zeros(unknowns, unknowns);
    let mut add = |terms: &[(usize, f64)], expected: f64| {
        let weight = 1.0 / (expected * level).powi(2);
        for &(a, va) in terms {
            terms
                .iter()
                .for_each(|&(b, vb)| normal[(a, b)] += weight * va * vb);
        }
    };
    for profile in 0..PROFILES {
        let at = |i: usize| profile * AROUND + i % AROUND;
        for i in 0..AROUND {
            add(&[(at(i), 1.0), (at(i + 1), -2.0), (at(i + 2), 1.0)], BEND);
            add(&[(at(i), 1.0), (at(i + 1), -1.0)], SLOPE);
            add(&[(at(i), 1.0)], AMPLITUDE);
        }
    }
    (unknowns - witnesses..unknowns).for_each(|f| add(&[(f, 1.0)], FREE));
    let frames = SPLINES..unknowns - witnesses;
    frames.clone().for_each(|f| add(&[(f, 1.0)], CHANGE));
    let length = progress.iter().map(|p| p * p).sum::<f64>().sqrt();
    let steady: Vec<(usize, f64)> = frames
        .zip(progress.iter().map(|p| p / length.max(f64::MIN_POSITIVE)))
        .collect();
    add(&steady, STEADY * CHANGE);
    normal
}

/// Sets each level's trust by how well it fits, in all channels together; returns the error of one.
fn weigh(cells: &mut [Cell], solved: &[DVector<f64>; 3]) -> f64 {
    let rest = |l: &Level, c: usize| l.values[c] - terms(l).map(|(k, v)| solved[c][k] * v).sum::<f64>();
    let misses: Vec<Vec<f64>> = cells
        .par_iter()
        .map(|cell| {
            let weight: f64 = cell.levels.iter().map(|l| l.trust * l.sample.clear.powi(2)).sum();
            let stars: [f64; 3] = std::array::from_fn(|c| {
                let sum: f64 = cell
                    .levels
                    .iter()
                    .map(|l| l.trust * l.sample.clear * rest(l, c))
                    .sum();
                sum / weight.max(1e-9)
            });
            let miss = |l: &Level| {
                let off = |c: usize| (rest(l, c) - stars[c] * l.sample.clear).powi(2);
                (0..3).map(off).sum::<f64>().sqrt()
            };
            cell.levels.iter().map(miss).collect()
        })
        .collect();
    // The median length of a normal 3-vector is 1.538 σ (chi distribution).
    let sigma = median_of(misses.iter().flatten().copied()).unwrap_or(0.0) / 1.538;
    let end = 3f64.sqrt() * BIWEIGHT * sigma.max(1e-9);
    for (cell, misses) in cells.iter_mut().zip(misses) {
        for (l, miss) in cell.levels.iter_mut().zip(misses) {
            l.trust = Loss::Biweight.weight(miss / end).max(1e-6);
        }
    }
    sigma
}
