//! Coarse labels: which cells of the picture are land, which sky.
//!
//! First the most likely skyline, one height per column ([`skyline()`]): sky is above, land hangs together and reaches
//! the bottom. Then, near it, trees that lean over the sky and what else no such line can follow: a minimum cut of
//! E = Σ data(cell, label) + Σ contrast(cell, neighbour) (Boykov & Jolly 2001, ICCV) with the looks of both sides and
//! the distance from the line. Last what hangs in the air becomes sky and what is shut in by land becomes land.

use nightloom_fit::{median, median_and_sigma, median_of, quantile};
use nightloom_raster::Plane;

use crate::{
    Evidence, SeamError, Work,
    cells::{Cells, difference, usable},
    grid_cut::{GridCut, STEPS, neighbour},
    resample,
    skyline::{COLUMNS, Picture, Skyline, skyline},
    topology,
};

/// How the coarse labelling works.
#[derive(Clone, Debug, PartialEq)]
pub struct SeparateSettings {
    /// Cells along the long side of the picture, 64 to 2048 (a cell is never under 4 px).
    pub long_side: usize,
    /// Weight of a smooth border against the data, 0 and more.
    pub smoothness: f32,
    /// Weight of "land below, sky above", 0 to switch it off.
    pub gravity: f32,
    /// Land or sky smaller than this share of the picture is taken for none, 0 to 0.5.
    pub least_share: f32,
}

impl Default for SeparateSettings {
    fn default() -> Self {
        Self {
            long_side: 640,
            smoothness: 3.0,
            gravity: 2.0,
            least_share: 0.004,
        }
    }
}

/// What the picture holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// Land and sky.
    Both,
    /// No land was found: the whole picture is sky.
    SkyOnly,
    /// No sky was found: the whole picture is land.
    LandOnly,
}

/// Coarse labels of land and sky.
#[derive(Clone, Debug)]
pub struct Coarse {
    /// Probability of sky per cell, 0 land to 1 sky.
    pub sky: Plane,
    /// Pixels per cell side.
    pub factor: usize,
    /// What the picture holds.
    pub finding: Finding,
    /// Share of the land frame's valid pixels that is sky, 0 to 1.
    pub sky_fraction: f64,
    /// Mean certainty of the labels, 0.5 guess to 1 certain.
    pub certainty: f64,
    /// What the labels were found from, for hints to start from.
    pub(crate) cells: Cells,
    /// Log-likelihood of sky over land per cell.
    pub(crate) unary: Vec<f32>,
    pub(crate) step: f32,
}

impl Coarse {
    /// Probability of sky at canvas pixel (x, y), bilinear between cells.
    pub fn sky_at(&self, x: usize, y: usize) -> f32 {
        resample::sample_cells(&self.sky, self.factor, x as f32, y as f32)
    }
}

/// Tells land from sky at low resolution.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range,
/// [`SeamError::Empty`] if no pixel of the land picture is finite, [`SeamError::Cancelled`].
pub fn separate(evidence: &Evidence, settings: &SeparateSettings, work: &Work) -> Result<Coarse, SeamError> {
    evidence.check()?;
    settings.check()?;
    work.step(0.0)?;
    let long = evidence.land.width().max(evidence.land.height());
    let factor = long.div_ceil(settings.long_side).max(4);
    let cells = Cells::measure(evidence, factor, work)?;
    if (0..cells.cells.len()).all(|k| !usable(&cells, k)) {
        return Err(SeamError::Empty { what: "land picture" });
    }
    work.step(0.4)?;
    let known = Known::gather(evidence, &cells);
    let by = cells.width.max(cells.height).div_ceil(COLUMNS).max(1);
    let wide = cells.larger(by);
    let picture = Picture {
        cells: &wide,
        starry: &cells.merged(by, &known.starry, |a, b| a || b),
        known: &cells.merged(by, &known.weight, |a, b| a + b),
    };
    let found = skyline(&picture);
    work.step(0.8)?;
    let (mut labels, unary) = match found {
        Some(line) => near_line(&cells, &known, &line, by, settings),
        None => (vec![true; cells.cells.len()], vec![0.0; cells.cells.len()]),
    };
    topology::settle(&cells, &mut labels);
    if labels.iter().all(|&sky| sky) && looks_like_land(&cells, evidence) {
        labels.iter_mut().for_each(|sky| *sky = false);
    }
    Ok(conclude(cells, labels, unary, settings))
}

impl SeparateSettings {
    fn check(&self) -> Result<(), SeamError> {
        let fail = |name, expected, found| {
            Err(SeamError::Setting {
                name,
                expected,
                found,
            })
        };
        if !(64..=2048).contains(&self.long_side) {
            return fail("long_side", "64 to 2048", self.long_side as f64);
        }
        if !(self.smoothness >= 0.0 && self.smoothness.is_finite()) {
            return fail("smoothness", "0 or more", f64::from(self.smoothness));
        }
        if !(self.gravity >= 0.0 && self.gravity.is_finite()) {
            return fail("gravity", "0 or more", f64::from(self.gravity));
        }
        if !(0.0..=0.5).contains(&self.least_share) {
            return fail("least_share", "0 to 0.5", f64::from(self.least_share));
        }
        Ok(())
    }
}

/// What a cell's looks count beside the links of the cut.
const LOOKS: f32 = 0.5;
/// The most that a cell's looks count.
const MOST_LOOKS: f32 = 10.0;
/// What the skyline counts at the cells next to it, and what it counts more for each part of the picture's width
/// away from it: trees lean over, but not far.
const LINE: [f32; 2] = [1.0, 200.0];

/// Labels that follow what no line can, and the evidence for sky they come of.
fn near_line(
    cells: &Cells,
    known: &Known,
    line: &Skyline,
    by: usize,
    settings: &SeparateSettings,
) -> (Vec<bool>, Vec<f32>) {
    let columns = cells.width.div_ceil(by);
    let surfaces: [Plane; 3] = std::array::from_fn(|c| {
        let surface = &line.sides.stiff[c];
        Plane::from_vec(columns, surface.len() / columns, surface.clone())
    });
    let unary = |k: usize| {
        if !usable(cells, k) {
            return 0.0;
        }
        let (x, y) = (k % cells.width, k / cells.width);
        let behind = std::array::from_fn(|c| resample::sample_cells(&surfaces[c], by, x as f32, y as f32));
        let looks = line.sides.cell_for_sky(&cells.cells[k], behind);
        let above = (line.border[x / by] * by) as f32 - (y as f32 + 0.5);
        let side = LINE[0].copysign(above) + LINE[1] * above / cells.width as f32;
        (LOOKS * looks).clamp(-MOST_LOOKS, MOST_LOOKS) + side + known.weight[k] + known.star(k)
    };
    let unary: Vec<f32> = (0..cells.cells.len()).map(unary).collect();
    (cut(cells, &unary, typical_step(cells), settings), unary)
}

/// What is known of cells beside their looks.
struct Known {
    /// Positive speaks for sky.
    weight: Vec<f32>,
    /// Cells in which stars were found.
    starry: Vec<bool>,
}

/// A star-like point near the skyline is a star rather than a lamp.
const STAR: f32 = 1.4;

/// What a cell below the horizon says for land: more than all else.
const BELOW_HORIZON: f32 = 50.0;

impl Known {
    fn gather(evidence: &Evidence, cells: &Cells) -> Self {
        let mut known = Self {
            weight: vec![0.0; cells.cells.len()],
            starry: vec![false; cells.cells.len()],
        };
        for star in evidence.stars {
            let (i, j) = (
                (star[0] / cells.factor as f32) as usize,
                (star[1] / cells.factor as f32) as usize,
            );
            if star[0] >= 0.0 && star[1] >= 0.0 && i < cells.width && j < cells.height {
                known.starry[j * cells.width + i] = true;
            }
        }
        if let Some(places) = evidence.places {
            let middle = |k: usize, n: usize| (k * cells.factor + cells.factor / 2).min(n - 1);
            let size = (evidence.land.width(), evidence.land.height());
            for (k, weight) in known.weight.iter_mut().enumerate() {
                let at = (middle(k % cells.width, size.0), middle(k / cells.width, size.1));
                if places.below(at.0, at.1) {
                    *weight -= BELOW_HORIZON;
                    known.starry[k] = false;
                }
            }
        }
        if let Some(temporal) = &evidence.temporal {
            add_motion(temporal, cells, &mut known.weight);
        }
        known
    }

    fn star(&self, k: usize) -> f32 {
        if self.starry[k] { STAR } else { 0.0 }
    }
}

/// So many values of the temporal planes have to lie in a cell, or none stands out among them.
const LEAST_VALUES: usize = 9;

/// Cells where single pixels change far more than their neighbours' noise hold moving stars.
fn add_motion(temporal: &crate::Temporal, cells: &Cells, weight: &mut [f32]) {
    let variance = temporal.variance;
    let (sx, sy) = (
        variance.width() as f32 / (cells.width * cells.factor) as f32,
        variance.height() as f32 / (cells.height * cells.factor) as f32,
    );
    let side = |k: usize, s: f32| (k as f32 * cells.factor as f32 * s) as usize;
    let mut ratio = vec![f32::NAN; weight.len()];
    let mut values = Vec::new();
    for j in 0..cells.height {
        for i in 0..cells.width {
            values.clear();
            for y in side(j, sy)..side(j + 1, sy).max(side(j, sy) + 1).min(variance.height()) {
                let (x0, x1) = (
                    side(i, sx),
                    side(i + 1, sx).max(side(i, sx) + 1).min(variance.width()),
                );
                values.extend(
                    variance
                        .row(y)
                        .get(x0..x1)
                        .unwrap_or(&[])
                        .iter()
                        .filter(|v| v.is_finite()),
                );
            }
            let peak = values.iter().copied().fold(0.0, f32::max);
            if values.len() < LEAST_VALUES {
                continue;
            }
            if let Some(middle) = median(&mut values) {
                ratio[j * cells.width + i] = peak / middle.max(f32::MIN_POSITIVE);
            }
        }
    }
    let Some((middle, sigma)) = median_and_sigma(&mut ratio.clone()) else {
        return;
    };
    for (w, r) in weight.iter_mut().zip(ratio) {
        if r.is_finite() && sigma > 0.0 && r > middle + 12.0 * sigma {
            *w += 3.0;
        }
    }
}

/// The difference neighbours show where the picture is smooth: the lower quartile.
fn typical_step(cells: &Cells) -> f32 {
    let mut steps = Vec::new();
    for p in 0..cells.cells.len() {
        for d in [4, 6] {
            if let Some(q) = neighbour(cells.width, cells.height, p, d)
                && usable(cells, p)
                && usable(cells, q)
            {
                steps.push(difference(cells, p, q));
            }
        }
    }
    quantile(&mut steps, 0.25).unwrap_or(0.0).max(1e-4)
}

/// Cuts; true where a cell is sky. `step` is the difference that smooth neighbours show.
pub(crate) fn cut(cells: &Cells, unary: &[f32], step: f32, settings: &SeparateSettings) -> Vec<bool> {
    let mut graph = GridCut::new(cells.width, cells.height);
    let scale = 1.0 / (3.0 * step).powi(2);
    for (p, &weight) in unary.iter().enumerate() {
        graph.prefer(p, weight);
        for (d, step) in STEPS.iter().enumerate() {
            let Some(q) = graph.neighbour(p, d) else { continue };
            let far = ((step.0 * step.0 + step.1 * step.1) as f32).sqrt();
            let alike = if usable(cells, p) && usable(cells, q) {
                (-difference(cells, p, q).powi(2) * scale).exp()
            } else {
                0.5
            };
            // `p` sky and `q` land costs contrast; sky *below* land costs gravity on top.
            let upside_down = if step.1 < 0 { settings.gravity / far } else { 0.0 };
            graph.connect(
                p,
                d,
                (settings.smoothness * (0.05 + alike) + upside_down * 0.5) / far,
            );
        }
    }
    graph.cut()
}

/// Structure (see [`Cells`]) of a star-free sky stays below this; of lit land it is mostly above.
const SKY_STRUCTURE: f32 = 0.15;

/// No star, no tracked frame and texture everywhere: a picture of land alone.
fn looks_like_land(cells: &Cells, evidence: &Evidence) -> bool {
    let seen = evidence
        .coverage
        .is_some_and(|c| c.data().iter().any(|&n| n >= 1.0));
    if seen || !evidence.stars.is_empty() {
        return false;
    }
    let valid = (0..cells.cells.len()).filter(|&k| usable(cells, k));
    median_of(valid.map(|k| cells.cells[k].structure)).is_some_and(|m| m > SKY_STRUCTURE)
}

fn conclude(cells: Cells, labels: Vec<bool>, unary: Vec<f32>, settings: &SeparateSettings) -> Coarse {
    let valid: f64 = cells.cells.iter().map(|c| f64::from(c.valid)).sum();
    let share: f64 = cells
        .cells
        .iter()
        .zip(&labels)
        .filter(|(_, s)| **s)
        .map(|(c, _)| f64::from(c.valid))
        .sum();
    let share = share / valid.max(1e-9);
    let least = f64::from(settings.least_share);
    let finding = match share {
        s if s > 1.0 - least => Finding::SkyOnly,
        s if s < least => Finding::LandOnly,
        _ => Finding::Both,
    };
    let (mut sure, mut counted) = (0.0f64, 0.0f64);
    let probability = |i: usize| -> f32 {
        let p = 1.0 / (1.0 + (-unary[i]).exp());
        match (finding, labels[i]) {
            (Finding::SkyOnly, _) => 1.0,
            (Finding::LandOnly, _) => 0.0,
            (_, true) => p.clamp(0.6, 1.0),
            (_, false) => p.clamp(0.0, 0.4),
        }
    };
    let values: Vec<f32> = (0..labels.len()).map(probability).collect();
    for (i, p) in values.iter().enumerate().filter(|(i, _)| usable(&cells, *i)) {
        let right = if labels[i] { *p } else { 1.0 - *p };
        sure += f64::from(right);
        counted += 1.0;
    }
    let sky_fraction = match finding {
        Finding::SkyOnly => 1.0,
        Finding::LandOnly => 0.0,
        Finding::Both => share,
    };
    let sky = Plane::from_vec(cells.width, cells.height, values);
    Coarse {
        sky,
        factor: cells.factor,
        finding,
        sky_fraction,
        certainty: sure / counted.max(1.0),
        step: typical_step(&cells),
        cells,
        unary,
    }
}
