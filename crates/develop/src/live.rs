//! The development between two builds: any settings of `[picture]`, on the part in sight, at the size in sight.

use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use nightloom_outing::{Digest, FilesSettings, PictureSettings};
use nightloom_raster::write::About;
use nightloom_stack::Turn;
use rayon::prelude::*;

use super::development::Development;
use super::facts::Told;
use super::keep::{TakenBox, last};
use super::layers::{Block, Layers, Part};
use super::part::{DevelopedLayer, Rows, Source};
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
    /// By how far the sky is moved right and down from where the layers have it, pixels of the full size.
    pub sky_moved_px: [i64; 2],
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

    /// By how far the sky lies right of and below where it stood.
    pub fn sky_offset_px(&self) -> [f64; 2] {
        self.frame.sky_offset_px
    }

    /// The turn that would make the picture level, degrees clockwise, where the stars tell it.
    pub fn level_deg(&self) -> Option<f64> {
        self.frame.level_deg
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

    /// Tells the stars' light in the smaller sizes before anybody asks for smaller stars, on this thread alone: some seconds
    /// for 24 megapixels. What cannot be read is told to whoever asks.
    pub fn stars_ahead(&self) {
        let _ = self.layers.stars_ahead(&self.told.stars());
    }

    /// Develops a part. At full size it is what a build with these settings writes, to a level of 255, as sRGB. Given up once
    /// `overtaken` says so.
    ///
    /// A picture that is turned to be level lies in the middle of its unturned self, with nothing round it.
    ///
    /// # Errors
    /// A part that lies outside or is too large; layers that cannot be read.
    pub fn developed(
        &self,
        settings: &PictureSettings,
        asked: &DevelopedPart,
        shows: Shows,
        overtaken: &(dyn Fn() -> bool + Sync),
    ) -> Result<Developed, LiveDevelopmentError> {
        let prepared = self.prepared(settings);
        let part = self.part(asked)?;
        let size = self.layers.size(part.level);
        let turn = super::turn(settings, self.size_px()).map(|t| t.at_level(size, part.level));
        let lies = match &turn {
            Some(turn) => inside(part, turn.kept()),
            None => Some(part),
        };
        let mut rgba = [0, 0, 0, 255].repeat(part.width * part.height);
        let Some(lies) = lies else {
            return Ok(Developed {
                width: part.width,
                height: part.height,
                rgba,
                tally: Tally::default(),
            });
        };
        let read = turn.map_or(lies, |turn| sources(&turn, lies));
        let side = f64::from(1u32 << part.level);
        let moved = asked.sky_moved_px.map(|v| (v as f64 / side).round() as i64);
        let block = self.block(read, read.moved(moved, size))?;
        let source = Source {
            how: &prepared.development,
            block: &block,
            stars: self.stars(&prepared, &block)?,
            layer: asked.layer,
            moved,
        };
        let whole = turn.map(|_| source.whole());
        let (left, top) = (lies.left - part.left, lies.top - part.top);
        let tally = rgba[top * part.width * 4..][..lies.height * part.width * 4]
            .par_chunks_mut(part.width * 4 * ROWS)
            .enumerate()
            .map(|(band, out)| {
                let mut rows = Rows::default();
                let mut tally = Tally::default();
                if overtaken() {
                    return tally;
                }
                for (y, line) in (band * ROWS..).zip(out.chunks_exact_mut(part.width * 4)) {
                    match (&whole, &turn) {
                        (Some(whole), Some(turn)) => {
                            let by = (turn, [read.left, read.top]);
                            whole.row(by, asked.layer, [lies.left, lies.top + y], lies.width, &mut rows);
                        }
                        _ => source.row(y, &mut rows),
                    }
                    let line = &mut line[left * 4..][..lies.width * 4];
                    prepared
                        .screen
                        .row(&rows.shown, lies.top + y, shows, line, &mut tally);
                }
                tally
            })
            .reduce(Tally::default, |a, b| a.and(&b));
        if overtaken() {
            return Err(LiveDevelopmentError::Overtaken);
        }
        Ok(Developed {
            width: part.width,
            height: part.height,
            rgba,
            tally,
        })
    }

    /// The stars' light in a block, if stars are to be shown otherwise than they were recorded.
    fn stars<'a>(&self, prepared: &Prepared, block: &'a Block) -> io::Result<Option<&'a super::Stars>> {
        let form = prepared.development.stars();
        form.map(|form| self.layers.stars(block, &form)).transpose()
    }

    /// The picture that a box of the full size would be, to be read in rows.
    pub(super) fn framed(&self, settings: &PictureSettings, frame: [usize; 4]) -> Framed<'_> {
        let development = Development::of_box(settings, Arc::clone(&self.told), frame);
        let [left, top, right, bottom] = frame;
        Framed {
            live: self,
            turn: super::turn(settings, [right - left, bottom - top]),
            prepared: Prepared {
                screen: Screen::of(development.curve()),
                development,
            },
            frame,
        }
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

    /// What is asked for, as far as it lies inside.
    fn part(&self, asked: &DevelopedPart) -> Result<Part, LiveDevelopmentError> {
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
        match part.width.saturating_mul(part.height) {
            0 => Err(LiveDevelopmentError::NoPart),
            pixels if pixels > MOST_PIXELS => Err(LiveDevelopmentError::NoPart),
            _ => Ok(part),
        }
    }

    /// The layers of a part; kept until others are asked for, because settings change more often than places.
    fn block(&self, part: Part, sky: Part) -> Result<Arc<Block>, LiveDevelopmentError> {
        let seen = || self.seen.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(block) = seen().iter().find(|b| b.part == part && b.sky_part == sky) {
            return Ok(Arc::clone(block));
        }
        // Room first.
        let mut held = seen();
        let more = (held.len() + 1).saturating_sub(KEPT_PARTS);
        held.drain(..more);
        drop(held);
        let block = Arc::new(self.layers.block(part, sky)?);
        let mut held = seen();
        held.push(Arc::clone(&block));
        let more = held.len().saturating_sub(KEPT_PARTS);
        held.drain(..more);
        Ok(block)
    }
}

/// What of a part lies in a box.
fn inside(part: Part, [left, top, right, bottom]: [usize; 4]) -> Option<Part> {
    let (l, t) = (part.left.max(left), part.top.max(top));
    let (r, b) = (
        (part.left + part.width).min(right),
        (part.top + part.height).min(bottom),
    );
    (l < r && t < b).then(|| Part {
        left: l,
        top: t,
        width: r - l,
        height: b - t,
        ..part
    })
}

/// What a part of a turned picture shows.
fn sources(turn: &Turn, part: Part) -> Part {
    let corners = [
        part.left,
        part.top,
        part.left + part.width,
        part.top + part.height,
    ];
    let [left, top, right, bottom] = turn.sources(corners);
    Part {
        left,
        top,
        width: right - left,
        height: bottom - top,
        ..part
    }
}

/// A box of the layers as a picture of its own.
pub(super) struct Framed<'a> {
    live: &'a LiveDevelopment,
    prepared: Prepared,
    turn: Option<Turn>,
    frame: [usize; 4],
}

impl Framed<'_> {
    /// Width and height.
    pub(super) fn size(&self) -> [usize; 2] {
        let [l, t, r, b] = self.kept();
        [r - l, b - t]
    }

    fn kept(&self) -> [usize; 4] {
        let [l, t, r, b] = self.frame;
        self.turn.map_or([0, 0, r - l, b - t], |turn| turn.kept())
    }

    /// Rows from one on, display-encoded with Rec. 2020 primaries, as the build writes them.
    pub(super) fn rows(&self, top: usize, count: usize) -> Result<Vec<[Vec<f32>; 3]>, LiveDevelopmentError> {
        let kept = self.kept();
        let lies = Part {
            level: 0,
            left: kept[0],
            top: kept[1] + top,
            width: kept[2] - kept[0],
            height: count,
        };
        let from = self.turn.map_or(lies, |turn| sources(&turn, lies));
        let read = Part {
            left: from.left + self.frame[0],
            top: from.top + self.frame[1],
            ..from
        };
        let block = self.live.layers.block(read, read)?;
        let source = Source {
            how: &self.prepared.development,
            block: &block,
            stars: self.live.stars(&self.prepared, &block)?,
            layer: DevelopedLayer::Picture,
            moved: [0, 0],
        };
        let whole = self.turn.map(|_| source.whole());
        let row = |y: usize| {
            let mut rows = Rows::default();
            match (&whole, &self.turn) {
                (Some(whole), Some(turn)) => {
                    let by = (turn, [from.left, from.top]);
                    let at = [lies.left, lies.top + y];
                    whole.row(by, DevelopedLayer::Picture, at, lies.width, &mut rows);
                }
                _ => source.row(y, &mut rows),
            }
            let [r, g, b] = &mut rows.shown;
            self.prepared.screen.encode(r, g, b);
            rows.shown
        };
        Ok((0..count).into_par_iter().map(row).collect())
    }
}
