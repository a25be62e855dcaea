//! The photographer's hints for the edge of land and sky: brush strokes, kept in `hints.toml`.
//!
//! Strokes lie on the land: their points are pixels of the land frame, so they hold whatever sky is placed over it and
//! however often the stacks are made again.

mod live;
mod text;

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use nightloom_raster::atomic::write_whole;
use nightloom_seam::{Side, Stroke};
use serde::{Deserialize, Serialize};

use nightloom_outing::{Digest, hash_bytes};

pub(crate) use live::{CANVAS_STEP, CanvasFacts, EDGE_STEP, EdgeFacts, on_canvas};
pub use live::{EdgeFrame, LiveEdge, LiveEdgeError};

/// The file in the outing's folder.
pub const HINTS_TOML: &str = "hints.toml";

/// Strokes in one file, at most.
const MOST_STROKES: usize = 1_000;
/// Points of one stroke, at most.
const MOST_POINTS: usize = 4_000;
/// Points in one file, at most.
const MOST_POINTS_IN_ALL: usize = 100_000;
/// Half the width of the brush, pixels.
const RADIUS_PX: std::ops::RangeInclusive<f32> = 0.5..=500.0;
/// Points may lie this far outside the land frame, in its long sides.
const OUTSIDE: f32 = 1.0;
/// Bytes of a file, at most.
const MOST_BYTES: u64 = 8 << 20;
/// A land frame has no longer side.
const MOST_SIDE_PX: usize = 1 << 17;

/// What a stroke says is under it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum HintKind {
    /// Land.
    Land,
    /// Sky.
    Sky,
}

impl HintKind {
    fn word(self) -> &'static str {
        match self {
            Self::Land => "land",
            Self::Sky => "sky",
        }
    }
}

/// One pull of the brush.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HintStroke {
    /// What is under it.
    pub is: HintKind,
    /// Half the brush's width, pixels of the land frame, 0.5 to 500.
    pub radius_px: f32,
    /// Where it went, pixels of the land frame; the middle of the first pixel is (0, 0).
    pub points_px: Vec<[f32; 2]>,
}

/// All strokes over one land frame; where they cross, the later one holds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LandHints {
    /// Width and height of the land frame they were brushed over.
    pub land_frame_px: [usize; 2],
    /// In the order in which they were brushed.
    pub strokes: Vec<HintStroke>,
}

/// Hints that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum HintsError {
    /// The file cannot be read.
    #[error("{HINTS_TOML} cannot be read ({0}); check its permissions, or move it away to do without hints")]
    Unreadable(io::Error),
    /// The file cannot be written.
    #[error("{HINTS_TOML} cannot be written ({0}); check the folder's permissions and free space")]
    Unwritable(io::Error),
    /// What it holds cannot be.
    #[error("{HINTS_TOML}{at}: {what}")]
    Content {
        /// Where: a stroke, or nothing.
        at: String,
        /// What was expected and what was found.
        what: String,
    },
    /// Brushed over a frame of another shape.
    #[error(
        "{HINTS_TOML} was brushed over a land frame of {}×{} px and this one has {}×{} px; brush again over this one, or move the file away",
        was[0], was[1], is[0], is[1]
    )]
    OtherFrame {
        /// The frame brushed over.
        was: [usize; 2],
        /// The frame there is.
        is: [usize; 2],
    },
}

impl LandHints {
    /// The hints of an outing; none where there is no file.
    ///
    /// # Errors
    /// If the file cannot be read or says what cannot be.
    pub fn read(folder: &Path) -> Result<Self, HintsError> {
        let path = folder.join(HINTS_TOML);
        let size = match fs::metadata(&path) {
            Ok(about) => about.len(),
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Self::default()),
            Err(e) => return Err(HintsError::Unreadable(e)),
        };
        if size > MOST_BYTES {
            let what =
                format!("it has {size} bytes and at most {MOST_BYTES} were expected; it is no file of hints");
            return Err(HintsError::Content {
                at: String::new(),
                what,
            });
        }
        let bytes = nightloom_raster::read_regular(&path, MOST_BYTES).map_err(HintsError::Unreadable)?;
        let hints = text::parse(&String::from_utf8_lossy(&bytes))?;
        hints.check()?;
        Ok(hints)
    }

    /// Writes them whole. Without strokes the file goes away.
    ///
    /// # Errors
    /// If they say what cannot be, or the folder does not allow it.
    pub fn write(&self, folder: &Path) -> Result<(), HintsError> {
        let path = folder.join(HINTS_TOML);
        if self.strokes.is_empty() {
            return match fs::remove_file(&path) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => Err(HintsError::Unwritable(e)),
                _ => Ok(()),
            };
        }
        self.check()?;
        let text = text::write(self);
        write_whole(&path, |out| out.write_all(text.as_bytes())).map_err(HintsError::Unwritable)
    }

    /// Changes with every change of a stroke.
    pub fn version(&self) -> Digest {
        hash_bytes(
            if self.strokes.is_empty() {
                String::new()
            } else {
                text::write(self)
            }
            .as_bytes(),
        )
    }

    /// Whether every number lies where it may.
    ///
    /// # Errors
    /// A sentence that names the stroke.
    pub fn check(&self) -> Result<(), HintsError> {
        let fault = |at: String, what: String| Err(HintsError::Content { at, what });
        let nowhere = String::new;
        if self.land_frame_px.iter().any(|&n| n == 0 || n > MOST_SIDE_PX) && !self.strokes.is_empty() {
            let [w, h] = self.land_frame_px;
            return fault(
                nowhere(),
                format!("land_frame_px is {w} × {h} and 1 to {MOST_SIDE_PX} each way were expected"),
            );
        }
        if self.strokes.len() > MOST_STROKES {
            let n = self.strokes.len();
            return fault(
                nowhere(),
                format!(
                    "{n} strokes are more than the {MOST_STROKES} that are allowed; undo some, or use a wider brush"
                ),
            );
        }
        let points: usize = self.strokes.iter().map(|s| s.points_px.len()).sum();
        if points > MOST_POINTS_IN_ALL {
            return fault(
                nowhere(),
                format!(
                    "{points} points are more than the {MOST_POINTS_IN_ALL} that are allowed; undo some strokes"
                ),
            );
        }
        for (i, stroke) in self.strokes.iter().enumerate() {
            let at = || format!(", stroke {}", i + 1);
            if let Some(what) = self.wrong_with(stroke) {
                return fault(at(), what);
            }
        }
        Ok(())
    }

    fn wrong_with(&self, stroke: &HintStroke) -> Option<String> {
        if !RADIUS_PX.contains(&stroke.radius_px) {
            let [low, high] = [RADIUS_PX.start(), RADIUS_PX.end()];
            return Some(format!(
                "radius_px is {} and {low} to {high} was expected",
                stroke.radius_px
            ));
        }
        let n = stroke.points_px.len();
        if !(1..=MOST_POINTS).contains(&n) {
            return Some(format!("it has {n} points and 1 to {MOST_POINTS} were expected"));
        }
        let room = OUTSIDE * self.land_frame_px[0].max(self.land_frame_px[1]) as f32;
        let inside = |p: &&[f32; 2]| {
            (0..2).all(|k| p[k].is_finite() && p[k] >= -room && p[k] <= self.land_frame_px[k] as f32 + room)
        };
        let [w, h] = self.land_frame_px;
        let away = stroke.points_px.iter().find(|p| !inside(p))?;
        Some(format!(
            "the point {}, {} lies far off the land frame of {w}×{h} px",
            away[0], away[1]
        ))
    }

    /// The strokes on a canvas on which the land frame of `size` begins at `origin`.
    ///
    /// A land frame of another size but the same shape (another raw decoder's border, half size) scales them.
    ///
    /// # Errors
    /// [`HintsError::OtherFrame`] if the shapes differ.
    pub fn on_canvas(&self, size: [usize; 2], origin: [i64; 2]) -> Result<Vec<Stroke>, HintsError> {
        if self.strokes.is_empty() {
            return Ok(Vec::new());
        }
        let scale = [0, 1].map(|k| size[k] as f32 / self.land_frame_px[k] as f32);
        if (scale[0] / scale[1] - 1.0).abs() > 0.02 {
            return Err(HintsError::OtherFrame {
                was: self.land_frame_px,
                is: size,
            });
        }
        let place = |v: f32, k: usize| (v + 0.5) * scale[k] - 0.5 + origin[k] as f32;
        let stroke = |s: &HintStroke| Stroke {
            side: match s.is {
                HintKind::Land => Side::Land,
                HintKind::Sky => Side::Sky,
            },
            radius_px: s.radius_px * scale[0],
            points: s
                .points_px
                .iter()
                .map(|p| [place(p[0], 0), place(p[1], 1)])
                .collect(),
        };
        Ok(self.strokes.iter().map(stroke).collect())
    }
}
