//! Coarse labels: which cells of the picture are land, which sky.
//!
//! Minimises E = Σ data(cell, label) + Σ contrast(cell, neighbour) by a minimum cut (Boykov & Jolly
//! 2001, ICCV), refitting the colours of both sides between cuts (after Rother, Kolmogorov & Blake
//! 2004, ACM TOG 23, 309). The sky's colour is a smooth surface over the picture plus a small
//! mixture, since a night sky changes slowly; the land's is a free mixture.

use nightloom_fit::{median, median_and_sigma, median_of};
use nightloom_raster::Plane;

use crate::{
    Evidence, SeamError, Work,
    cells::Cells,
    grid_cut::{GridCut, STEPS, neighbour},
    mixture::Mixture,
    resample,
    surface::Surface,
};

/// How the coarse labelling works.
#[derive(Clone, Debug, PartialEq)]
pub struct SeparateSettings {
    /// Cells along the long side of the picture, 64 to 2048 (a cell is never under 4 px).
    pub long_side: usize,
    /// Rounds of refitting the colours and cutting again, 1 to 50.
    pub rounds: usize,
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
            rounds: 5,
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
    if cells.cells.iter().all(|c| c.valid < 0.5) {
        return Err(SeamError::Empty { what: "land picture" });
    }
    work.step(0.4)?;
    let hints = Hints::gather(evidence, &cells);
    let mut labels = first_guess(&cells, &hints);
    let mut unary = vec![0.0; labels.len()];
    for round in 0..settings.rounds {
        let Some(fresh) = data_terms(&cells, &hints, &labels) else {
            break;
        };
        unary = fresh;
        let before = std::mem::take(&mut labels);
        labels = cut(&cells, &unary, typical_step(&cells), settings);
        work.step(0.4 + 0.6 * (round + 1) as f32 / settings.rounds as f32)?;
        if labels == before {
            break;
        }
    }
    drop_doubtful_land(&cells, &mut labels);
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
        if !(1..=50).contains(&self.rounds) {
            return fail("rounds", "1 to 50", self.rounds as f64);
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

/// Evidence beside colour, per cell: positive speaks for sky.
struct Hints {
    weight: Vec<f32>,
}

impl Hints {
    fn gather(evidence: &Evidence, cells: &Cells) -> Self {
        let mut weight = vec![0.0f32; cells.cells.len()];
        for star in evidence.stars {
            let (i, j) = (
                (star[0] / cells.factor as f32) as usize,
                (star[1] / cells.factor as f32) as usize,
            );
            if star[0] >= 0.0 && star[1] >= 0.0 && i < cells.width && j < cells.height {
                weight[j * cells.width + i] += 6.0;
            }
        }
        if let Some(temporal) = &evidence.temporal {
            add_motion(temporal, cells, &mut weight);
        }
        Self { weight }
    }
}

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
            if let Some(middle) = median(&mut values) {
                ratio[j * cells.width + i] = peak / middle.max(f32::MIN_POSITIVE);
            }
        }
    }
    let Some((middle, sigma)) = median_and_sigma(&mut ratio.clone()) else {
        return;
    };
    for (w, r) in weight.iter_mut().zip(ratio) {
        if r.is_finite() && r > middle + 12.0 * sigma {
            *w += 3.0;
        }
    }
}

/// Floods from the upper edge (and certain stars) across smooth neighbours; the rest is land.
fn first_guess(cells: &Cells, hints: &Hints) -> Vec<bool> {
    let n = cells.cells.len();
    let step = typical_step(cells);
    let mut sky = vec![false; n];
    let mut stack: Vec<usize> = (0..cells.width).filter(|&i| usable(cells, i)).collect();
    stack.extend((0..n).filter(|&i| hints.weight[i] >= 3.0 && usable(cells, i)));
    // A canvas larger than the land frame: its first valid row is the frame's.
    for i in 0..cells.width {
        if let Some(j) = (0..cells.height).find(|j| usable(cells, j * cells.width + i)) {
            stack.push(j * cells.width + i);
        }
    }
    while let Some(p) = stack.pop() {
        if std::mem::replace(&mut sky[p], true) {
            continue;
        }
        for d in 0..8 {
            let Some(q) = neighbour(cells.width, cells.height, p, d) else {
                continue;
            };
            if !sky[q] && usable(cells, q) && difference(cells, p, q) < 6.0 * step {
                stack.push(q);
            }
        }
    }
    sky
}

pub(crate) fn usable(cells: &Cells, i: usize) -> bool {
    cells.cells[i].valid >= 0.5
}

pub(crate) fn difference(cells: &Cells, p: usize, q: usize) -> f32 {
    let (a, b) = (&cells.cells[p].colour, &cells.cells[q].colour);
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f32>().sqrt()
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
    steps.sort_by(f32::total_cmp);
    steps.get(steps.len() / 4).copied().unwrap_or(0.0).max(1e-4)
}

/// Log-likelihood of sky over land per cell, refitted to the labels; `None` if a side is empty.
fn data_terms(cells: &Cells, hints: &Hints, sky: &[bool]) -> Option<Vec<f32>> {
    let place = |i: usize| {
        [
            (i % cells.width) as f32 / cells.width as f32,
            (i / cells.width) as f32 / cells.height as f32,
        ]
    };
    let side = |wanted: bool| -> Vec<usize> {
        (0..sky.len())
            .filter(|&i| sky[i] == wanted && usable(cells, i))
            .collect()
    };
    let (ups, downs) = (side(true), side(false));
    if ups.len() < 30 || downs.len() < 30 {
        return None;
    }
    let surfaces: Vec<Surface> = (0..3)
        .map(|c| Surface::fit(ups.iter().map(|&i| (place(i), cells.cells[i].colour[c]))))
        .collect();
    let residual = |i: usize| -> [f32; 4] {
        let cell = &cells.cells[i];
        let r = |c: usize| cell.colour[c] - surfaces[c].at(place(i));
        [r(0), r(1), r(2), cell.structure]
    };
    let free = |i: usize| -> [f32; 4] {
        let cell = &cells.cells[i];
        [cell.colour[0], cell.colour[1], cell.colour[2], cell.structure]
    };
    let sky_colours = Mixture::fit(&ups.iter().map(|&i| residual(i)).collect::<Vec<_>>(), 3);
    let land_colours = Mixture::fit(&downs.iter().map(|&i| free(i)).collect::<Vec<_>>(), 5);
    let terms = (0..sky.len()).map(|i| {
        if !usable(cells, i) {
            return 0.0;
        }
        let colour = sky_colours.log_density(residual(i)) - land_colours.log_density(free(i));
        colour.clamp(-10.0, 10.0) + hints.weight[i]
    });
    Some(terms.collect())
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

/// Land that hangs in the air (unless it is large), or that nothing sharp divides from the sky, is sky:
/// a bright star, the Milky Way or a town's light.
fn drop_doubtful_land(cells: &Cells, sky: &mut [bool]) {
    let (width, height) = (cells.width, cells.height);
    let step = typical_step(cells);
    let mut seen = vec![false; sky.len()];
    for start in 0..sky.len() {
        if sky[start] || seen[start] || !usable(cells, start) {
            continue;
        }
        let mut members = vec![start];
        let mut contrasts = Vec::new();
        let mut grounded = false;
        let mut next = 0;
        seen[start] = true;
        while let Some(&p) = members.get(next) {
            next += 1;
            let (i, j) = (p % width, p / width);
            grounded |= j + 1 == height || i == 0 || i + 1 == width;
            for d in 0..8 {
                match neighbour(width, height, p, d) {
                    Some(q) if !usable(cells, q) => grounded |= d >= 3,
                    Some(q) if sky[q] => contrasts.push(difference(cells, p, q)),
                    Some(q) if !seen[q] => {
                        seen[q] = true;
                        members.push(q);
                    }
                    _ => {}
                }
            }
        }
        let hanging = !grounded && members.len() < sky.len() / 50;
        let blurred = median(&mut contrasts).is_some_and(|m| m < SHARP_STEPS * step);
        if hanging || blurred {
            members.iter().for_each(|&p| sky[p] = true);
        }
    }
}

/// How many times the smooth parts' usual step the border of land must show (median).
const SHARP_STEPS: f32 = 6.0;
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
    let valid = cells.cells.iter().filter(|c| c.valid >= 0.5);
    median_of(valid.map(|c| c.structure)).is_some_and(|m| m > SKY_STRUCTURE)
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
