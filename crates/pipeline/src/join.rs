//! Land and sky meet: brightness, fill, land colours at the edge.

use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{
    FillReport, FillSettings, ForegroundSettings, Gap, Matte, SmoothSky, ToneMatch, ToneMatchSettings,
    VeilLevel, Work, compose_row, fill_sky, foreground, match_sky,
};

use nightloom_stack::{BackgroundModel, VEIL_CELL};
use rayon::prelude::*;

use nightloom_journal::{Bench, BuildError};

/// Land and sky on one scale, ready to be laid over each other.
pub(super) struct Joined {
    /// Land's own colours, continued behind the edge.
    pub(super) land: Rgb,
    /// Complete sky.
    pub(super) sky: Rgb,
    /// 0 land to 1 sky.
    pub(super) alpha: Plane,
    /// What was filled of the sky.
    pub(super) fill: FillReport,
    /// How land and sky were brought together.
    pub(super) tone: ToneMatch,
}

/// Joins the two. All planes are of the canvas's size. Sky that no tracked frame saw is filled without stars: those of the
/// land frames are trails. `veil` is the level of what was seen through land, `smooth` the sky's light behind land, where it is
/// known.
pub(super) fn join(
    bench: &Bench<'_>,
    land: Rgb,
    mut sky: Rgb,
    (coverage, veil): (&Plane, Option<&Rgb>),
    matte: Matte,
    known_gain: Option<[f32; 3]>,
    smooth: Option<&BackgroundModel>,
) -> Result<Joined, BuildError> {
    bench.show("Matching land and sky", 0.0, "")?;
    let settings = ToneMatchSettings {
        known_gain,
        ..ToneMatchSettings::default()
    };
    let tone = match_sky(&land, &sky, &matte.alpha, coverage, &settings).map_err(internal)?;
    let smooth = smooth.map(|model| |c: usize, x: usize, y: usize| model.at(c, x, y));
    let level =
        veil.map(|levels| |c: usize, x: usize, y: usize| levels.planes()[c].at(x / VEIL_CELL, y / VEIL_CELL));
    let gap = Gap {
        coverage,
        matte: &matte,
        tone: &tone,
        veil: level.as_ref().map(|l| l as &VeilLevel<'_>),
        smooth: smooth.as_ref().map(|s| s as &SmoothSky<'_>),
    };
    let fill = with_work(bench, "Filling the sky over the ridge", |work| {
        fill_sky(&mut sky, &gap, &FillSettings::default(), work)
    })?;
    let mut land = with_work(bench, "Freeing the land's edge of old sky", |work| {
        foreground(land, &matte, &ForegroundSettings::default(), work)
    })?;
    tone.apply(&mut land, false);
    Ok(Joined {
        land,
        sky,
        alpha: matte.alpha,
        fill,
        tone,
    })
}

fn internal(error: impl std::fmt::Display) -> BuildError {
    BuildError::Internal {
        what: error.to_string(),
    }
}

/// Runs a step of the seam under the world's progress and cancellation.
pub(super) fn with_work<T>(
    bench: &Bench<'_>,
    stage: &str,
    step: impl FnOnce(&Work<'_>) -> Result<T, nightloom_seam::SeamError>,
) -> Result<T, BuildError> {
    bench.show(stage, 0.0, "")?;
    let progress = |done: f32| bench.tell(stage, f64::from(done), "");
    let work = Work {
        cancelled: bench.world.cancelled(),
        progress: &progress,
    };
    step(&work).map_err(|e| bench.go_on().err().unwrap_or_else(|| internal(e)))
}

impl Joined {
    /// Linear luminance of the joined picture, for measuring the step across the join.
    pub(super) fn luminance(&self) -> Plane {
        let Self { land, sky, alpha, .. } = self;
        let mut out = Plane::filled(alpha.width(), alpha.height(), 0.0);
        out.data_mut()
            .par_chunks_mut(alpha.width().max(1))
            .enumerate()
            .for_each_init(Default::default, |rows: &mut [Vec<f32>; 3], (y, out)| {
                for (c, row) in rows.iter_mut().enumerate() {
                    row.resize(alpha.width(), 0.0);
                    compose_row(land.planes()[c].row(y), sky.planes()[c].row(y), alpha.row(y), row);
                }
                for (x, o) in out.iter_mut().enumerate() {
                    *o = luminance([rows[0][x], rows[1][x], rows[2][x]]);
                }
            });
        out
    }
}
