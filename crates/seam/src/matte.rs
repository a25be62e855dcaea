//! The soft edge at full resolution.
//!
//! 1. The night sky behind the edge is known: smooth ([`SkyModel`]). Whatever differs from it by more
//!    than noise *and* hangs on the land is land or edge; a star hangs on nothing.
//! 2. Between land colour F and sky colour B each pixel I = (1 − α)·F + α·B gives α by projection, with
//!    a variance told by noise and by the land's texture.
//! 3. Where that variance is large the neighbours of like colour decide: a sparse linear system
//!    (random walker: Grady 2006, IEEE TPAMI 28, 1768) solved in the unknown band only.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::{
    Coarse, Evidence, Finding, MatteSettings, SeamError, SkyModel, Work,
    band_solve::{self, Solved},
    land_model::LandModel,
    sky_likeness::{self, Likeness, starlit},
    sky_model::{self, SkyCell},
    zone::Zone,
};

/// The soft boundary of land and sky.
#[derive(Clone, Debug)]
pub struct Matte {
    /// 0 land to 1 sky, on the canvas.
    pub alpha: Plane,
    /// The star-free sky of the land picture, as the fixed camera saw it.
    pub sky_model: SkyModel,
    /// Mean of `alpha` over the land frame's valid pixels.
    pub sky_fraction: f64,
    /// Share of pixels that had to be solved for, neither clearly land nor clearly sky.
    pub unknown_fraction: f64,
    /// Distance of land from sky colour along the edge in noise sigmas (median); low is hard.
    pub separation_sigma: f64,
    pub(crate) land_model: Option<LandModel>,
    /// What the sky and the land were measured from, for hints to start from.
    pub(crate) sky_cells: Vec<SkyCell>,
    pub(crate) deep_model: LandModel,
}

impl Matte {
    /// The same matte on another canvas of `width` × `height`, in which this one's first pixel lies at `origin`:
    /// cropped where that is negative, open sky where the canvas reaches beyond. It is no longer one for
    /// [`crate::write_edge`].
    pub fn on_canvas(self, [width, height]: [usize; 2], origin: [i64; 2]) -> Self {
        if (self.alpha.width(), self.alpha.height(), origin) == (width, height, [0, 0]) {
            return self;
        }
        let begun = origin.map(|v| -v as f32);
        let outside = if self.sky_fraction == 0.0 { 0.0 } else { 1.0 };
        Self {
            alpha: self.alpha.placed([width, height], origin, outside),
            sky_model: self.sky_model.begun_at(begun),
            land_model: self.land_model.map(|m| m.begun_at(begun)),
            deep_model: self.deep_model.begun_at(begun),
            sky_cells: Vec::new(),
            ..self
        }
    }
}

/// Rounds of refitting sky and land colours to the matte and solving again.
const ROUNDS: usize = 3;

/// Makes the full-resolution matte from the coarse labels.
///
/// Flat sky comes out as exactly 1, flat land as exactly 0.
///
/// # Errors
/// [`SeamError::Size`] if planes differ in size, [`SeamError::Setting`] for settings out of range,
/// [`SeamError::Cancelled`].
pub fn matte(
    evidence: &Evidence,
    coarse: &Coarse,
    settings: &MatteSettings,
    work: &Work,
) -> Result<Matte, SeamError> {
    evidence.check()?;
    settings.check()?;
    work.step(0.0)?;
    let land = evidence.land;
    let (width, height) = (land.width(), land.height());
    let mut zone = Zone::of(coarse, settings.band_px);
    let mut cells = sky_model::measure(land, &|x, y| zone.at(x, y) & Zone::CLEAR != 0, work)?;
    let mut sky_model = SkyModel::through(&cells, land);
    work.step(0.15)?;
    if coarse.finding != Finding::Both {
        let value = if coarse.finding == Finding::SkyOnly {
            1.0
        } else {
            0.0
        };
        let alpha = Plane::filled(width, height, value);
        let sky_fraction = f64::from(value);
        return Ok(Matte {
            alpha,
            sky_model,
            sky_fraction,
            unknown_fraction: 0.0,
            separation_sigma: 0.0,
            land_model: None,
            sky_cells: cells,
            deep_model: LandModel::default(),
        });
    }
    let mut deep_model = LandModel::default();
    let mut land_model = LandModel::default();
    let mut alpha = Plane::filled(width, height, 1.0);
    let mut solved = Solved {
        unknown: 0,
        separation_sigma: 0.0,
    };
    for round in 0..ROUNDS {
        if zone.grow_into_gaps(evidence, &sky_model) || round == 0 {
            let solid = |x, y| zone.at(x, y) & (Zone::SKY | Zone::NEAR) == 0;
            let deep = |x, y| f32::from(u8::from(solid(x, y) && !starlit(evidence, &sky_model, x, y)));
            deep_model = LandModel::fit(land, &deep, work)?;
        }
        if round == 0 {
            land_model = deep_model.clone();
        }
        let likeness = sky_likeness::compare(
            evidence,
            &sky_model,
            &land_model,
            &zone,
            None,
            settings.threshold_sigma,
            work,
        )?;
        if round > 0 {
            land_model = core_colours(evidence, &likeness, &zone, &sky_model, &deep_model, None, work)?;
        }
        alpha
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                row.iter_mut()
                    .enumerate()
                    .for_each(|(x, a)| *a = likeness.hard(x, y));
            });
        solved = band_solve::solve(evidence, &sky_model, &land_model, settings, &mut alpha, work)?;
        if round + 1 < ROUNDS {
            let open = |x, y| alpha.at(x, y) >= 0.9 && !likeness.starry(x, y);
            let near = |x, y| zone.unclear(x, y, sky_model::FACTOR);
            sky_model::remeasure(&mut cells, land, &open, &near, work)?;
            sky_model = SkyModel::through(&cells, land);
        }
        work.step(0.2 + 0.8 * (round + 1) as f32 / ROUNDS as f32)?;
    }
    let shines = |x: usize, y: usize| {
        let (front, back) = (deep_model.at(x, y), sky_model.at(x, y));
        (0..3).all(|c| front[c] < back[c]) && starlit(evidence, &sky_model, x, y)
    };
    alpha
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            let lit = row.iter_mut().enumerate().filter(|(x, _)| shines(*x, y));
            lit.for_each(|(_, a)| *a = 1.0);
        });
    land_model = edge_colours(evidence, &alpha, &zone, &sky_model, &deep_model, work)?;
    let sky_fraction = mean_over_valid(&alpha, evidence);
    let unknown_fraction = solved.unknown as f64 / (width * height) as f64;
    Ok(Matte {
        alpha,
        sky_model,
        sky_fraction,
        unknown_fraction,
        separation_sigma: solved.separation_sigma,
        land_model: Some(land_model),
        sky_cells: cells,
        deep_model,
    })
}

/// The mean colours of all that is land, for the land's colours at its edge.
///
/// Hearts of twigs, which the matte is told by, lie off the mean on purpose.
pub(crate) fn edge_colours(
    evidence: &Evidence,
    alpha: &Plane,
    zone: &Zone,
    sky: &SkyModel,
    deep: &LandModel,
    work: &Work,
) -> Result<LandModel, SeamError> {
    let solid = zone.beside_solid(SOLID_PX);
    let opaque = |x, y| match alpha.at(x, y) < OPAQUE && !starlit(evidence, sky, x, y) {
        true if solid(x, y) => 1.0,
        // Where sky shines through all over, what seems opaque is so no more than its heart.
        true => core_weight(evidence, sky, deep, [x, y], HEART_PX[1], None),
        false => 0.0,
    };
    LandModel::fit(evidence.land, &opaque, work)
}

/// Land's own colours near the edge, from what surely hangs on it.
///
/// Twigs have colours of their own: they are taken from the heart of each.
pub(crate) fn core_colours(
    evidence: &Evidence,
    likeness: &Likeness,
    zone: &Zone,
    sky: &SkyModel,
    deep: &LandModel,
    hearts: Option<&Hearts>,
    work: &Work,
) -> Result<LandModel, SeamError> {
    let solid = zone.beside_solid(SOLID_PX);
    let reach = |x, y| HEART_PX[usize::from(!solid(x, y))];
    let core = |x, y| {
        if starlit(evidence, sky, x, y) {
            0.0
        } else if likeness.deep_land(x, y) || likeness.told_land(x, y) {
            1.0
        } else if likeness.on_land(x, y) {
            core_weight(evidence, sky, deep, [x, y], reach(x, y), hearts)
        } else {
            0.0
        }
    };
    LandModel::fit(evidence.land, &core, work)
}

/// Alpha below which a pixel's colour goes into the land's mean for edge colours: a tenth of a bright
/// sky would already outshine dark land.
const OPAQUE: f32 = 0.02;

/// Share of the way from sky to deep land beyond which a colour is taken for land's own.
const MOSTLY_LAND: f32 = 0.8;

/// Land this near to ground that lets no sky through is taken for solid, pixels.
const SOLID_PX: usize = 48;
/// How far around a pixel may be more land than it is, at solid land and in a crown. In a crown hardly a
/// pixel is free of sky, and the mean of those that seem so would still carry a tenth of it.
const HEART_PX: [usize; 2] = [2, 8];

/// Whether a pixel shows land's own colour: of all its neighbours within `reach` it differs most from
/// the sky (or nearly so), and it lies as far from it as the deep land does, or quite elsewhere (not
/// simply brighter, if that can be a star).
fn core_weight(
    evidence: &Evidence,
    sky: &SkyModel,
    deep: &LandModel,
    [x, y]: [usize; 2],
    reach: usize,
    hearts: Option<&Hearts>,
) -> f32 {
    let here = away(evidence, sky, x, y);
    let (colour, back, front) = (evidence.land.at(x, y), sky.at(x, y), deep.at(x, y));
    let noise: [f32; 3] = std::array::from_fn(|c| sky.noise_at(c, back[c]));
    let [mut along, mut across, mut length] = [0.0f32, 1e-6, 0.0];
    for c in 0..3 {
        let (d, r) = ((front[c] - back[c]) / noise[c], (colour[c] - back[c]) / noise[c]);
        along += d * r;
        across += d * d;
        length += r * r;
    }
    let share = along / across;
    let aside = (length - share * along).max(0.0);
    let brighter = share < -0.3 && !evidence.trails_left();
    let elsewhere = aside > 0.5 * across + 25.0 || brighter;
    if !here.is_finite() || (share < MOSTLY_LAND && !elsewhere) {
        return 0.0;
    }
    if let Some(most) = hearts {
        return if here >= 0.9 * most.at(reach, x, y) {
            1.0
        } else {
            0.0
        };
    }
    let (x1, y1) = (
        (x + 1 + reach).min(evidence.land.width()),
        (y + 1 + reach).min(evidence.land.height()),
    );
    let most = (y.saturating_sub(reach)..y1)
        .flat_map(|v| (x.saturating_sub(reach)..x1).map(move |u| (u, v)))
        .map(|(u, v)| away(evidence, sky, u, v))
        .fold(0.0, f32::max);
    if here >= 0.9 * most { 1.0 } else { 0.0 }
}

/// How far a pixel's colour lies from the sky behind it, in sigmas, channels added up.
fn away(evidence: &Evidence, sky: &SkyModel, x: usize, y: usize) -> f32 {
    let (colour, back) = (evidence.land.at(x, y), sky.at(x, y));
    (0..3)
        .map(|c| (colour[c] - back[c]).abs() / sky.noise_at(c, back[c]))
        .sum()
}

/// The farthest from the sky in each pixel's neighbourhood, worked out for all of a small picture at once.
pub(crate) struct Hearts([Plane; 2]);

impl Hearts {
    pub(crate) fn of(evidence: &Evidence, sky: &SkyModel) -> Self {
        let (width, height) = (evidence.land.width(), evidence.land.height());
        let mut own = Plane::filled(width, height, 0.0);
        let rows = own.data_mut().par_chunks_mut(width).enumerate();
        rows.for_each(|(y, row)| {
            row.iter_mut()
                .enumerate()
                .for_each(|(x, v)| *v = away(evidence, sky, x, y));
        });
        Self(HEART_PX.map(|reach| most_around(&own, reach)))
    }

    fn at(&self, reach: usize, x: usize, y: usize) -> f32 {
        self.0[usize::from(reach == HEART_PX[1])].at(x, y)
    }
}

/// The largest value in a square about each pixel, at least 0; what is no number counts for nothing.
fn most_around(plane: &Plane, reach: usize) -> Plane {
    let (width, height) = (plane.width(), plane.height());
    let mut across = Plane::filled(width, height, 0.0);
    let rows = across.data_mut().par_chunks_mut(width).enumerate();
    rows.for_each(|(y, row)| {
        let from = plane.row(y);
        for (x, out) in row.iter_mut().enumerate() {
            let near = &from[x.saturating_sub(reach)..(x + reach + 1).min(width)];
            *out = near.iter().copied().fold(0.0, f32::max);
        }
    });
    let mut out = Plane::filled(width, height, 0.0);
    let rows = out.data_mut().par_chunks_mut(width).enumerate();
    rows.for_each(|(y, row)| {
        for v in y.saturating_sub(reach)..(y + reach + 1).min(height) {
            row.iter_mut()
                .zip(across.row(v))
                .for_each(|(out, v)| *out = out.max(*v));
        }
    });
    out
}

pub(crate) fn mean_over_valid(alpha: &Plane, evidence: &Evidence) -> f64 {
    let rows: Vec<(f64, u64)> = (0..alpha.height())
        .into_par_iter()
        .map(|y| {
            let valid = evidence.land.planes()[1]
                .row(y)
                .iter()
                .zip(alpha.row(y))
                .filter(|(v, _)| v.is_finite());
            valid.fold((0.0, 0), |(s, n), (_, &a)| (s + f64::from(a), n + 1))
        })
        .collect();
    let (sum, n) = rows.iter().fold((0.0, 0), |(s, n), r| (s + r.0, n + r.1));
    if n == 0 { 0.0 } else { sum / n as f64 }
}

impl Likeness {
    /// What is certain before solving: 1 sky, 0 land, NaN unknown.
    pub(crate) fn hard(&self, x: usize, y: usize) -> f32 {
        match self.state(x, y) {
            sky_likeness::State::Sky => 1.0,
            sky_likeness::State::Land => 0.0,
            sky_likeness::State::Unknown => f32::NAN,
        }
    }
}
