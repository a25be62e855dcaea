//! Master darks, flats and biases: a robust mean per pixel, band by band.

use std::io;

use nightloom_raster::{Cfa, Plane};
use rayon::prelude::*;

use crate::error::MasterError;
use crate::network::{LANES, Network, of_full};
use crate::noise::median_of;
use crate::source::Source;
use crate::spread::{per_mean, per_median};

/// What each frame is scaled to before the combination.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Normalise {
    /// Nothing: darks and biases.
    #[default]
    No,
    /// Every filter of the mosaic to a median of 1 by itself: flats, whose light may drift.
    PerFilter(Cfa),
    /// The whole frame to a median of 1.
    Whole,
}

/// How calibration frames are combined.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MasterSettings {
    /// Values farther from the pixel's median than so many σ are left out (common practice, no
    /// source). σ is the larger of the pixel's own median absolute deviation and its row's typical one.
    pub clip_sigma: f32,
    /// Scaling before the combination.
    pub normalise: Normalise,
    /// Mebibytes for the bands held at a time.
    pub memory_mib: usize,
}

impl Default for MasterSettings {
    fn default() -> Self {
        Self {
            clip_sigma: 3.5,
            normalise: Normalise::No,
            memory_mib: 64,
        }
    }
}

/// A combined calibration frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Master {
    /// The values, in the unit of the frames (1 at saturation), or about 1 if normalised.
    pub plane: Plane,
    /// Standard error of one pixel, from the scatter between the frames; 0 for a single frame,
    /// where nothing can be said.
    pub noise: f32,
    /// Number of frames.
    pub frames: usize,
    /// Share of all values that were left out, 0 to 1.
    pub rejected_fraction: f64,
}

/// Combines frames of one kind (plane 0 of each) into a master.
///
/// The median-clipped mean; of two frames that disagree beyond the noise the lower one counts
/// (particle hits only ever brighten). Reads bands of rows: memory is `settings.memory_mib` plus
/// the result, however many frames there are.
///
/// # Errors
/// No frames, frames of different sizes, a flat without light, a frame that cannot be read.
pub fn master(sources: &[&dyn Source], settings: &MasterSettings) -> Result<Master, MasterError> {
    let (width, height) = common_size(sources)?;
    let scales = scales(sources, settings.normalise)?;
    let n = sources.len();
    let rows = (settings.memory_mib.max(1) << 18) / (n * width).max(1);
    let rows = rows.clamp(1, height.max(1));
    let network = Network::new(n);
    let mut band = vec![0.0; n * rows * width];
    let mut plane = Plane::filled(width, height, 0.0);
    let mut total = RowStatistics::default();
    for y0 in (0..height).step_by(rows) {
        let count = rows.min(height - y0);
        let size = count * width;
        let frames = band.par_chunks_exact_mut(size.max(1)).zip(sources).enumerate();
        frames.try_for_each(|(i, (frame, source))| {
            read(*source, i, y0, count, frame)?;
            scale_rows(frame, width, y0, settings.normalise, scales[i]);
            Ok(())
        })?;
        let out = &mut plane.data_mut()[y0 * width..][..size];
        let lines: Vec<RowStatistics> = out
            .par_chunks_mut(width)
            .enumerate()
            .map(|(r, line)| {
                let frames = (&band[..n * size], size);
                combine_row(&network, frames, r * width, settings.clip_sigma, line)
            })
            .collect();
        lines.into_iter().for_each(|l| total.add(l));
    }
    let values = (width * height * n).max(1) as f64;
    Ok(Master {
        plane,
        noise: (total.sigma / height.max(1) as f64 / (n as f64).sqrt()) as f32,
        frames: n,
        rejected_fraction: total.rejected as f64 / values,
    })
}

/// A master flat of mean 1 per filter, so that dividing by it takes out vignetting and dust but
/// keeps the colour. `bias`, where known, is taken off first.
pub fn flat_from_master(flat: &Plane, bias: Option<&Plane>, cfa: Cfa) -> Plane {
    let mut out = flat.clone();
    if let Some(bias) = bias.filter(|b| (b.width(), b.height()) == (flat.width(), flat.height())) {
        out.data_mut()
            .iter_mut()
            .zip(bias.data())
            .for_each(|(f, b)| *f -= b);
    }
    let (mut sum, mut count) = ([0.0f64; 3], [0.0f64; 3]);
    for y in 0..out.height() {
        for (x, v) in out.row(y).iter().enumerate() {
            let c = cfa.colour(x, y);
            sum[c] += f64::from(*v);
            count[c] += 1.0;
        }
    }
    let factor: [f32; 3] = std::array::from_fn(|c| {
        if sum[c] > 0.0 {
            (count[c] / sum[c]) as f32
        } else {
            1.0
        }
    });
    for y in 0..out.height() {
        for (x, v) in out.row_mut(y).iter_mut().enumerate() {
            *v *= factor[cfa.colour(x, y)];
        }
    }
    out
}

#[derive(Clone, Copy, Default)]
struct RowStatistics {
    sigma: f64,
    rejected: usize,
}

impl RowStatistics {
    fn add(&mut self, other: Self) {
        self.sigma += other.sigma;
        self.rejected += other.rejected;
    }
}

fn common_size(sources: &[&dyn Source]) -> Result<(usize, usize), MasterError> {
    let expected = sources.first().ok_or(MasterError::Empty)?.size();
    for (index, source) in sources.iter().enumerate() {
        let got = source.size();
        if got != expected {
            return Err(MasterError::Size { index, expected, got });
        }
    }
    Ok(expected)
}

fn read(
    source: &dyn Source,
    index: usize,
    y0: usize,
    rows: usize,
    out: &mut [f32],
) -> Result<(), MasterError> {
    source
        .read_rows(0, y0, rows, out)
        .map_err(|source: io::Error| MasterError::Read { index, source })
}

/// Factors per filter that bring each frame's median to 1.
fn scales(sources: &[&dyn Source], normalise: Normalise) -> Result<Vec<[f32; 3]>, MasterError> {
    let scale = |(index, source): (usize, &&dyn Source)| match normalise {
        Normalise::No => Ok([1.0; 3]),
        Normalise::Whole => medians(*source, index, Cfa::NONE).map(|m| [m[1].recip(); 3]),
        Normalise::PerFilter(cfa) => medians(*source, index, cfa).map(|m| m.map(f32::recip)),
    };
    sources.iter().enumerate().map(scale).collect()
}

/// Medians per filter from at most some hundred evenly spread pairs of rows.
fn medians(source: &dyn Source, index: usize, cfa: Cfa) -> Result<[f32; 3], MasterError> {
    const ROW_PAIRS: usize = 150;
    let (width, height) = source.size();
    let step = (height / 2 / ROW_PAIRS).max(1) * 2;
    let mut row = vec![0.0; width];
    let mut values: [Vec<f32>; 3] = Default::default();
    for y in (0..height)
        .step_by(step)
        .flat_map(|y| [y, y + 1])
        .filter(|y| *y < height)
    {
        read(source, index, y, 1, &mut row)?;
        row.iter()
            .enumerate()
            .for_each(|(x, v)| values[cfa.colour(x, y)].push(*v));
    }
    let mut out = [1.0; 3];
    for (o, v) in out.iter_mut().zip(&mut values) {
        let Some(median) = median_of(v) else { continue };
        if median <= 0.0 {
            return Err(MasterError::DarkFlat { index, median });
        }
        *o = median;
    }
    Ok(out)
}

fn scale_rows(frame: &mut [f32], width: usize, y0: usize, normalise: Normalise, scale: [f32; 3]) {
    let cfa = match normalise {
        Normalise::No => return,
        Normalise::PerFilter(cfa) => cfa,
        Normalise::Whole => Cfa::NONE,
    };
    for (y, line) in (y0..).zip(frame.chunks_exact_mut(width.max(1))) {
        line.iter_mut()
            .enumerate()
            .for_each(|(x, v)| *v *= scale[cfa.colour(x, y)]);
    }
}

/// One row of the master. `band` holds the frames one after the other, `size` values each.
fn combine_row(
    network: &Network,
    (band, size): (&[f32], usize),
    start: usize,
    clip: f32,
    out: &mut [f32],
) -> RowStatistics {
    let (n, width) = (band.len() / size, out.len());
    let blocks = width.div_ceil(LANES);
    let mut sorted = vec![[0.0; LANES]; n * blocks];
    let mut known = Vec::with_capacity(blocks);
    for (x0, columns) in (0..width).step_by(LANES).zip(sorted.chunks_exact_mut(n)) {
        let lanes = LANES.min(width - x0);
        for (column, frame) in columns.iter_mut().zip(band.chunks_exact(size)) {
            for (c, v) in column.iter_mut().zip(&frame[start + x0..][..lanes]) {
                // What is no number lies beyond everything.
                *c = if v.is_nan() { f32::INFINITY } else { *v };
            }
        }
        network.sort(columns);
        known.push(of_full(columns));
    }
    let mut spreads: Vec<f32> = known.iter().flat_map(|(_, spread)| *spread).take(width).collect();
    let row_sigma = median_of(&mut spreads).unwrap_or(0.0) * per_median(n);
    let mut rejected = 0;
    let blocks = sorted.chunks_exact(n).zip(&known).zip(out.chunks_mut(LANES));
    for ((columns, (middle, spread)), out) in blocks {
        // Two values' own spread is all that they differ by; it cannot judge them.
        let own = |s: f32| if n > 2 { s * per_mean(n) } else { 0.0 };
        let tolerance = spread.map(|s| own(s).max(row_sigma) * clip);
        let (means, kept) = clipped_means(columns, middle, &tolerance);
        rejected += kept[..out.len()].iter().map(|k| n - *k as usize).sum::<usize>();
        out.copy_from_slice(&means[..out.len()]);
    }
    RowStatistics {
        sigma: f64::from(row_sigma),
        rejected,
    }
}

/// Of each sorted column the mean of what lies within its tolerance of its median, and how many values do.
fn clipped_means(
    columns: &[[f32; LANES]],
    middle: &[f32; LANES],
    tolerance: &[f32; LANES],
) -> ([f32; LANES], [u32; LANES]) {
    if let [low, high] = columns {
        let apart: [bool; LANES] =
            std::array::from_fn(|k| high[k] - low[k] > tolerance[k] * std::f32::consts::SQRT_2);
        let mean = |k: usize| {
            if apart[k] {
                low[k]
            } else {
                0.5 * (low[k] + high[k])
            }
        };
        return (
            std::array::from_fn(mean),
            apart.map(|apart| if apart { 1 } else { 2 }),
        );
    }
    let (mut sum, mut count) = ([0.0f64; LANES], [0u32; LANES]);
    for column in columns {
        for k in 0..LANES {
            let keep = (column[k] - middle[k]).abs() <= tolerance[k];
            sum[k] += if keep { f64::from(column[k]) } else { 0.0 };
            count[k] += u32::from(keep);
        }
    }
    let mean = |k: usize| match count[k] {
        0 => middle[k],
        n => (sum[k] / f64::from(n)) as f32,
    };
    (std::array::from_fn(mean), count)
}
