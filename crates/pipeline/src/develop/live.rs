//! The development between two builds: any settings of `[picture]`, on the part in sight, at the size in sight.

use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use nightloom_outing::{Digest, FilesSettings, PictureSettings};
use nightloom_raster::write::About;
use nightloom_seam::compose_row;
use nightloom_stack::Run;
use rayon::prelude::*;

use super::development::Development;
use super::facts::Told;
use super::keep::{TakenBox, last};
use super::layers::{Block, Layers, Part};
use super::screen::{Screen, Shows, Tally};
use crate::capture::Capture;

/// Rows developed by one thread at a time.
const ROWS: usize = 16;
/// Pixels of the largest part that is developed at once.
const MOST_PIXELS: usize = 8 << 20;
/// Parts whose layers are kept: the one in sight and its coarse form.
const KEPT_PARTS: usize = 2;

/// There is nothing to develop.
#[derive(Debug, thiserror::Error)]
pub enum LiveDevelopmentError {
    /// No build has left layers.
    #[error("there are no layers to develop yet; make the picture first")]
    Missing,
    /// What was left cannot be read.
    #[error("the layers that the last build left cannot be read ({0}); make the picture again")]
    Damaged(#[from] io::Error),
    /// No such part.
    #[error("there is no such part of the picture; expected one inside it, of {MOST_PIXELS} pixels at most")]
    NoPart,
    /// Another question came before the answer.
    #[error("another part was asked for meanwhile")]
    Overtaken,
}

/// Which part of the picture is to be developed, in pixels of a size that is 2^`level` times smaller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DevelopedPart {
    /// Which size; 0 is the full one.
    pub level: u32,
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns, at most.
    pub width: usize,
    /// Rows, at most.
    pub height: usize,
    /// Land and sky joined, or one of them.
    pub layer: DevelopedLayer,
}

/// What of the picture is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DevelopedLayer {
    /// Land and sky joined.
    #[default]
    Picture,
    /// The sky alone.
    Sky,
    /// The land alone.
    Land,
}

/// A part as a screen shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Developed {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Red, green, blue and opacity of each, sRGB.
    pub rgba: Vec<u8>,
    /// What is in it.
    pub tally: Tally,
}

/// The layers that the last build left, developed as asked.
pub struct LiveDevelopment {
    key: Digest,
    told: Arc<Told>,
    frame: TakenBox,
    capture: Capture,
    layers: Layers,
    /// The settings asked for last.
    prepared: Mutex<Option<(PictureSettings, Arc<Prepared>)>>,
    /// The parts asked for last.
    seen: Mutex<Vec<Arc<Block>>>,
}

struct Prepared {
    development: Development,
    screen: Screen,
}

impl LiveDevelopment {
    /// Names the layers that the last build left, without reading them; it changes when others are left.
    ///
    /// # Errors
    /// [`LiveDevelopmentError::Missing`].
    pub fn key(folder: &Path) -> Result<Digest, LiveDevelopmentError> {
        last(folder)
            .map(|(key, _)| key)
            .ok_or(LiveDevelopmentError::Missing)
    }

    /// Reads what the last build left: facts, and the layers at half size and smaller.
    ///
    /// # Errors
    /// If there are none, or they are damaged.
    pub fn open(folder: &Path) -> Result<Self, LiveDevelopmentError> {
        let (key, kept) = last(folder).ok_or(LiveDevelopmentError::Missing)?;
        Ok(Self {
            key,
            told: Arc::new(kept.told(folder)?),
            frame: kept.frame,
            capture: kept.capture.clone(),
            layers: Layers::open(folder, &kept)?,
            prepared: Mutex::default(),
            seen: Mutex::default(),
        })
    }

    /// What a file of this picture says of itself.
    pub(super) fn about(&self, files: &FilesSettings) -> About {
        self.capture.about(files)
    }

    /// Which layers these are.
    pub fn identity(&self) -> Digest {
        self.key
    }

    /// Width and height of the picture.
    pub fn size_px(&self) -> [usize; 2] {
        self.layers.size(0)
    }

    /// The box `[left, top, right, bottom]` of the full canvas that the picture is, pixels, right and bottom excluded.
    pub fn crop_px(&self) -> [usize; 4] {
        let [width, height] = self.size_px();
        match self.frame.full_px {
            // Of a build before boxes were kept.
            [0, 0] => [0, 0, width, height],
            _ => self.frame.crop_px,
        }
    }

    /// Width and height of the full canvas.
    pub fn full_px(&self) -> [usize; 2] {
        match self.frame.full_px {
            [0, 0] => self.size_px(),
            full => full,
        }
    }

    /// How many sizes there are; size k is 2^k times smaller.
    pub fn levels(&self) -> usize {
        self.layers.sizes()
    }

    /// Whether there is land in it.
    pub fn has_land(&self) -> bool {
        self.told.facts.has_land
    }

    /// Develops a part. At full size it is what a build with these settings writes, to a level of 255, as sRGB. Given up once
    /// `overtaken` says so.
    ///
    /// # Errors
    /// A part that lies outside or is too large; layers that cannot be read.
    pub fn developed(
        &self,
        settings: &PictureSettings,
        part: DevelopedPart,
        shows: Shows,
        overtaken: &(dyn Fn() -> bool + Sync),
    ) -> Result<Developed, LiveDevelopmentError> {
        let prepared = self.prepared(settings);
        let block = self.block(part)?;
        let Part {
            level,
            left,
            top,
            width,
            height,
        } = block.part;
        let mut rgba = vec![0; width * height * 4];
        let tally = rgba
            .par_chunks_mut(width * 4 * ROWS)
            .enumerate()
            .map(|(band, out)| {
                let mut rows = Rows::default();
                let mut tally = Tally::default();
                if overtaken() {
                    return tally;
                }
                for (y, line) in (band * ROWS..).zip(out.chunks_exact_mut(width * 4)) {
                    let run = Run::at_level(level, left, top + y);
                    rows.developed(&prepared.development, run, &block, y, part.layer);
                    prepared.screen.row(&rows.shown, top + y, shows, line, &mut tally);
                }
                tally
            })
            .reduce(Tally::default, |a, b| a.and(&b));
        if overtaken() {
            return Err(LiveDevelopmentError::Overtaken);
        }
        Ok(Developed {
            width,
            height,
            rgba,
            tally,
        })
    }

    /// Rows of a part of the full size, display-encoded with Rec. 2020 primaries, as the build writes them.
    pub(super) fn encoded(
        &self,
        settings: &PictureSettings,
        [left, top]: [usize; 2],
        [width, height]: [usize; 2],
    ) -> Result<Vec<[Vec<f32>; 3]>, LiveDevelopmentError> {
        let prepared = self.prepared(settings);
        let part = Part {
            level: 0,
            left,
            top,
            width,
            height,
        };
        let block = self.layers.block(part)?;
        let row = |y: usize| {
            let mut rows = Rows::default();
            let run = Run::at_level(0, left, top + y);
            rows.developed(&prepared.development, run, &block, y, DevelopedLayer::Picture);
            let [r, g, b] = &mut rows.shown;
            prepared.screen.encode(r, g, b);
            rows.shown
        };
        Ok((0..height).into_par_iter().map(row).collect())
    }

    fn prepared(&self, settings: &PictureSettings) -> Arc<Prepared> {
        let mut held = self.prepared.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, prepared)) = held.as_ref().filter(|(of, _)| of == settings) {
            return Arc::clone(prepared);
        }
        let development = Development::of(settings, Arc::clone(&self.told));
        let prepared = Arc::new(Prepared {
            screen: Screen::of(development.curve()),
            development,
        });
        *held = Some((settings.clone(), Arc::clone(&prepared)));
        prepared
    }

    /// The layers of a part; kept until others are asked for, because settings change more often than places.
    fn block(&self, asked: DevelopedPart) -> Result<Arc<Block>, LiveDevelopmentError> {
        let [columns, rows] = match (asked.level as usize) < self.layers.sizes() {
            true => self.layers.size(asked.level),
            false => return Err(LiveDevelopmentError::NoPart),
        };
        let part = Part {
            level: asked.level,
            left: asked.left,
            top: asked.top,
            width: asked.width.min(columns.saturating_sub(asked.left)),
            height: asked.height.min(rows.saturating_sub(asked.top)),
        };
        let pixels = part.width.saturating_mul(part.height);
        if pixels == 0 || pixels > MOST_PIXELS {
            return Err(LiveDevelopmentError::NoPart);
        }
        let seen = || self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(block) = seen().iter().find(|b| b.part == part) {
            return Ok(Arc::clone(block));
        }
        // Room first.
        let mut held = seen();
        let more = (held.len() + 1).saturating_sub(KEPT_PARTS);
        held.drain(..more);
        drop(held);
        let block = Arc::new(self.layers.block(part)?);
        let mut held = seen();
        held.push(Arc::clone(&block));
        let more = held.len().saturating_sub(KEPT_PARTS);
        held.drain(..more);
        Ok(block)
    }
}

/// Room for one row.
#[derive(Default)]
struct Rows {
    sky: [Vec<f32>; 3],
    land: [Vec<f32>; 3],
    shown: [Vec<f32>; 3],
}

impl Rows {
    fn developed(&mut self, how: &Development, run: Run, block: &Block, y: usize, layer: DevelopedLayer) {
        let matte = block.matte(y);
        let sky_alone = layer == DevelopedLayer::Sky || matte.iter().all(|a| *a >= 1.0);
        let land_alone = layer == DevelopedLayer::Land || matte.iter().all(|a| *a <= 0.0);
        match (layer, sky_alone, land_alone) {
            (DevelopedLayer::Sky, ..) | (DevelopedLayer::Picture, true, _) => {
                how.sky(run, block.sky(y), &mut self.shown);
            }
            (DevelopedLayer::Land, ..) | (DevelopedLayer::Picture, _, true) => {
                how.land(block.land(y), &mut self.shown);
            }
            _ => {
                how.sky(run, block.sky(y), &mut self.sky);
                how.land(block.land(y), &mut self.land);
                for (c, row) in self.shown.iter_mut().enumerate() {
                    row.resize(matte.len(), 0.0);
                    compose_row(&self.land[c], &self.sky[c], matte, row);
                }
            }
        }
    }
}
