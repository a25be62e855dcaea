//! The edge between two builds: what the last one left, ready to be corrected at once.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufReader};
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};

use nightloom_raster::{Plane, Rgb, WorkFile};
use nightloom_seam::{
    Coarse, Evidence, Matte, MatteSettings, Patch, SeamError, Stroke, Work, group_strokes, read_edge,
    solve_group,
};
use serde::{Deserialize, Serialize};

use super::{HintsError, LandHints};
use nightloom_journal::entries_of;
use nightloom_outing::{Digest, WORK, hash_bytes};

/// The journal's name of the step that finds the edge without hints.
pub(crate) const EDGE_STEP: &str = "edge";

/// What the journal keeps of an edge.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct EdgeFacts {
    /// Work file of the land stack, inside the outing.
    pub(crate) land: String,
    /// Work file of the edge, inside the outing.
    pub(crate) edge: String,
    /// Path of the frame whose pixels the land stack has, inside the outing.
    pub(crate) frame: String,
    /// Width and height of the land frame.
    pub(crate) land_px: [usize; 2],
    /// Frames in the land stack.
    pub(crate) frames: usize,
}

/// The journal's name of the step that lays the picture's grid.
pub(crate) const CANVAS_STEP: &str = "canvas";

/// What the journal keeps of the picture's grid.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct CanvasFacts {
    /// Width and height of the picture.
    pub(crate) canvas_px: [usize; 2],
    /// Where the land frame begins in it; negative where the picture is cropped.
    pub(crate) origin_px: [i64; 2],
}

/// The land frame that the picture is laid on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EdgeFrame {
    /// Path inside the outing.
    pub name: String,
    /// Width and height, pixels.
    pub size_px: [usize; 2],
    /// Where it begins in the picture; negative where the picture is cropped.
    pub origin_px: [i64; 2],
    /// Width and height of the picture.
    pub canvas_px: [usize; 2],
}

/// There is no edge to correct.
#[derive(Debug, thiserror::Error)]
pub enum LiveEdgeError {
    /// No build has left one.
    #[error("there is no edge to correct yet; make the picture first, with land frames in it")]
    Missing,
    /// What was left cannot be read.
    #[error("what the last build left of the edge cannot be read ({0}); make the picture again")]
    Damaged(io::Error),
    /// The strokes cannot be used.
    #[error(transparent)]
    Hints(#[from] HintsError),
    /// The work was stopped or cannot be done.
    #[error("the edge could not be solved again: {0}")]
    Seam(#[from] SeamError),
}

/// The matte without hints and all that correcting it needs.
pub struct LiveEdge {
    facts: EdgeFacts,
    canvas: CanvasFacts,
    key: Digest,
    land: Rgb,
    coarse: Coarse,
    matte: Matte,
    /// Windows solved for the last strokes, by what is in them.
    solved: Mutex<BTreeMap<Digest, Arc<Patch>>>,
}

impl LiveEdge {
    /// Names the edge that the last build left, without reading it; it changes when another edge is left.
    ///
    /// # Errors
    /// [`LiveEdgeError::Missing`].
    pub fn key(folder: &Path) -> Result<Digest, LiveEdgeError> {
        last(folder).map(|last| last.key)
    }

    /// The land frame that the picture is laid on.
    ///
    /// # Errors
    /// [`LiveEdgeError::Missing`].
    pub fn land_frame(folder: &Path) -> Result<EdgeFrame, LiveEdgeError> {
        last(folder).map(|Last { facts, canvas, .. }| EdgeFrame {
            name: facts.frame,
            size_px: facts.land_px,
            origin_px: canvas.origin_px,
            canvas_px: canvas.canvas_px,
        })
    }

    /// Reads what the last build left.
    ///
    /// # Errors
    /// If there is none, or it is damaged.
    pub fn open(folder: &Path) -> Result<Self, LiveEdgeError> {
        let Last { key, facts, canvas } = last(folder)?;
        let land = WorkFile::open(&folder.join(&facts.land))
            .and_then(|file| file.read_rgb())
            .map_err(|e| LiveEdgeError::Damaged(e.into()))?;
        let file = File::open(folder.join(&facts.edge)).map_err(LiveEdgeError::Damaged)?;
        let mut file = BufReader::with_capacity(1 << 20, file);
        let (coarse, matte) = read_edge(&mut file, &land).map_err(LiveEdgeError::Damaged)?;
        Ok(Self {
            facts,
            canvas,
            key,
            land,
            coarse,
            matte,
            solved: Mutex::default(),
        })
    }

    /// Which edge this is.
    pub fn identity(&self) -> Digest {
        self.key
    }

    /// The matte without hints in the picture's pixels, 0 land to 1 sky.
    pub fn matte(&self) -> Plane {
        let CanvasFacts { canvas_px, origin_px } = self.canvas;
        let outside = if self.matte.sky_fraction == 0.0 { 0.0 } else { 1.0 };
        self.matte.alpha.clone().placed(canvas_px, origin_px, outside)
    }

    /// Where the land frame begins in the picture, pixels.
    pub fn origin_px(&self) -> [i64; 2] {
        self.canvas.origin_px
    }

    /// The windows of the matte, in the land frame's pixels, that these hints change, as a build with them will have it. Windows that were solved for
    /// the last question are not solved again.
    ///
    /// # Errors
    /// If the strokes cannot be used, or the work was stopped.
    pub fn answer(
        &self,
        hints: &LandHints,
        cancelled: &AtomicBool,
    ) -> Result<Vec<Arc<Patch>>, LiveEdgeError> {
        let strokes = hints.on_canvas(self.facts.land_px, [0, 0])?;
        let work = Work {
            cancelled,
            progress: &|_| {},
        };
        let settings = MatteSettings::default();
        let evidence = Evidence::of_land(&self.land, self.facts.frames);
        let mut solved = self.solved.lock().unwrap_or_else(PoisonError::into_inner);
        let mut now = BTreeMap::new();
        let mut patches = Vec::new();
        for group in group_strokes(&self.coarse, &strokes, &settings) {
            let key = name_of(group.members.iter().map(|&i| &strokes[i]));
            let patch = match solved.get(&key) {
                Some(patch) => Arc::clone(patch),
                None => Arc::new(solve_group(
                    &evidence,
                    &self.coarse,
                    &self.matte,
                    &strokes,
                    &group,
                    &settings,
                    &work,
                )?),
            };
            now.insert(key, Arc::clone(&patch));
            patches.push(patch);
        }
        *solved = now;
        Ok(patches)
    }
}

/// The content of strokes, for telling whether they were solved before.
fn name_of<'a>(strokes: impl Iterator<Item = &'a Stroke>) -> Digest {
    let mut bytes = Vec::new();
    for stroke in strokes {
        bytes.push(stroke.side.alpha() as u8);
        bytes.extend(stroke.radius_px.to_le_bytes());
        bytes.extend((stroke.points.len() as u64).to_le_bytes());
        bytes.extend(stroke.points.iter().flatten().flat_map(|v| v.to_le_bytes()));
    }
    hash_bytes(&bytes)
}

/// What the last build left.
struct Last {
    /// Names edge and grid.
    key: Digest,
    facts: EdgeFacts,
    canvas: CanvasFacts,
}

/// The last edge in the journal whose files are there, and the last grid.
fn last(folder: &Path) -> Result<Last, LiveEdgeError> {
    let mut canvas: Option<(Digest, CanvasFacts)> = None;
    for entry in entries_of(folder) {
        if entry.step == CANVAS_STEP && canvas.is_none() {
            canvas = serde_json::from_value(entry.data)
                .ok()
                .map(|facts| (entry.key, facts));
        } else if entry.step == EDGE_STEP
            && let Ok(facts) = serde_json::from_value::<EdgeFacts>(entry.data)
        {
            let inside = |name: &str| name.starts_with(WORK) && !name.contains("..");
            if ![&facts.land, &facts.edge]
                .iter()
                .all(|name| inside(name) && folder.join(name).is_file())
            {
                continue;
            }
            // A build that has not come to its grid yet: the land frame as it is.
            let bare = CanvasFacts {
                canvas_px: facts.land_px,
                origin_px: [0, 0],
            };
            let (grid, canvas) = canvas.unwrap_or((entry.key, bare));
            let key = hash_bytes(format!("{} {grid}", entry.key).as_bytes());
            return Ok(Last { key, facts, canvas });
        }
    }
    Err(LiveEdgeError::Missing)
}

/// A land frame's planes on the canvas; NaN where it does not reach.
pub(crate) fn on_canvas(picture: Rgb, size: [usize; 2], origin: [i64; 2]) -> Rgb {
    Rgb::from_planes(picture.into_planes().map(|p| p.placed(size, origin, f32::NAN)))
}
