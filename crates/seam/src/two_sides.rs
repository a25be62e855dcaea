//! What the two sides of a border look like.
//!
//! The sky's colour goes over the picture smoothly, in whatever shape (clouds, aurora, the Milky Way): it is a surface
//! that follows the sky's own cells, and what remains is one narrow mixture. The land's is a free mixture.

use crate::{
    cells::{Cell, Cells, FEATURES, usable},
    mixture::Mixture,
    resample::blurred,
};

/// No feature is ever known better than this (natural logarithms).
const LEAST_SIGMA: [f64; FEATURES] = [0.03, 0.03, 0.03, 0.05, 0.05];
/// Parts of the mixtures of sky and land.
const PARTS: [usize; 2] = [2, 5];
/// Numbers that the land's mixture is fitted with: of each part its mean, covariance and share.
pub(crate) const LAND_NUMBERS: u32 = PARTS[1] as u32 * (FEATURES + FEATURES * (FEATURES + 1) / 2 + 1) as u32;
/// How far the sky's surface reaches at its finest, as a part of the picture's width; the coarser ones before it
/// reach two and four times as far.
const REACH: f32 = 0.03;
/// A cell departs from the surface by no more than this, natural logarithm, when it is fitted.
const MOST_AWAY: f32 = 0.5;
/// A share of sky below this within reach tells the surface little.
const LEAST_SHARE: f32 = 0.02;
/// Cells that a side needs at least to be described.
const LEAST_CELLS: usize = 30;

/// Both sides of a border.
pub(crate) struct Sides {
    /// The sky's colour at each cell, where land hides it too; too stiff to follow a crown of twigs.
    pub(crate) stiff: [Vec<f32>; 3],
    sky: Mixture<FEATURES>,
    land: Mixture<FEATURES>,
    /// Likelihoods of each cell, natural logarithms: sky, land.
    logs: Vec<[f32; 2]>,
}

impl Sides {
    /// Fits both sides of a border (cells of sky per column); `None` if one of them is next to empty.
    pub(crate) fn fit(cells: &Cells, border: &[usize]) -> Option<Self> {
        let is_sky = |k: usize| k / cells.width < border[k % cells.width];
        let side = |wanted: bool| -> Vec<usize> {
            let all = 0..cells.cells.len();
            all.filter(|&k| is_sky(k) == wanted && usable(cells, k)).collect()
        };
        let (ups, downs) = (side(true), side(false));
        if ups.len() < LEAST_CELLS || downs.len() < LEAST_CELLS {
            return None;
        }
        let fits: [_; 3] = std::array::from_fn(|c| {
            surface(cells, &|k| {
                (is_sky(k) && usable(cells, k)).then(|| cells.cells[k].colour[c])
            })
        });
        let [stiff, surface] = [0, 1].map(|i| fits.each_ref().map(|f: &[Vec<f32>; 2]| f[i].clone()));
        let off = |k: usize| off_surface(&cells.cells[k], std::array::from_fn(|c| surface[c][k]));
        let free = |k: usize| cells.cells[k].feature();
        let sky = Mixture::fit(
            &ups.into_iter().map(off).collect::<Vec<_>>(),
            PARTS[0],
            LEAST_SIGMA,
        );
        let land = Mixture::fit(
            &downs.into_iter().map(free).collect::<Vec<_>>(),
            PARTS[1],
            LEAST_SIGMA,
        );
        let logs = (0..cells.cells.len()).map(|k| [sky.log_density(off(k)), land.log_density(free(k))]);
        Some(Self {
            logs: logs.collect(),
            stiff,
            sky,
            land,
        })
    }

    /// How much likelier the cell is sky, natural logarithm.
    pub(crate) fn for_sky(&self, k: usize) -> f32 {
        self.logs[k][0] - self.logs[k][1]
    }

    /// Likelihood of a cell on one side, natural logarithm.
    pub(crate) fn log_density(&self, k: usize, sky: bool) -> f32 {
        self.logs[k][usize::from(!sky)]
    }

    /// How much likelier another cell is sky, where the sky's surface is of this colour.
    pub(crate) fn cell_for_sky(&self, cell: &Cell, surface: [f32; 3]) -> f32 {
        self.sky.log_density(off_surface(cell, surface)) - self.land.log_density(cell.feature())
    }
}

/// A picture that is all sky.
pub(crate) struct SkyAlone(Vec<f32>);

impl SkyAlone {
    /// Fits the sky to every usable cell.
    pub(crate) fn fit(cells: &Cells) -> Self {
        let surface: [Vec<f32>; 3] = std::array::from_fn(|c| {
            let [_, supple] = surface(cells, &|k| usable(cells, k).then(|| cells.cells[k].colour[c]));
            supple
        });
        let off = |k: usize| off_surface(&cells.cells[k], std::array::from_fn(|c| surface[c][k]));
        let all = 0..cells.cells.len();
        let seen: Vec<[f32; FEATURES]> = all.clone().filter(|&k| usable(cells, k)).map(off).collect();
        let sky = Mixture::fit(&seen, PARTS[0], LEAST_SIGMA);
        Self(all.map(|k| sky.log_density(off(k))).collect())
    }

    /// Likelihood of a cell, natural logarithm.
    pub(crate) fn log_density(&self, k: usize) -> f32 {
        self.0[k]
    }
}

fn off_surface(cell: &Cell, surface: [f32; 3]) -> [f32; FEATURES] {
    let mut f = cell.feature();
    for c in 0..3 {
        f[c] -= surface[c];
    }
    f
}

/// A surface through scattered cells, from wide to narrow reach, departures held; before the narrowest and after it.
///
/// At each reach it is a local straight line from top to bottom (Cleveland 1979, J. Am. Stat. Assoc. 74, 829): a mean would
/// lag behind a sky that fades towards the horizon, just where the land begins.
fn surface(cells: &Cells, value: &dyn Fn(usize) -> Option<f32>) -> [Vec<f32>; 2] {
    let n = cells.cells.len();
    let down: Vec<f32> = (0..n)
        .map(|k| (k / cells.width) as f32 / cells.width as f32)
        .collect();
    let seen: Vec<f32> = (0..n).map(|k| f32::from(u8::from(value(k).is_some()))).collect();
    let middle = nightloom_fit::median_of((0..n).filter_map(value)).unwrap_or(0.0);
    let mut out = vec![middle; n];
    let mut stiff = Vec::new();
    for times in [4.0, 2.0, 1.0] {
        stiff.clone_from(&out);
        let reach = ((times * REACH * cells.width as f32).round() as usize).max(1);
        let mean = |of: &dyn Fn(usize) -> f32| {
            let values: Vec<f32> = (0..n).map(|k| seen[k] * of(k)).collect();
            blurred(&values, cells.width, reach)
        };
        let away: Vec<f32> = (0..n)
            .map(|k| value(k).map_or(0.0, |v| (v - out[k]).clamp(-MOST_AWAY, MOST_AWAY)))
            .collect();
        let share = mean(&|_| 1.0);
        let (place, value) = (mean(&|k| down[k]), mean(&|k| away[k]));
        let (spread, both) = (mean(&|k| down[k] * down[k]), mean(&|k| down[k] * away[k]));
        // A slope is believed as far as cells over the whole reach tell it.
        let trust = LEAST_SHARE * (reach as f32 / cells.width as f32).powi(2);
        for k in 0..n {
            let weight = share[k] + LEAST_SHARE;
            let at = place[k] / share[k].max(f32::MIN_POSITIVE);
            let covariance = both[k] - at * value[k];
            let variance = (spread[k] - at * place[k]).max(0.0);
            let slope = covariance / (variance + trust);
            out[k] += value[k] / weight + slope * (down[k] - at) * share[k] / weight;
        }
    }
    [stiff, out]
}
