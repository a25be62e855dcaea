//! The matte solved anew where the photographer's hints reach, and nowhere else.
//!
//! The matte without hints stays as it is but for windows round the strokes. In each, the cells are labelled again
//! ([`crate::relabel`]) and the pixels solved again as in [`crate::matte`], brushed ones fixed, the rest of the window
//! against the old values round it. So a hint never changes the matte far away, a window takes a fraction of the time of the
//! whole, and the result depends on evidence and strokes alone, not on the order of looking.

use nightloom_raster::{Plane, Rgb};

use crate::{
    Coarse, Evidence, Finding, Matte, MatteSettings, SeamError, Side, SkyModel, Stroke, Work, band_solve,
    land_model::LandModel,
    matte::mean_over_valid,
    own_colours::{OwnColours, deep_colours},
    relabel::{Said, region, relabel},
    resample, sky_likeness,
    sky_model::{self, SkyCell},
    strokes::{Painted, Span},
    zone::Zone,
};

/// Rounds of refitting the colours to the window's matte and solving again.
const ROUNDS: usize = 2;
/// A told cell whose pixels look like the sky by this share cannot be told from it pixel by pixel.
const SKY_LIKE: f32 = 0.5;
/// Cells of margin that the window's models see beyond what is solved.
const BEYOND: usize = 6;

/// Strokes that reach into each other, and the cells they speak for.
#[derive(Clone, Debug)]
pub struct HintGroup {
    /// Which of the strokes, in their order.
    pub members: Vec<usize>,
    said: Said,
}

/// A window of the matte, solved again.
#[derive(Clone, Debug)]
pub struct Patch {
    /// Where its first pixel lies in the canvas.
    pub origin_px: [usize; 2],
    /// 0 land to 1 sky; what the hints do not reach has the old values.
    pub alpha: Plane,
    /// Cells of the sky's level that were measured anew.
    cells: Vec<(usize, SkyCell)>,
    said: Said,
}

/// Sorts strokes into groups that can be solved by themselves. Strokes outside the picture are left out.
///
/// `coarse` is what [`crate::separate()`] found without hints.
pub fn group_strokes(coarse: &Coarse, strokes: &[Stroke], settings: &MatteSettings) -> Vec<HintGroup> {
    let all: Vec<&Stroke> = strokes.iter().collect();
    let mut sets: Vec<(Vec<usize>, Span)> = Vec::new();
    let size = [coarse.cells.width, coarse.cells.height];
    let reach = reach_cells(coarse, settings) + 6;
    for which in 0..all.len() {
        let Some(region) = region(coarse, &all, which) else {
            continue;
        };
        let mut set = (vec![which], region.span.grown(reach, size));
        // A set that grew by joining may now reach others.
        while let Some(at) = sets.iter().position(|s| s.1.meets(&set.1)) {
            let other = sets.swap_remove(at);
            set.0.extend(other.0);
            set.1 = set.1.with(other.1);
        }
        sets.push(set);
    }
    sets.iter_mut().for_each(|s| s.0.sort_unstable());
    sets.sort_by_key(|s| s.0[0]);
    let group = |(members, _): (Vec<usize>, Span)| {
        let own: Vec<&Stroke> = members.iter().map(|&i| all[i]).collect();
        let regions: Vec<_> = (0..own.len()).filter_map(|i| region(coarse, &own, i)).collect();
        let said = relabel(coarse, &own, &regions)?;
        Some(HintGroup { members, said })
    };
    sets.into_iter().filter_map(group).collect()
}

fn reach_cells(coarse: &Coarse, settings: &MatteSettings) -> usize {
    settings.band_px.div_ceil(coarse.factor) + 2
}

/// Solves one group's window. `coarse` and `matte` are what was found without hints.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range,
/// [`SeamError::Cancelled`].
pub fn solve_group(
    evidence: &Evidence,
    coarse: &Coarse,
    matte: &Matte,
    strokes: &[Stroke],
    group: &HintGroup,
    settings: &MatteSettings,
    work: &Work,
) -> Result<Patch, SeamError> {
    evidence.check()?;
    let land = evidence.land;
    let size = (land.width(), land.height());
    SeamError::check_size("matte", size, (matte.alpha.width(), matte.alpha.height()))?;
    let window = Window::of(coarse, group, settings, size);
    let own = group.members.iter().filter_map(|&i| strokes.get(i));
    let painted = Painted::over(own, window.pixels);
    let picture = part(land, window.pixels);
    let inside = Evidence {
        temporal: None,
        sky: None,
        coverage: None,
        stars: &[],
        places: None,
        ..Evidence {
            land: &picture,
            ..*evidence
        }
    };
    let solver = Solver {
        whole: evidence,
        inside,
        matte,
        settings,
        work,
        window,
        painted: painted.moved_to_origin(),
    };
    let (alpha, cells) = solver.solve(coarse, &group.said)?;
    Ok(Patch {
        origin_px: [solver.window.pixels.x0, solver.window.pixels.y0],
        alpha,
        cells,
        said: group.said.clone(),
    })
}

/// What of the canvas is looked at.
struct Window {
    /// In cells of the coarse labels.
    cells: Span,
    pixels: Span,
    /// Cells whose pixels may change.
    open: Vec<bool>,
    /// Labels of the window's cells.
    coarse: Plane,
    factor: usize,
}

impl Window {
    fn of(coarse: &Coarse, group: &HintGroup, settings: &MatteSettings, size: (usize, usize)) -> Self {
        let said = &group.said;
        let all = [coarse.cells.width, coarse.cells.height];
        let reach = reach_cells(coarse, settings);
        let cells = said.span.grown(reach + BEYOND, all);
        let f = coarse.factor;
        let pixels = Span {
            x0: cells.x0 * f,
            y0: cells.y0 * f,
            x1: (cells.x1 * f).min(size.0),
            y1: (cells.y1 * f).min(size.1),
        };
        let (w, h) = (cells.width(), cells.height());
        let inner = |k: usize| -> Option<usize> {
            let (i, j) = (cells.x0 + k % w, cells.y0 + k / w);
            said.span
                .holds(i, j)
                .then(|| (j - said.span.y0) * said.span.width() + i - said.span.x0)
        };
        let touched =
            |k: usize| inner(k).is_some_and(|q| said.changed[q] || said.brushed[q] || said.told[q].is_some());
        let marks: Vec<u8> = (0..w * h).map(|k| u8::from(touched(k))).collect();
        let open = resample::spread_bits(&marks, w, h, reach);
        let label = |k: usize| match inner(k) {
            Some(q) => said.sky.data()[q],
            None => coarse.sky.at(cells.x0 + k % w, cells.y0 + k / w),
        };
        Self {
            cells,
            pixels,
            open: open.into_iter().map(|b| b != 0).collect(),
            coarse: Plane::from_vec(w, h, (0..w * h).map(label).collect()),
            factor: f,
        }
    }

    /// Whether a pixel of the window may change.
    fn is_open(&self, x: usize, y: usize) -> bool {
        self.open[y / self.factor * self.cells.width() + x / self.factor]
    }

    /// The zone of the window's labels: what was said of whole cells stands, and brushed ones are looked at.
    fn zone(&self, said: &Said, evidence: &Evidence, sky: &SkyModel, settings: &MatteSettings) -> Zone {
        let w = self.cells.width();
        let labels = &self.coarse;
        let mut zone = Zone::over(labels, self.factor, settings.band_px);
        let at = |q: usize| {
            let (i, j) = (
                said.span.x0 + q % said.span.width(),
                said.span.y0 + q / said.span.width(),
            );
            (j - self.cells.y0) * w + i - self.cells.x0
        };
        let reach = settings.band_px.div_ceil(self.factor) + 1;
        let mut marks = vec![0u8; labels.data().len()];
        for q in (0..said.brushed.len()).filter(|&q| said.brushed[q]) {
            marks[at(q)] = 1;
        }
        let near = resample::spread_bits(&marks, w, self.cells.height(), reach);
        (0..near.len())
            .filter(|&k| near[k] != 0)
            .for_each(|k| zone.look_at(k));
        for (q, side) in surely_told(said) {
            let k = at(q);
            if side == Side::Sky || zone.alike(k, evidence, sky) > SKY_LIKE {
                zone.tell(k);
            }
        }
        zone
    }
}

/// Told cells whose neighbours were all told the same.
fn surely_told(said: &Said) -> Vec<(usize, Side)> {
    let (w, h) = (said.span.width(), said.span.height());
    let code = |t: &Option<Side>| match t {
        Some(Side::Land) => 1,
        Some(Side::Sky) => 2,
        None => 4,
    };
    let marks: Vec<u8> = said.told.iter().map(code).collect();
    let around = resample::spread_bits(&marks, w, h, 1);
    let sure = |(q, bits): (usize, &u8)| match bits {
        1 => Some((q, Side::Land)),
        2 => Some((q, Side::Sky)),
        _ => None,
    };
    around.iter().enumerate().filter_map(sure).collect()
}

struct Solver<'a> {
    whole: &'a Evidence<'a>,
    inside: Evidence<'a>,
    matte: &'a Matte,
    settings: &'a MatteSettings,
    work: &'a Work<'a>,
    window: Window,
    painted: Painted,
}

impl Solver<'_> {
    fn solve(&self, coarse: &Coarse, said: &Said) -> Result<(Plane, Vec<(usize, SkyCell)>), SeamError> {
        let Span { x0, y0, .. } = self.window.pixels;
        let (land, work) = (self.inside.land, self.work);
        let mut cells = self.matte.sky_cells.clone();
        let mut sky = self.matte.sky_model.from(x0, y0);
        let mut zone = self.window.zone(said, &self.inside, &sky, self.settings);
        // Where no cell changed sides the sky behind is known already.
        let relabelled = said.changed.iter().any(|c| *c) || coarse.finding != Finding::Both;
        if relabelled {
            let clear = |x: usize, y: usize| {
                zone.at(x, y) & Zone::CLEAR != 0 && self.painted.at(x, y) != Some(Side::Land)
            };
            sky = self.sky_through(&mut cells, &clear)?;
        }
        let mut deep = LandModel::default();
        let mut front = LandModel::default();
        let mut alpha = Plane::filled(land.width(), land.height(), 0.0);
        for round in 0..ROUNDS {
            if zone.grow_into_gaps(&self.inside, &sky) || round == 0 {
                deep = deep_colours(&self.inside, &zone, &sky, work)?.or(&self.matte.deep_model.from(x0, y0));
            }
            if round == 0 {
                front = deep.clone();
            }
            let compared = |front: &LandModel| {
                let threshold = self.settings.threshold_sigma;
                sky_likeness::compare(
                    &self.inside,
                    &sky,
                    front,
                    &zone,
                    Some(&self.painted),
                    threshold,
                    work,
                )
            };
            let likeness = compared(&front)?;
            if round > 0 {
                let own = OwnColours {
                    evidence: &self.inside,
                    zone: &zone,
                    sky: &sky,
                    deep: &deep,
                };
                let core = own.of_core(&likeness, work)?;
                front = core.or(&deep);
            }
            for y in 0..land.height() {
                for (x, a) in alpha.row_mut(y).iter_mut().enumerate() {
                    *a = if self.window.is_open(x, y) {
                        likeness.hard(x, y)
                    } else {
                        self.matte.alpha.at(x0 + x, y0 + y)
                    };
                }
            }
            band_solve::solve(&self.inside, &sky, &front, self.settings, &mut alpha, work)?;
            if round + 1 < ROUNDS && relabelled {
                let open = |x: usize, y: usize| alpha.at(x, y) >= 0.9 && !likeness.starry(x, y);
                sky = self.sky_through(&mut cells, &open)?;
            }
        }
        let fresh = self.touched_cells();
        let cells = fresh.into_iter().map(|k| (k, cells[k])).collect();
        Ok((alpha, cells))
    }

    /// Indices of the sky's cells that lie wholly in the window and touch what may change.
    fn touched_cells(&self) -> Vec<usize> {
        let across = self.whole.land.width().div_ceil(sky_model::FACTOR);
        let Span { x0, y0, x1, y1 } = self.window.pixels;
        let f = sky_model::FACTOR;
        let mut out = Vec::new();
        for j in y0.div_ceil(f)..y1 / f {
            for i in x0.div_ceil(f)..x1 / f {
                let (x, y) = (i * f - x0, j * f - y0);
                if [(0, 0), (f - 1, 0), (0, f - 1), (f - 1, f - 1)]
                    .iter()
                    .any(|(u, v)| self.window.is_open(x + u, y + v))
                {
                    out.push(j * across + i);
                }
            }
        }
        out
    }

    /// The sky through the window's cells measured anew and the others as they were.
    fn sky_through(
        &self,
        cells: &mut [SkyCell],
        is_sky: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> Result<SkyModel, SeamError> {
        let Span { x0, y0, .. } = self.window.pixels;
        let across = self.whole.land.width().div_ceil(sky_model::FACTOR);
        let mut touched = vec![false; cells.len()];
        self.touched_cells().into_iter().for_each(|k| touched[k] = true);
        let f = sky_model::FACTOR;
        let named = |x: usize, y: usize| touched[y / f * across + x / f];
        let there = |x: usize, y: usize| is_sky(x - x0, y - y0);
        sky_model::remeasure(cells, self.whole.land, &there, &named, self.work)?;
        Ok(SkyModel::through(cells, self.whole.land).from(x0, y0))
    }
}

fn part(picture: &Rgb, span: Span) -> Rgb {
    let cut = |plane: &Plane| {
        let rows = (span.y0..span.y1).flat_map(|y| &plane.row(y)[span.x0..span.x1]);
        Plane::from_vec(span.width(), span.height(), rows.copied().collect())
    };
    Rgb::from_planes(picture.planes().each_ref().map(cut))
}

/// Lays patches into a matte and brings what the later steps need of it up to date.
///
/// # Errors
/// [`SeamError::Cancelled`].
pub fn apply(
    evidence: &Evidence,
    coarse: &mut Coarse,
    matte: &mut Matte,
    patches: &[Patch],
    settings: &MatteSettings,
    work: &Work,
) -> Result<(), SeamError> {
    for patch in patches {
        let [x0, y0] = patch.origin_px;
        for y in 0..patch.alpha.height() {
            let row = patch.alpha.row(y);
            matte.alpha.row_mut(y0 + y)[x0..x0 + row.len()].copy_from_slice(row);
        }
        for (k, cell) in &patch.cells {
            matte.sky_cells[*k] = *cell;
        }
        let said = &patch.said;
        for (q, value) in said.sky.data().iter().enumerate() {
            *coarse.sky.at_mut(
                said.span.x0 + q % said.span.width(),
                said.span.y0 + q / said.span.width(),
            ) = *value;
        }
    }
    if patches.is_empty() {
        return Ok(());
    }
    matte.sky_model = SkyModel::through(&matte.sky_cells, evidence.land);
    matte.sky_fraction = mean_over_valid(&matte.alpha, evidence);
    coarse.finding = match matte.sky_fraction {
        f if f >= 1.0 => Finding::SkyOnly,
        f if f <= 0.0 => Finding::LandOnly,
        _ => Finding::Both,
    };
    coarse.sky_fraction = matte.sky_fraction;
    let mut zone = Zone::of(coarse, settings.band_px);
    zone.grow_into_gaps(evidence, &matte.sky_model);
    matte.deep_model = deep_colours(evidence, &zone, &matte.sky_model, work)?;
    let own = OwnColours {
        evidence,
        zone: &zone,
        sky: &matte.sky_model,
        deep: &matte.deep_model,
    };
    let colours = own.at_edge(&matte.alpha, work)?;
    matte.land_model = (coarse.finding == Finding::Both).then_some(colours);
    Ok(())
}
