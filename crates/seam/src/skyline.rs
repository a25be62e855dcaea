//! The most likely skyline of a picture: sky above it, land below, whatever they look like.
//!
//! From several first guesses the colours and textures of both sides are fitted and the cheapest border for them is
//! found, in turn until it stays (after Rother, Kolmogorov & Blake 2004, ACM TOG 23, 309). Of the borders that come of
//! this, the one that explains the picture best is kept: by the likelihood of all cells, by the stars, which stand in
//! the sky, and by how sharp the picture is along the border (aurora, clouds, the Milky Way and a town's glow are
//! soft, a ridge is not; after Shen & Wang 2013, Int. J. Adv. Robot. Syst. 10, 362, who choose among borders likewise).

use nightloom_fit::quantile;
use rayon::prelude::*;

use crate::{
    border::BorderCosts,
    cells::{Cell, Cells},
    two_sides::{LAND_NUMBERS, Sides, feature},
};

/// Columns of cells in which the skyline is looked for, at most.
pub(crate) const COLUMNS: usize = 215;
/// Cells next to each other tell much the same: what one cell counts beside the border's links. Common practice, no
/// source; between 0.03 and 0.08 nothing changed on the real pictures looked at.
const CELL_WEIGHT: f32 = 0.05;
/// What it counts while the border is sought, so that the border follows the cells.
const SEEK_WEIGHT: f32 = 0.1;
/// The most that one cell says for either side.
const MOST: f32 = 10.0;
/// A cell that neither side explains is no worse than this.
const LEAST_LOG: f32 = -12.0;
/// Links cost this where the picture is smooth …
const LINK: f32 = 3.0;
/// … and this part of it where it is sharp.
const SHARP_LINK: f32 = 0.05;
/// Steps of the typical size that are sharp.
const SHARP_STEPS: f32 = 3.0;
/// Cells on either side that tell a slope from a step.
const SLOPE_CELLS: usize = 3;
/// Rounds of fitting and seeking.
const ROUNDS: usize = 8;
/// Land shows at most so many star-like points for one in the sky: lamps.
const LAMPS: f32 = 0.25;

/// What the skyline is sought in.
pub(crate) struct Picture<'a> {
    pub(crate) cells: &'a Cells,
    /// Stars were found in the cell.
    pub(crate) starry: &'a [bool],
    /// What is known beside looks: positive for sky, negative for land.
    pub(crate) known: &'a [f32],
}

/// The skyline found and what both sides look like.
pub(crate) struct Skyline {
    /// Cells of sky in each column, from the top.
    pub(crate) border: Vec<usize>,
    pub(crate) sides: Sides,
    /// How well the picture is explained, per column.
    score: f64,
}

/// The most likely skyline; `None` where no land is needed to explain the picture.
pub(crate) fn skyline(picture: &Picture) -> Option<Skyline> {
    let links = Links::of(picture.cells);
    let starts = links.starts(picture.cells);
    let found: Vec<Option<Skyline>> = starts
        .into_par_iter()
        .map(|start| settle(picture, &links, start))
        .collect();
    let best = found
        .into_iter()
        .flatten()
        .reduce(|best, next| if next.score > best.score { next } else { best });
    best.filter(|best| best.score - land_price(picture.cells, &best.border) > sky_alone(picture))
}

/// What a picture's explanation has to gain by land, per column, to be believed: the land's mixture has that many more
/// numbers to fit with (Schwarz 1978, Ann. Statist. 6, 461).
fn land_price(cells: &Cells, border: &[usize]) -> f64 {
    let land: usize = border.iter().map(|b| cells.height - b).sum();
    let looks = (f64::from(CELL_WEIGHT) * land as f64).max(1.0);
    0.5 * f64::from(LAND_NUMBERS) * looks.ln() / cells.width as f64
}

/// How well a sky without land explains the picture, per column, as in [`score`].
fn sky_alone(picture: &Picture) -> f64 {
    let cells = picture.cells;
    let all = vec![cells.height; cells.width];
    let stars = StarOdds::of(picture, &all);
    let looks: f64 = Sides::sky_alone(cells)
        .into_iter()
        .map(|l| f64::from(l.max(LEAST_LOG)))
        .sum();
    let usable = (0..cells.cells.len()).filter(|&k| cells.cells[k].valid >= 0.5);
    let other: f64 = usable
        .map(|k| f64::from(stars.log(k, true) + 0.5 * picture.known[k]))
        .sum();
    (f64::from(CELL_WEIGHT) * looks + other) / cells.width as f64
}

/// Fits and seeks in turn until the border stays.
fn settle(picture: &Picture, links: &Links, mut border: Vec<usize>) -> Option<Skyline> {
    let mut sides = Sides::fit(picture.cells, &border)?;
    for _ in 0..ROUNDS {
        let stars = StarOdds::of(picture, &border);
        let gain = |k: usize| match picture.cells.cells[k].valid >= 0.5 {
            true => SEEK_WEIGHT * sides.for_sky(k).clamp(-MOST, MOST) + stars.for_sky(k) + picture.known[k],
            false => 0.0,
        };
        let costs = links.costs((0..picture.cells.cells.len()).map(gain).collect());
        let next = costs.cheapest();
        if next == border {
            break;
        }
        border = next;
        sides = Sides::fit(picture.cells, &border)?;
    }
    let score = score(picture, links, &border, &sides);
    Some(Skyline { border, sides, score })
}

fn score(picture: &Picture, links: &Links, border: &[usize], sides: &Sides) -> f64 {
    let cells = picture.cells;
    let stars = StarOdds::of(picture, border);
    let mut looks = 0.0;
    let mut other = 0.0;
    for (k, cell) in cells.cells.iter().enumerate().filter(|(_, c)| c.valid >= 0.5) {
        let sky = k / cells.width < border[k % cells.width];
        looks += f64::from(sides.log_density(k, cell, sky).max(LEAST_LOG));
        other +=
            f64::from(stars.log(k, sky)) + 0.5 * f64::from(if sky { 1.0 } else { -1.0 } * picture.known[k]);
    }
    let cut = links.costs(Vec::new()).links_cut(border);
    (f64::from(CELL_WEIGHT) * looks + other - cut) / cells.width as f64
}

/// How much likelier stars are in the sky than star-like points on land.
struct StarOdds<'a> {
    starry: &'a [bool],
    /// Logarithms for sky and land: of a cell without, and with stars.
    logs: [[f32; 2]; 2],
}

impl<'a> StarOdds<'a> {
    fn of(picture: &'a Picture, border: &[usize]) -> Self {
        let cells = picture.cells;
        let mut counts = [[0.5f32, 1.0]; 2];
        for (k, _) in cells.cells.iter().enumerate().filter(|(_, c)| c.valid >= 0.5) {
            let land = usize::from(k / cells.width >= border[k % cells.width]);
            counts[land][0] += f32::from(u8::from(picture.starry[k]));
            counts[land][1] += 1.0;
        }
        let sky = counts[0][0] / counts[0][1];
        let land = (counts[1][0] / counts[1][1]).min(LAMPS * sky);
        Self {
            starry: picture.starry,
            logs: [
                [(1.0 - sky).max(0.01).ln(), 0.0],
                [(1.0 - land).ln(), (land / sky).ln()],
            ],
        }
    }

    fn log(&self, k: usize, sky: bool) -> f32 {
        self.logs[usize::from(!sky)][usize::from(self.starry[k])]
    }

    fn for_sky(&self, k: usize) -> f32 {
        self.log(k, true) - self.log(k, false)
    }
}

/// What parting two neighbours costs.
struct Links {
    width: usize,
    height: usize,
    above: Vec<f32>,
    right: Vec<f32>,
    /// Sharp steps downwards over the typical one.
    steps: Vec<f32>,
}

impl Links {
    fn of(cells: &Cells) -> Self {
        let (width, height) = (cells.width, cells.height);
        let colour = |x: usize, y: usize| {
            let cell = &cells.cells[y * width + x];
            (cell.valid >= 0.5).then_some(cell.colour)
        };
        let at = |k: usize| (k % width, k / width);
        let up = |k: usize| {
            let (x, y) = at(k);
            sharpness(y, height, &|v| colour(x, v))
        };
        let side = |k: usize| {
            let (x, y) = at(k);
            if x + 1 < width {
                sharpness(x + 1, width, &|u| colour(u, y))
            } else {
                None
            }
        };
        let above: Vec<Option<[f32; 2]>> = (0..width * height).map(up).collect();
        let right: Vec<Option<[f32; 2]>> = (0..width * height).map(side).collect();
        let mut all: Vec<f32> = above.iter().chain(&right).flatten().map(|s| s[0]).collect();
        let typical = quantile(&mut all, 0.25).unwrap_or(0.0).max(1e-3);
        let cost = |step: &Option<[f32; 2]>| {
            let smooth = step.map_or(0.5, |s| (-(s[1] / (SHARP_STEPS * typical)).powi(2)).exp());
            LINK * (SHARP_LINK + smooth)
        };
        Self {
            width,
            height,
            right: right.iter().map(cost).collect(),
            steps: above.iter().map(|s| s.map_or(0.0, |s| s[1]) / typical).collect(),
            above: above.iter().map(cost).collect(),
        }
    }

    fn costs(&self, sky_gain: Vec<f32>) -> BorderCosts {
        BorderCosts {
            width: self.width,
            height: self.height,
            sky_gain,
            above: self.above.clone(),
            right: self.right.clone(),
        }
    }

    /// Straight lines at several heights, and the first step of several sizes met from the top.
    fn starts(&self, cells: &Cells) -> Vec<Vec<usize>> {
        let lines = (2..10).map(|k| vec![self.height * k / 10; self.width]);
        let edges = [12.0, 24.0, 48.0].map(|least| {
            let first = |x: usize| {
                (1..self.height)
                    .find(|y| {
                        let k = y * self.width + x;
                        self.steps[k] > least && cells.cells[k].valid >= 0.5
                    })
                    .unwrap_or(self.height)
            };
            (0..self.width).map(first).collect()
        });
        lines.chain(edges).collect()
    }
}

/// How much of the change between `next - 1` and `next` is a step: nothing where the cells round it go on alike.
///
/// The change itself comes first.
fn sharpness(next: usize, end: usize, colour: &dyn Fn(usize) -> Option<[f32; 3]>) -> Option<[f32; 2]> {
    let before = next.checked_sub(1)?;
    let low = before.saturating_sub(SLOPE_CELLS);
    let high = (next + SLOPE_CELLS).min(end - 1);
    let (a, b) = (colour(before)?, colour(next)?);
    let (far_a, far_b) = (colour(low).unwrap_or(a), colour(high).unwrap_or(b));
    let length = |of: &dyn Fn(usize) -> f32| (0..3).map(|c| of(c).powi(2)).sum::<f32>().sqrt();
    let step = length(&|c| b[c] - a[c]);
    let whole = length(&|c| far_b[c] - far_a[c]);
    let even = 1.0 / (high - low).max(1) as f32;
    // A step that falls between two cells shows half of itself in each.
    let share = (step / whole.max(1e-6) - even) / (0.5 - even);
    Some([step, step * share.clamp(0.0, 1.0)])
}

/// What is known of single cells, laid over larger ones.
pub(crate) fn merged<T: Copy>(of: &Cells, by: usize, values: &[T], join: impl Fn(T, T) -> T) -> Vec<T> {
    let (width, height) = (of.width.div_ceil(by), of.height.div_ceil(by));
    (0..width * height)
        .map(|k| {
            let (x0, y0) = (k % width * by, k / width * by);
            let rows = y0..(y0 + by).min(of.height);
            rows.flat_map(|y| &values[y * of.width + x0..y * of.width + (x0 + by).min(of.width)])
                .copied()
                .reduce(&join)
                .unwrap_or(values[0])
        })
        .collect()
}

/// Larger cells, each the mean of the valid ones in it.
pub(crate) fn larger(cells: &Cells, by: usize) -> Cells {
    let weighted = |c: &Cell| {
        let f = feature(c).map(|v| v * c.valid);
        (f, c.valid, 1.0f32)
    };
    let all: Vec<_> = cells.cells.iter().map(weighted).collect();
    let sums = merged(cells, by, &all, |a, b| {
        (std::array::from_fn(|i| a.0[i] + b.0[i]), a.1 + b.1, a.2 + b.2)
    });
    Cells {
        width: cells.width.div_ceil(by),
        height: cells.height.div_ceil(by),
        factor: cells.factor * by,
        cells: sums
            .into_iter()
            .map(|(f, valid, n)| {
                let f = f.map(|v| v / valid.max(1e-6));
                Cell {
                    colour: [f[0], f[1], f[2]],
                    texture: f[3],
                    structure: f[4],
                    valid: valid / n,
                }
            })
            .collect(),
    }
}
