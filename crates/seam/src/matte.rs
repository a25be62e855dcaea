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
    floating,
    land_model::LandModel,
    own_colours::{OwnColours, deep_colours},
    plateau,
    sky_likeness::{self, Likeness, starlit, trail_shows},
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
            deep_model = deep_colours(evidence, &zone, &sky_model, work)?;
        }
        sky_model::take_gaps(&mut cells, &sky_model, land, zone.gaps());
        sky_model = SkyModel::through(&cells, land);
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
            let own = OwnColours {
                evidence,
                zone: &zone,
                sky: &sky_model,
                deep: &deep_model,
            };
            land_model = own.of_core(&likeness, work)?;
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
        plateau::settle(&mut alpha, land);
        if round + 1 < ROUNDS {
            // Far from land a sky that fades fast towards the horizon is sky, however far from the one told it lies.
            let clear = |x, y| zone.at(x, y) & Zone::CLEAR != 0;
            let open = |x, y| (alpha.at(x, y) >= 0.9 || clear(x, y)) && !likeness.starry(x, y);
            let near = |x, y| zone.unclear(x, y, sky_model::FACTOR);
            sky_model::remeasure(&mut cells, land, &open, &near, work)?;
            sky_model = SkyModel::through(&cells, land);
        }
        work.step(0.2 + 0.8 * (round + 1) as f32 / ROUNDS as f32)?;
    }
    let shines = |x: usize, y: usize| {
        let (front, back) = (deep_model.at(x, y), sky_model.at(x, y));
        (0..3).all(|c| front[c] < back[c])
            && starlit(evidence, &sky_model, x, y)
            && trail_shows(evidence, &sky_model, &zone, x, y)
    };
    alpha
        .data_mut()
        .par_chunks_mut(width)
        .enumerate()
        .for_each(|(y, row)| {
            let lit = row.iter_mut().enumerate().filter(|(x, _)| shines(*x, y));
            lit.for_each(|(_, a)| *a = 1.0);
        });
    floating::clear(&mut alpha);
    let own = OwnColours {
        evidence,
        zone: &zone,
        sky: &sky_model,
        deep: &deep_model,
    };
    land_model = own.at_edge(&alpha, work)?;
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
