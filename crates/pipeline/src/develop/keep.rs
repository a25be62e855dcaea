//! The layers as a build leaves them between joining and developing, and how they are found again.
//!
//! They are kept as half floats, which is a thirtieth of a level in 255 at any light, and a build develops them as they are
//! kept: what a page makes of them later is what the build made.

use std::fs;
use std::path::Path;

use nightloom_outing::{Digest, WORK};
use nightloom_raster::{Plane, Rgb, WorkFile, WorkValues, round_to_half};
use nightloom_stack::{BackgroundModel, StarFree};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::facts::{Facts, Told};
use crate::bench::Bench;
use crate::error::BuildError;
use crate::journal::{JOURNAL, entry_of};

/// The journal's name of the step.
pub(crate) const STEP: &str = "develop";

/// What the journal keeps: work files by their names inside the outing, and the facts.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Kept {
    /// Three planes of the sky, then the same without its noise.
    pub(crate) sky: String,
    /// The same of the land, then the matte.
    pub(crate) land: Option<String>,
    /// Knots of the background's model.
    pub(super) smooth: Option<String>,
    /// The sky without its stars: light and weight.
    pub(super) cells: String,
    /// The box that was taken of the full canvas, and the canvas's size.
    #[serde(default)]
    pub(super) frame: TakenBox,
    pub(super) facts: Facts,
}

/// What of the full canvas the picture is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct TakenBox {
    /// `[left, top, right, bottom]`, pixels; right and bottom are the first left out.
    pub(crate) crop_px: [usize; 4],
    /// Width and height of the full canvas.
    pub(crate) full_px: [usize; 2],
}

/// Lays a layer by with its quiet form (and the matte), and rounds all of them to what was laid by. Returns the file's name.
pub(crate) fn layer(
    bench: &mut Bench<'_>,
    name: &str,
    key: Digest,
    [layer, quiet]: [&mut Rgb; 2],
    alpha: Option<&Plane>,
) -> Result<String, BuildError> {
    let (file, path) = bench.work_file(name, key, "work")?;
    for plane in layer.planes_mut().iter_mut().chain(quiet.planes_mut()) {
        plane
            .data_mut()
            .par_iter_mut()
            .for_each(|v| *v = round_to_half(*v));
    }
    if !path.is_file() {
        let planes: Vec<&Plane> = layer.planes().iter().chain(quiet.planes()).chain(alpha).collect();
        WorkFile::write_planes(&path, &planes, WorkValues::Float16)?;
    }
    Ok(file)
}

/// Puts into the journal what was laid by.
pub(crate) fn record(
    bench: &mut Bench<'_>,
    key: Digest,
    told: &Told,
    (sky, land): (String, Option<String>),
    frame: TakenBox,
) -> Result<(), BuildError> {
    let (cells, path) = bench.work_file("develop-cells", key, "work")?;
    let [light, weight] = told.cells.planes();
    WorkFile::write_planes(&path, &[light, weight], WorkValues::Float32)?;
    let smooth = match &told.model {
        Some(model) => {
            let (name, path) = bench.work_file("develop-smooth", key, "work")?;
            let [r, g, b] = model.knots();
            WorkFile::write_planes(&path, &[r, g, b], WorkValues::Float32)?;
            Some(name)
        }
        None => None,
    };
    let kept = Kept {
        sky,
        land,
        smooth,
        cells,
        frame,
        facts: told.facts.clone(),
    };
    let names = [
        Some(&kept.sky),
        kept.land.as_ref(),
        kept.smooth.as_ref(),
        Some(&kept.cells),
    ];
    let names: Vec<&str> = names.into_iter().flatten().map(String::as_str).collect();
    bench.done(STEP, key, &names, &kept)
}

/// The last layers that a build left, by their key. The journal is read only: a build may be writing to it.
pub(super) fn last(folder: &Path) -> Option<(Digest, Kept)> {
    let text = fs::read(folder.join(WORK).join(JOURNAL)).ok()?;
    let entries = text.split_inclusive(|b| *b == b'\n').rev().filter_map(entry_of);
    let inside =
        |name: &String| name.starts_with(WORK) && !name.contains("..") && folder.join(name).is_file();
    entries.filter(|e| e.step == STEP).find_map(|entry| {
        let kept: Kept = serde_json::from_value(entry.data).ok()?;
        let names = [
            Some(&kept.sky),
            kept.land.as_ref(),
            kept.smooth.as_ref(),
            Some(&kept.cells),
        ];
        let there = names.into_iter().flatten().all(inside);
        there.then_some((entry.key, kept))
    })
}

impl Kept {
    /// The facts with their model and cells.
    pub(crate) fn told(&self, folder: &Path) -> Result<Told, std::io::Error> {
        let facts = self.facts.clone();
        let open = |name: &String| WorkFile::open(&folder.join(name));
        let [width, height] = facts.size_px;
        let model = match &self.smooth {
            Some(name) => {
                let knots = open(name)?.read_planes()?;
                Some(BackgroundModel::of_knots(knots, [width, height], facts.found))
            }
            None => None,
        };
        let [light, weight] = open(&self.cells)?.read_planes()?;
        let cells = StarFree::of_planes(light, weight, facts.cell_px);
        Ok(Told { facts, model, cells })
    }
}
