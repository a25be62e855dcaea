//! What a stroke says beyond its own pixels: the region of cells it lies in.
//!
//! A stroke corrects cells whose label is the other one. From those under the brush its region grows over cells
//! of the same wrong label: over all of them if they end within reach (water between its shores), otherwise over those
//! that look like their neighbours and like what the brush covered, and less like the sky round it. A region that
//! finds no end within reach is open (a brush over the wide sky) and the stroke then speaks for itself alone. A
//! minimum cut with the told cells fixed smooths what is left between the regions.

use std::collections::VecDeque;

use nightloom_raster::Plane;

use crate::{
    Coarse, SeparateSettings, Side, Stroke,
    cells::{difference, usable},
    grid_cut::neighbour,
    separate::cut,
    strokes::{Painted, Span},
    surface::Surface,
};

/// Share of a cell under the brush that makes the cell the stroke's.
const TOLD_SHARE: f32 = 0.5;
/// Share of a cell under the brush from which a region grows.
const FROM_SHARE: f32 = 0.3;
/// Neighbours in a region differ by less than this many of the smooth parts' steps …
const NEXT_STEPS: f32 = 4.0;
/// … and all of it from what the brush covered by less than this many, or by three times the covered cells' spread.
const ALL_STEPS: f32 = 10.0;
/// What the brush covered differs from the sky round it by at least so many times its own spread.
const DIFFERS: f32 = 2.0;
/// So many cells tell the sky's smooth surface well enough.
const SKY_CELLS: usize = 10_000;
/// A region that reaches farther from its stroke than this part of the picture's long side is open.
const OPEN_PART: usize = 8;
/// Weight that no evidence outweighs.
const CERTAIN: f32 = 1e3;
/// Weight of a cell of a region.
const REGION: f32 = 30.0;
/// What a cell this near to a region seemed to be counts for little: its neighbour was taken wrongly.
const DOUBT_CELLS: usize = 3;
/// How much it still counts.
const DOUBT: f32 = 0.2;
/// Cells round a group in which the cut may move the labels.
const MARGIN: usize = 6;

/// What strokes say of cells.
#[derive(Clone, Debug)]
pub(crate) struct Said {
    /// The cells under consideration.
    pub(crate) span: Span,
    /// New probability of sky, over `span`.
    pub(crate) sky: Plane,
    /// Cells whose label is another now, over `span`.
    pub(crate) changed: Vec<bool>,
    /// Cells of a region or mostly under the brush, over `span`.
    pub(crate) told: Vec<Option<Side>>,
    /// Cells the brush touched, over `span`.
    pub(crate) brushed: Vec<bool>,
}

/// The cells that one stroke speaks for.
pub(crate) struct Region {
    cells: Vec<usize>,
    /// All cells it touches or speaks for.
    pub(crate) span: Span,
}

fn size(coarse: &Coarse) -> [usize; 2] {
    [coarse.cells.width, coarse.cells.height]
}

/// Share of each cell of `span` under land and sky strokes.
fn shares(coarse: &Coarse, strokes: &[&Stroke], span: Span) -> Vec<[f32; 2]> {
    let f = coarse.factor;
    let pixels = Span {
        x0: span.x0 * f,
        y0: span.y0 * f,
        x1: span.x1 * f,
        y1: span.y1 * f,
    };
    let painted = Painted::over(strokes.iter().copied(), pixels);
    let mut out = vec![[0.0; 2]; span.width() * span.height()];
    let one = 1.0 / (f * f) as f32;
    for y in pixels.y0..pixels.y1 {
        for x in pixels.x0..pixels.x1 {
            if let Some(side) = painted.at(x, y) {
                let cell = (y / f - span.y0) * span.width() + x / f - span.x0;
                out[cell][usize::from(side == Side::Sky)] += one;
            }
        }
    }
    out
}

/// The cells under a stroke; `None` if it lies outside the picture.
pub(crate) fn cells_under(coarse: &Coarse, stroke: &Stroke) -> Option<Span> {
    let f = coarse.factor;
    let [w, h] = size(coarse);
    let pixels = stroke.span([w * f, h * f])?;
    Some(Span {
        x0: pixels.x0 / f,
        y0: pixels.y0 / f,
        x1: pixels.x1.div_ceil(f),
        y1: pixels.y1.div_ceil(f),
    })
}

/// The region that `strokes[which]` speaks for, held up by the strokes of the other side.
pub(crate) fn region(coarse: &Coarse, strokes: &[&Stroke], which: usize) -> Option<Region> {
    let stroke = strokes[which];
    let under = cells_under(coarse, stroke)?;
    let [w, h] = size(coarse);
    let around = under.grown((w.max(h) / OPEN_PART).max(12), [w, h]);
    let search = Search::new(coarse, strokes, stroke, around);
    let own = shares_of(coarse, stroke, under);
    let from: Vec<usize> = own
        .into_iter()
        .filter(|&(k, share)| share >= FROM_SHARE && search.wrong(k))
        .map(|(k, _)| k)
        .collect();
    let found = search
        .grow(&from, &|_, _| true)
        .or_else(|| {
            if stroke.side == Side::Land {
                let haze = Haze::of(coarse, &search, &from)?;
                let told = haze.cut(coarse, &search);
                return search.grow(&from, &|_, q| search.place(q).is_none_or(|at| told[at]));
            }
            let like = Like::of(coarse, &from)?;
            search.grow(&from, &|p, q| {
                like.is(coarse, q) && difference(&coarse.cells, p, q) < NEXT_STEPS * coarse.step
            })
        })
        .unwrap_or_default();
    let span = found.iter().fold(under, |span, k| {
        let (i, j) = (k % w, k / w);
        span.with(Span {
            x0: i,
            y0: j,
            x1: i + 1,
            y1: j + 1,
        })
    });
    Some(Region { cells: found, span })
}

/// Where a region may grow.
struct Search<'a> {
    coarse: &'a Coarse,
    around: Span,
    side: Side,
    /// Cells that the other side's brush touched, over `around`.
    barred: Vec<bool>,
}

impl<'a> Search<'a> {
    fn new(coarse: &'a Coarse, strokes: &[&Stroke], stroke: &Stroke, around: Span) -> Self {
        let near: Vec<&Stroke> = strokes
            .iter()
            .copied()
            .filter(|s| cells_under(coarse, s).is_some_and(|u| u.meets(&around)))
            .collect();
        let other = usize::from(stroke.side == Side::Land);
        let shares = shares(coarse, &near, around);
        Self {
            coarse,
            around,
            side: stroke.side,
            barred: shares.iter().map(|s| s[other] > 0.0).collect(),
        }
    }

    /// A cell that carries the other label, so far.
    fn wrong(&self, k: usize) -> bool {
        usable(&self.coarse.cells, k) && (self.coarse.sky.data()[k] > 0.5) != (self.side == Side::Sky)
    }

    fn place(&self, k: usize) -> Option<usize> {
        let w = self.coarse.cells.width;
        let (i, j) = (k % w, k / w);
        let there = self.around.holds(i, j);
        there.then(|| (j - self.around.y0) * self.around.width() + i - self.around.x0)
    }

    /// All wrong cells joined to these by `step(from, to)`; `None` if they go on beyond reach.
    fn grow(&self, from: &[usize], step: &dyn Fn(usize, usize) -> bool) -> Option<Vec<usize>> {
        let [w, h] = size(self.coarse);
        let mut seen = vec![false; self.barred.len()];
        let mut queue: VecDeque<usize> = from.iter().copied().collect();
        queue
            .iter()
            .filter_map(|&k| self.place(k))
            .for_each(|at| seen[at] = true);
        let mut cells = Vec::new();
        while let Some(p) = queue.pop_front() {
            cells.push(p);
            for q in (0..8).filter_map(|d| neighbour(w, h, p, d)) {
                let at = self.place(q);
                if at.is_some_and(|at| seen[at] || self.barred[at]) || !self.wrong(q) || !step(p, q) {
                    continue;
                }
                seen[at?] = true;
                queue.push_back(q);
            }
        }
        Some(cells)
    }
}

fn shares_of(coarse: &Coarse, stroke: &Stroke, under: Span) -> Vec<(usize, f32)> {
    let shares = shares(coarse, &[stroke], under);
    let cell = |k: usize| (under.y0 + k / under.width()) * coarse.cells.width + under.x0 + k % under.width();
    let all = shares.into_iter().enumerate();
    all.map(|(k, s)| (cell(k), s[0] + s[1])).collect()
}

fn distance(a: [f32; 3], b: [f32; 3]) -> f32 {
    (0..3).map(|c| (a[c] - b[c]).powi(2)).sum::<f32>().sqrt()
}

/// The colours under a brush.
struct Like {
    mean: [f32; 3],
    reach: f32,
}

impl Like {
    /// `None` where the brush covered nothing.
    fn of(coarse: &Coarse, cells: &[usize]) -> Option<Self> {
        let colours: Vec<[f32; 3]> = cells.iter().map(|&k| coarse.cells.cells[k].colour).collect();
        let (mean, spread) = mean_and_spread(&colours)?;
        Some(Self {
            mean,
            reach: (3.0 * spread).max(ALL_STEPS * coarse.step),
        })
    }

    fn is(&self, coarse: &Coarse, k: usize) -> bool {
        distance(coarse.cells.cells[k].colour, self.mean) < self.reach
    }
}

fn mean_and_spread(colours: &[[f32; 3]]) -> Option<([f32; 3], f32)> {
    let n = colours.len() as f32;
    let mean: [f32; 3] = std::array::from_fn(|c| colours.iter().map(|v| v[c]).sum::<f32>() / n);
    let spread = (colours.iter().map(|v| distance(*v, mean).powi(2)).sum::<f32>() / n).sqrt();
    (!colours.is_empty()).then_some((mean, spread))
}

/// What a land brush covered, beyond the smooth sky.
struct Haze {
    surfaces: [Surface; 3],
    size: [f32; 2],
    beyond: [f32; 3],
    spread: f32,
}

impl Haze {
    /// `None` where the brush covered nothing that can be told from the sky.
    fn of(coarse: &Coarse, search: &Search<'_>, from: &[usize]) -> Option<Self> {
        let [w, h] = size(coarse);
        // All the picture's sky: what lies near the stroke may be of what it covered.
        let every = (w * h / SKY_CELLS).max(1);
        let ring: Vec<usize> = (0..w * h).step_by(every).filter(|&k| search.wrong(k)).collect();
        let size = [w as f32, h as f32];
        let place = |k: usize| [(k % w) as f32 / size[0], (k / w) as f32 / size[1]];
        let colour = |k: usize| coarse.cells.cells[k].colour;
        let mut haze = Self {
            surfaces: std::array::from_fn(|c| Surface::fit(ring.iter().map(|&k| (place(k), colour(k)[c])))),
            size,
            beyond: [0.0; 3],
            spread: 0.0,
        };
        let seen: Vec<[f32; 3]> = from.iter().map(|&k| haze.at(coarse, k)).collect();
        let (mean, spread) = mean_and_spread(&seen)?;
        (haze.beyond, haze.spread) = (mean, spread.max(coarse.step));
        (distance(mean, [0.0; 3]) >= DIFFERS * haze.spread).then_some(haze)
    }

    /// What a cell's colour has beyond the smooth sky there.
    fn at(&self, coarse: &Coarse, k: usize) -> [f32; 3] {
        let w = coarse.cells.width;
        let place = [(k % w) as f32 / self.size[0], (k / w) as f32 / self.size[1]];
        let colour = coarse.cells.cells[k].colour;
        std::array::from_fn(|c| colour[c] - self.surfaces[c].at(place))
    }

    /// Which cells of the search belong to what the brush covered: true where they do.
    fn cut(&self, coarse: &Coarse, search: &Search<'_>) -> Vec<bool> {
        let around = search.around;
        let w = coarse.cells.width;
        let weight = |at: usize| -> f32 {
            let k = (around.y0 + at / around.width()) * w + around.x0 + at % around.width();
            if search.barred[at] {
                return CERTAIN;
            }
            if !search.wrong(k) {
                return 0.0;
            }
            let here = self.at(coarse, k);
            let apart = distance(here, self.beyond).powi(2) - distance(here, [0.0; 3]).powi(2);
            // Three channels of one light tell little more than one.
            (apart / (2.0 * self.spread.powi(2))).clamp(-5.0, 5.0)
        };
        let unary: Vec<f32> = (0..search.barred.len()).map(weight).collect();
        let settings = SeparateSettings::default();
        let sky = cut(&coarse.cells.part(around), &unary, coarse.step, &settings);
        sky.into_iter().map(|sky| !sky).collect()
    }
}

/// The new labels that a group of strokes and their regions make.
pub(crate) fn relabel(coarse: &Coarse, strokes: &[&Stroke], regions: &[Region]) -> Option<Said> {
    let [w, h] = size(coarse);
    let all = regions.iter().map(|r| r.span).reduce(Span::with)?;
    let span = all.grown(MARGIN, [w, h]);
    let n = span.width() * span.height();
    let local = |k: usize| (k / w - span.y0) * span.width() + k % w - span.x0;
    let whole = |k: usize| (span.y0 + k / span.width()) * w + span.x0 + k % span.width();
    let shares = shares(coarse, strokes, span);
    let mut told: Vec<Option<Side>> = vec![None; n];
    for (region, stroke) in regions.iter().zip(strokes) {
        region
            .cells
            .iter()
            .for_each(|&k| told[local(k)] = Some(stroke.side));
    }
    let mut hard = vec![false; n];
    for (k, [land, sky]) in shares.iter().enumerate() {
        if land.max(*sky) >= TOLD_SHARE {
            told[k] = Some(if sky > land { Side::Sky } else { Side::Land });
            hard[k] = true;
        }
    }
    let labels = cut_anew(coarse, span, &told, &hard);
    let base = |k: usize| coarse.sky.data()[whole(k)];
    let changed: Vec<bool> = (0..n).map(|k| labels[k] != (base(k) > 0.5)).collect();
    let value = |k: usize| match (changed[k], labels[k]) {
        (false, _) => base(k),
        (true, true) => 0.9,
        (true, false) => 0.1,
    };
    Some(Said {
        span,
        sky: Plane::from_vec(span.width(), span.height(), (0..n).map(value).collect()),
        changed,
        told,
        brushed: shares.iter().map(|s| s[0] + s[1] > 0.0).collect(),
    })
}

/// Labels within a rectangle whose rim keeps the labels it has.
fn cut_anew(coarse: &Coarse, span: Span, told: &[Option<Side>], hard: &[bool]) -> Vec<bool> {
    let (w, h) = (span.width(), span.height());
    let cells = coarse.cells.part(span);
    let marks: Vec<u8> = told.iter().map(|t| u8::from(t.is_some())).collect();
    let doubted = crate::resample::spread_bits(&marks, w, h, DOUBT_CELLS);
    let [all_w, all_h] = size(coarse);
    let weight = |k: usize| -> f32 {
        let (i, j) = (span.x0 + k % w, span.y0 + k / w);
        let base = coarse.sky.at(i, j) > 0.5;
        let sign = |sky: bool| if sky { 1.0 } else { -1.0 };
        // The picture's own border binds nothing.
        let inner = |v: usize, low: usize, high: usize, end: usize| {
            (v > low || v == 0) && (v + 1 < high || v + 1 == end)
        };
        let rim = !inner(i, span.x0, span.x1, all_w) || !inner(j, span.y0, span.y1, all_h);
        let own = coarse.unary.get(j * all_w + i).copied().unwrap_or(0.0);
        match told[k] {
            Some(side) if hard[k] => CERTAIN * sign(side == Side::Sky),
            _ if rim => CERTAIN * sign(base),
            Some(side) => REGION * sign(side == Side::Sky),
            None if doubted[k] != 0 => DOUBT * own,
            // What the first cut made of it was made with all the picture at hand.
            None => own + sign(base),
        }
    };
    let unary: Vec<f32> = (0..w * h).map(weight).collect();
    cut(&cells, &unary, coarse.step, &SeparateSettings::default())
}
