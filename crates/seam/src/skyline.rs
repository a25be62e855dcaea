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
    border::BorderLinks,
    cells::{Cells, usable},
    two_sides::{LAND_NUMBERS, Sides, SkyAlone},
};

/// Columns of cells in which the skyline is looked for, at most.
pub(crate) const COLUMNS: usize = 215;
/// Cells next to each other tell much the same: what one cell counts beside the border's links. No source: of five real
/// photographs 0.03 to 0.05 finds all skylines, at 0.08 the Milky Way over one is taken for land; at 0.04 a lone conifer in
/// a painted night of 85 mm is taken for sky.
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
    let starts = links.starts();
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

/// How well a sky without land explains the picture, per column.
fn sky_alone(picture: &Picture) -> f64 {
    let all = vec![picture.cells.height; picture.cells.width];
    let sky = SkyAlone::fit(picture.cells);
    explained(picture, &all, &|k, _| sky.log_density(k)) / picture.cells.width as f64
}

/// Fits and seeks in turn until the border stays.
fn settle(picture: &Picture, links: &Links, mut border: Vec<usize>) -> Option<Skyline> {
    let cells = picture.cells;
    let mut sides = Sides::fit(cells, &border)?;
    for _ in 0..ROUNDS {
        let stars = StarOdds::of(picture, &border);
        let gain = |k: usize| match usable(cells, k) {
            true => SEEK_WEIGHT * sides.for_sky(k).clamp(-MOST, MOST) + stars.for_sky(k) + picture.known[k],
            false => 0.0,
        };
        let gain: Vec<f32> = (0..cells.cells.len()).map(gain).collect();
        let next = links.border.cheapest(&gain);
        if next == border {
            break;
        }
        border = next;
        sides = Sides::fit(cells, &border)?;
    }
    let looks = explained(picture, &border, &|k, sky| sides.log_density(k, sky));
    let score = (looks - links.border.cut_by(&border)) / cells.width as f64;
    Some(Skyline { border, sides, score })
}

/// How well cells and stars are explained by what is above a border and below it: a logarithm of likelihood.
fn explained(picture: &Picture, border: &[usize], log_density: &dyn Fn(usize, bool) -> f32) -> f64 {
    let cells = picture.cells;
    let stars = StarOdds::of(picture, border);
    let (mut looks, mut other) = (0.0, 0.0);
    for k in (0..cells.cells.len()).filter(|&k| usable(cells, k)) {
        let sky = k / cells.width < border[k % cells.width];
        looks += f64::from(log_density(k, sky).max(LEAST_LOG));
        let side = if sky { 0.5 } else { -0.5 };
        other += f64::from(stars.log(k, sky) + side * picture.known[k]);
    }
    f64::from(CELL_WEIGHT) * looks + other
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
        for k in (0..cells.cells.len()).filter(|&k| usable(cells, k)) {
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
    border: BorderLinks,
    /// Sharp steps downwards over the typical one.
    steps: Vec<f32>,
}

impl Links {
    fn of(cells: &Cells) -> Self {
        let (width, height) = (cells.width, cells.height);
        let colour = |x: usize, y: usize| {
            let k = y * width + x;
            usable(cells, k).then(|| cells.cells[k].colour)
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
            border: BorderLinks {
                width,
                height,
                above: above.iter().map(cost).collect(),
                right: right.iter().map(cost).collect(),
            },
            steps: above.iter().map(|s| s.map_or(0.0, |s| s[1]) / typical).collect(),
        }
    }

    /// Straight lines at several heights, and the first step of several sizes met from the top.
    fn starts(&self) -> Vec<Vec<usize>> {
        let BorderLinks { width, height, .. } = self.border;
        let lines = (2..10).map(|k| vec![height * k / 10; width]);
        let edges = [12.0, 24.0, 48.0].map(|least| {
            let sharp = |x: usize, y: &usize| self.steps[y * width + x] > least;
            let first = |x: usize| (1..height).find(|y| sharp(x, y)).unwrap_or(height);
            (0..width).map(first).collect()
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
