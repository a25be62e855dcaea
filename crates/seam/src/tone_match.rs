//! One brightness and colour scale for the fixed and the tracked camera, from the sky both saw.
//!
//! Star-free levels of blocks that both saw are regressed on each other, per channel: first the
//! ratio's median, then a line by iteratively reweighted least squares (biweight, c = 4.685; Beaton &
//! Tukey 1974, Technometrics 16, 147). An offset is kept only where the data ask for it: with a
//! sky of one level gain and offset cannot be told apart.

use nalgebra::SVector;
use nightloom_fit::{BIWEIGHT, Loss, Normal, Robust, Row, SIGMA_PER_MAD, Scale, median_of, robust};
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::{SeamError, Work, sky_model};

/// How the two skies are compared.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneMatchSettings {
    /// Pixels with fewer tracked frames than this are left out.
    pub min_coverage: f32,
    /// Whether an offset per channel may be solved for beside the gain.
    pub with_offset: bool,
    /// The factor, where the exposures tell it: then only the offset is solved for. The smooth sky
    /// alone cannot tell a moon that has risen between the two from another sensitivity.
    pub known_gain: Option<[f32; 3]>,
    /// How much more blocks near the land count than those far up, 0 and more.
    pub edge_emphasis: f32,
}

impl Default for ToneMatchSettings {
    fn default() -> Self {
        Self {
            min_coverage: 1.0,
            with_offset: true,
            known_gain: None,
            edge_emphasis: 4.0,
        }
    }
}

/// What brings land values onto the sky stack's scale: `sky ≈ gain·land + offset`.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct ToneMatch {
    /// Factor per channel.
    pub gain: [f32; 3],
    /// Added after the factor, per channel, linear units.
    pub offset: [f32; 3],
    /// Robust rms of what remains over the blocks, as a fraction of the sky's level.
    pub error: f32,
    /// Blocks the fit rests on; 0 means nothing was seen by both and the match is the identity.
    pub blocks: usize,
}

impl ToneMatch {
    /// Land left as it is.
    pub fn identity() -> Self {
        Self {
            gain: [1.0; 3],
            offset: [0.0; 3],
            error: 0.0,
            blocks: 0,
        }
    }

    /// Brings a land picture onto the sky's scale, in place.
    ///
    /// The offset is light of the sky, not of the land, so pass `with_offset` only for a picture of
    /// sky; land takes the gain alone.
    pub fn apply(&self, picture: &mut Rgb, with_offset: bool) {
        for (c, plane) in picture.planes_mut().iter_mut().enumerate() {
            let offset = if with_offset { self.offset[c] } else { 0.0 };
            let values = plane.data_mut().par_iter_mut().with_min_len(1 << 14);
            values.for_each(|v| *v = self.gain[c] * *v + offset);
        }
    }

    /// A sky colour of the land picture on the sky stack's scale.
    pub fn colour(&self, land: [f32; 3]) -> [f32; 3] {
        std::array::from_fn(|c| self.gain[c] * land[c] + self.offset[c])
    }
}

/// Fewest blocks a match may rest on.
const LEAST_BLOCKS: usize = 6;

/// Finds the gain and offset that make the land picture's sky equal the sky stack's.
///
/// `alpha` is the matte (only pixels of exactly 1 count), `coverage` the number of tracked frames.
/// With fewer than six blocks in common the identity comes back, with `blocks` 0.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range.
pub fn match_sky(
    land: &Rgb,
    sky: &Rgb,
    alpha: &Plane,
    coverage: &Plane,
    settings: &ToneMatchSettings,
) -> Result<ToneMatch, SeamError> {
    let size = (land.width(), land.height());
    SeamError::check_size("sky stack", size, (sky.width(), sky.height()))?;
    SeamError::check_size("matte", size, (alpha.width(), alpha.height()))?;
    SeamError::check_size("coverage map", size, (coverage.width(), coverage.height()))?;
    if !(settings.edge_emphasis >= 0.0 && settings.edge_emphasis.is_finite()) {
        let found = f64::from(settings.edge_emphasis);
        return Err(SeamError::Setting {
            name: "edge_emphasis",
            expected: "0 or more",
            found,
        });
    }
    let seen_by_both = |x: usize, y: usize| {
        alpha.at(x, y) >= 1.0
            && coverage.at(x, y) >= settings.min_coverage
            && land.at(x, y).iter().chain(&sky.at(x, y)).all(|v| v.is_finite())
    };
    let work = Work::quiet();
    let fixed = sky_model::measure(land, &seen_by_both, &work)?;
    let tracked = sky_model::measure(sky, &seen_by_both, &work)?;
    let weights = nearness(alpha, settings.edge_emphasis);
    let mut found = ToneMatch::identity();
    let mut squares = 0.0;
    for c in 0..3 {
        let pairs = fixed.iter().zip(&tracked).zip(&weights);
        let points: Vec<Point> = pairs
            .filter_map(|((l, s), &weight)| {
                Some(Point {
                    land: l.as_ref()?[c].level,
                    sky: s.as_ref()?[c].level,
                    weight,
                })
            })
            .filter(|p| p.land > 0.0 && p.sky.is_finite())
            .collect();
        if points.len() < LEAST_BLOCKS {
            return Ok(ToneMatch::identity());
        }
        let line = match settings.known_gain {
            Some(gain) => shifted(&points, gain[c]),
            None => regress(&points, settings.with_offset),
        };
        (found.gain[c], found.offset[c]) = (line.gain, line.offset);
        squares += line.error * line.error / 3.0;
        found.blocks = points.len();
    }
    found.error = squares.sqrt();
    Ok(found)
}

struct Point {
    land: f32,
    sky: f32,
    weight: f32,
}

#[derive(Clone, Copy)]
struct Line {
    gain: f32,
    offset: f32,
    error: f32,
}

/// The offset that goes with a known gain: the median difference.
fn shifted(points: &[Point], gain: f32) -> Line {
    let offset = median_of(points.iter().map(|p| p.sky - gain * p.land)).unwrap_or(0.0);
    Line::new(gain, offset, points)
}

fn regress(points: &[Point], with_offset: bool) -> Line {
    let start = f64::from(median_of(points.iter().map(|p| p.sky / p.land)).unwrap_or(1.0));
    let plain = refine(points, SVector::from([start]), |p| [p.land]);
    if !with_offset {
        return plain;
    }
    let full = refine(points, SVector::from([start, 0.0]), |p| [p.land, 1.0]);
    let sane = full.gain > 0.0 && full.gain.is_finite() && full.offset.is_finite();
    if sane && full.error < 0.8 * plain.error {
        full
    } else {
        plain
    }
}

/// Gain, and offset where the terms have one, by misses relative to the sky's level.
fn refine<const N: usize>(
    points: &[Point],
    start: SVector<f64, N>,
    terms: impl Fn(&Point) -> [f32; N],
) -> Line {
    let row = |p: &Point| {
        let sky = f64::from(p.sky.abs().max(1e-9));
        Row {
            terms: SVector::from(terms(p).map(f64::from)) / sky,
            value: f64::from(p.sky) / sky,
            weight: f64::from(p.weight) * (sky / f64::from(p.land)).powi(2),
        }
    };
    let rows: Vec<Row<N>> = points.iter().map(row).collect();
    let settings = Robust {
        loss: Loss::Biweight,
        scale: Scale::AboutMedian(BIWEIGHT, 1e-7),
        rounds: 12,
    };
    let found = robust(&rows, &Normal::new(), Some(start), &settings).unwrap_or(start);
    Line::new(found[0] as f32, found.get(1).map_or(0.0, |o| *o as f32), points)
}

impl Line {
    /// With the robust rms of its misses.
    fn new(gain: f32, offset: f32, points: &[Point]) -> Self {
        let line = Self {
            gain,
            offset,
            error: 0.0,
        };
        let middle = median_of(points.iter().map(|p| line.miss(p).abs())).unwrap_or(0.0);
        Self {
            error: SIGMA_PER_MAD as f32 * middle,
            ..line
        }
    }

    fn miss(&self, p: &Point) -> f32 {
        (self.gain * p.land + self.offset - p.sky) / p.sky.abs().max(1e-9)
    }
}

/// Weight of each block: 1 far from land, `1 + emphasis` beside it.
fn nearness(alpha: &Plane, emphasis: f32) -> Vec<f32> {
    let factor = sky_model::FACTOR;
    let (width, height) = (alpha.width().div_ceil(factor), alpha.height().div_ceil(factor));
    let mut away = vec![u32::MAX; width * height];
    let mut queue = std::collections::VecDeque::new();
    for (k, away) in away.iter_mut().enumerate() {
        let (x0, y0) = (k % width * factor, k / width * factor);
        let rows = y0..(y0 + factor).min(alpha.height());
        let mut pixels = rows.flat_map(|y| &alpha.row(y)[x0..(x0 + factor).min(alpha.width())]);
        if pixels.any(|&a| a < 0.5) {
            *away = 0;
            queue.push_back(k);
        }
    }
    while let Some(k) = queue.pop_front() {
        for d in [1, 3, 4, 6] {
            if let Some(q) = crate::grid_cut::neighbour(width, height, k, d)
                && away[q] == u32::MAX
            {
                away[q] = away[k] + 1;
                queue.push_back(q);
            }
        }
    }
    let scale = 0.1 * height as f32;
    away.into_iter()
        .map(|d| 1.0 + emphasis * (-(d as f32) / scale).exp())
        .collect()
}
