//! The layers as a build leaves them between joining and developing, and how they are found again.
//!
//! They are kept as half floats, which is a thirtieth of a level in 255 at any light, and a build develops them as they are
//! kept: what a page makes of them later is what the build made.

use std::path::Path;

use nightloom_journal::{Bench, BuildError, entries_of};
use nightloom_outing::{Digest, WORK};
use nightloom_raster::{Plane, Rgb, WorkFile, WorkValues, round_to_half};
use nightloom_stack::{BackgroundModel, StarFree};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::capture::Capture;
use crate::facts::{Facts, Told};

/// The journal's name of the step.
pub const STEP: &str = "develop";

/// What the journal keeps: work files by their names inside the outing, and the facts.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// Three planes of the sky, then the same without its noise.
    pub sky: String,
    /// The same of the land, then the matte.
    pub land: Option<String>,
    /// Knots of the background's model.
    pub(super) smooth: Option<String>,
    /// The sky without its stars: light and weight.
    pub(super) cells: String,
    /// The box that was taken of the full canvas, and the canvas's size.
    #[serde(default)]
    pub(super) frame: TakenBox,
    /// How it was taken.
    #[serde(default)]
    pub capture: Capture,
    pub(super) facts: Facts,
}

/// What of the full canvas the picture is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TakenBox {
    /// `[left, top, right, bottom]`, pixels; right and bottom are the first left out.
    pub crop_px: [usize; 4],
    /// Width and height of the full canvas.
    pub full_px: [usize; 2],
    /// By how far the sky was moved, right and down.
    #[serde(default)]
    pub sky_offset_px: [f64; 2],
    /// Degrees by which the picture had to be turned clockwise to be level, by the zenith among its stars.
    #[serde(default)]
    pub level_deg: Option<f64>,
}

/// The layers of one build on their way into the work files.
pub struct Keep {
    key: Digest,
    /// Whether the same layers lie there already, sound.
    there: bool,
}

impl Keep {
    /// `key` names everything that the layers come from.
    pub fn begin(bench: &mut Bench<'_>, key: Digest) -> Self {
        let there = bench.kept::<Kept>(STEP, key).is_some();
        Self { key, there }
    }

    /// Lays a layer by with its quiet form (and the matte), and rounds both to what was laid by. Returns the file's name.
    pub fn layer(
        &self,
        bench: &mut Bench<'_>,
        name: &str,
        [layer, quiet]: [&mut Rgb; 2],
        alpha: Option<&Plane>,
    ) -> Result<String, BuildError> {
        for plane in layer.planes_mut().iter_mut().chain(quiet.planes_mut()) {
            plane
                .data_mut()
                .par_iter_mut()
                .for_each(|v| *v = round_to_half(*v));
        }
        let planes: Vec<&Plane> = layer.planes().iter().chain(quiet.planes()).chain(alpha).collect();
        self.file(bench, name, &planes, WorkValues::Float16)
    }

    /// The file's name; written unless it is there.
    fn file(
        &self,
        bench: &mut Bench<'_>,
        name: &str,
        planes: &[&Plane],
        values: WorkValues,
    ) -> Result<String, BuildError> {
        let (file, path) = bench.work_file(name, self.key, "work")?;
        if !self.there {
            WorkFile::write_planes(&path, planes, values)?;
        }
        Ok(file)
    }

    /// Puts into the journal what was laid by.
    pub fn record(
        &self,
        bench: &mut Bench<'_>,
        told: &Told,
        (sky, land): (String, Option<String>),
        frame: TakenBox,
        capture: &Capture,
    ) -> Result<(), BuildError> {
        let cells = self.file(bench, "develop-cells", &told.cells.planes(), WorkValues::Float32)?;
        let model = told.model.as_ref().map(BackgroundModel::knots);
        let smooth =
            model.map(|[r, g, b]| self.file(bench, "develop-smooth", &[r, g, b], WorkValues::Float32));
        if self.there {
            return Ok(());
        }
        let kept = Kept {
            sky,
            land,
            smooth: smooth.transpose()?,
            cells,
            frame,
            capture: capture.clone(),
            facts: told.facts.clone(),
        };
        let names = kept.names();
        let names: Vec<&str> = names.into_iter().flatten().map(String::as_str).collect();
        bench.done(STEP, self.key, &names, &kept)
    }
}

/// The last layers that a build left, by their key.
pub(super) fn last(folder: &Path) -> Option<(Digest, Kept)> {
    let inside =
        |name: &String| name.starts_with(WORK) && !name.contains("..") && folder.join(name).is_file();
    let mut steps = entries_of(folder).filter(|e| e.step == STEP);
    steps.find_map(|entry| {
        let kept: Kept = serde_json::from_value(entry.data).ok()?;
        let names = kept.names();
        let there = names.into_iter().flatten().all(inside);
        there.then_some((entry.key, kept))
    })
}

impl Kept {
    /// Its files, by their names inside the outing.
    fn names(&self) -> [Option<&String>; 4] {
        let Self {
            sky,
            land,
            smooth,
            cells,
            ..
        } = self;
        [Some(sky), land.as_ref(), smooth.as_ref(), Some(cells)]
    }

    /// The facts with their model and cells.
    pub fn told(&self, folder: &Path) -> Result<Told, std::io::Error> {
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
