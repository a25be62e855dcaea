//! Where the matte must be looked at closely: near the coarse edge, and wherever sky shows through land.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::{Coarse, Evidence, SkyModel, gaps, grid_cut::neighbour, resample};

/// Land that shows sky shows it in this share of its pixels at least.
const GAP_SHARE: f32 = 0.03;
/// Cells round a land cell that are looked at with it for gaps.
const WINDOW: usize = 3;
/// Cells on the land's side of the coarse edge that are always looked at closely: no label is surer.
const EDGE_CELLS: usize = 2;

/// Cells of dense crown that may lie between two gaps. A lake lies farther behind its shore.
const BRIDGE: usize = 3;

/// Land this near to a proven gap may be of the same crown, pixels.
const CROWN_PX: usize = 24;
/// Cells that are asked beside each other whether they show sky.
const AT_ONCE: usize = 128;
/// Cells of a piece of land that is small.
const ISLAND: usize = 150;

/// Which coarse cells are certain and which lie near the edge.
pub(crate) struct Zone {
    bits: Vec<u8>,
    /// Of cells that proved sky: its level, in parts of the one told when they were last looked at.
    levels: Vec<Option<f32>>,
    width: usize,
    height: usize,
    factor: usize,
}

impl Zone {
    /// The coarse label is sky.
    pub(crate) const SKY: u8 = 1;
    /// Within reach of the coarse edge or of a gap joined to it.
    pub(crate) const NEAR: u8 = 2;
    /// Sky, and no land in the cells around.
    pub(crate) const CLEAR: u8 = 4;
    /// Proof of sky behind it.
    pub(crate) const GAP: u8 = 8;
    /// Land next to a sky cell: some of its pixels may be sky without any gap.
    const RIM: u8 = 32;
    /// Land in which sky may be seen, though it did not prove it: no colour is taken from it.
    const DOUBT: u8 = 64;
    /// A small piece of land: what it hangs on may be twigs.
    const SMALL: u8 = 128;
    /// The photographer said so: no pixel of the cell is asked again.
    pub(crate) const TOLD: u8 = 16;

    /// Sky within `band_px` of the coarse edge is near, and land next to it.
    pub(crate) fn of(coarse: &Coarse, band_px: usize) -> Self {
        Self::over(&coarse.sky, coarse.factor, band_px)
    }

    /// The same of labels alone, cells of `factor` px.
    pub(crate) fn over(labels: &Plane, factor: usize, band_px: usize) -> Self {
        let (width, height) = (labels.width(), labels.height());
        let side: Vec<u8> = labels
            .data()
            .iter()
            .map(|&p| if p > 0.5 { 2 } else { 1 })
            .collect();
        let reach = band_px.div_ceil(factor) + 1;
        let near = resample::spread_bits(&side, width, height, reach);
        let edge = resample::spread_bits(&side, width, height, EDGE_CELLS.min(reach));
        let close = resample::spread_bits(&side, width, height, 1);
        let bits = (0..side.len()).map(|k| {
            let sky = if side[k] == 2 { Self::SKY } else { 0 };
            let both = if side[k] == 2 { near[k] } else { edge[k] };
            let looked = if both == 3 { Self::NEAR } else { 0 };
            let clear = if close[k] == 2 { Self::CLEAR } else { 0 };
            let rim = if side[k] == 1 && close[k] == 3 {
                Self::RIM
            } else {
                0
            };
            sky | looked | clear | rim
        });
        Self {
            bits: bits.collect(),
            levels: vec![None; side.len()],
            width,
            height,
            factor,
        }
    }

    /// Takes cells as said: near nothing, whatever they look like.
    pub(crate) fn tell(&mut self, cell: usize) {
        self.bits[cell] = (self.bits[cell] | Self::TOLD) & !Self::NEAR;
    }

    /// Has cells looked at closely.
    pub(crate) fn look_at(&mut self, cell: usize) {
        if self.bits[cell] & Self::TOLD == 0 {
            self.bits[cell] |= Self::NEAR;
        }
    }

    #[inline]
    pub(crate) fn at(&self, x: usize, y: usize) -> u8 {
        self.bits[y / self.factor * self.width + x / self.factor]
    }

    /// Whether the square of `side` px from (x, y) on holds more than clear sky.
    pub(crate) fn unclear(&self, x: usize, y: usize, side: usize) -> bool {
        let last = |v: usize, n: usize| ((v + side - 1) / self.factor).min(n - 1);
        (y / self.factor..=last(y, self.height)).any(|j| {
            (x / self.factor..=last(x, self.width))
                .any(|i| self.bits[j * self.width + i] & (Self::NEAR | Self::CLEAR) != Self::CLEAR)
        })
    }

    /// Whether a pixel's cell is part of much land through which no sky is seen.
    pub(crate) fn is_ground(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & (Self::SKY | Self::NEAR | Self::DOUBT | Self::SMALL) == 0
    }

    /// Whether land that lets no sky through lies within `px` of a pixel.
    pub(crate) fn beside_solid(&self, px: usize) -> impl Fn(usize, usize) -> bool + Sync + use<> {
        self.beside(px, |b| b & (Self::SKY | Self::NEAR) == 0)
    }

    /// Whether sky may be seen in a pixel's cell, though it was not proved there.
    pub(crate) fn is_doubtful(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & Self::DOUBT != 0
    }

    fn beside(&self, px: usize, of: fn(u8) -> bool) -> impl Fn(usize, usize) -> bool + Sync + use<> {
        let own: Vec<u8> = self.bits.iter().map(|b| u8::from(of(*b))).collect();
        let near = resample::spread_bits(&own, self.width, self.height, px.div_ceil(self.factor));
        let (width, factor) = (self.width, self.factor);
        move |x, y| near[y / factor * width + x / factor] != 0
    }

    /// Follows gaps from the edge into the land; true if the zone grew.
    pub(crate) fn grow_into_gaps(&mut self, evidence: &Evidence, sky: &SkyModel) -> bool {
        let is_near_land = |b: u8| b & (Self::NEAR | Self::SKY) == Self::NEAR;
        // Each with the level that the sky has in the gap beside it, in parts of the one told.
        let mut stack: Vec<(usize, Option<f32>)> = (0..self.bits.len())
            .filter(|&k| is_near_land(self.bits[k]))
            .map(|k| (k, None))
            .collect();
        let mut seen = vec![false; self.bits.len()];
        stack.iter().for_each(|&(k, _)| seen[k] = true);
        let mut grew = false;
        let mut told: Vec<Option<Option<f32>>> = vec![None; self.bits.len()];
        while let Some((k, before)) = stack.pop() {
            if told[k].is_none() {
                // What a cell proves does not hang on what was found meanwhile: the ones that follow are asked with it.
                let open = |q: &(usize, Option<f32>)| told[q.0].is_none();
                let following = stack.iter().rev().take(16 * AT_ONCE).copied();
                let asked: Vec<_> = std::iter::once((k, before))
                    .chain(following)
                    .filter(open)
                    .take(AT_ONCE)
                    .collect();
                let levels = asked
                    .par_iter()
                    .map(|&(q, before)| self.gap_level(q, evidence, sky, before));
                let levels: Vec<Option<f32>> = levels.collect();
                asked
                    .iter()
                    .zip(levels)
                    .for_each(|((q, _), level)| told[*q] = Some(level));
            }
            let level = told[k].flatten();
            if level.is_none() && self.bits[k] & Self::GAP == 0 {
                continue;
            }
            self.bits[k] |= Self::GAP;
            self.levels[k] = level;
            let (i, j) = (k % self.width, k / self.width);
            for v in j.saturating_sub(BRIDGE)..(j + BRIDGE + 1).min(self.height) {
                for u in i.saturating_sub(BRIDGE)..(i + BRIDGE + 1).min(self.width) {
                    let q = v * self.width + u;
                    let beside = u.abs_diff(i) <= 1 && v.abs_diff(j) <= 1;
                    if beside && self.bits[q] & (Self::NEAR | Self::SKY | Self::TOLD) == 0 {
                        self.bits[q] |= Self::NEAR;
                        grew = true;
                    }
                    if !seen[q] && self.bits[q] & (Self::SKY | Self::TOLD) == 0 {
                        seen[q] = true;
                        stack.push((q, level));
                    }
                }
            }
        }
        let opened = self.open_islands();
        self.doubt(evidence, sky);
        opened || grew
    }

    /// Doubts land near gaps some of whose pixels look like the sky too: of a crown in which gaps were proved it is likely
    /// more.
    fn doubt(&mut self, evidence: &Evidence, sky: &SkyModel) {
        let near = self.beside(CROWN_PX, |b| b & (Self::SKY | Self::GAP) == Self::GAP);
        let asked: Vec<usize> = (0..self.bits.len())
            .filter(|&k| self.bits[k] & (Self::SKY | Self::GAP | Self::TOLD) == 0)
            .filter(|&k| near(k % self.width * self.factor, k / self.width * self.factor))
            .collect();
        let like = |k: &usize| {
            gaps::look(evidence, sky, self.square(*k, 1, evidence), &|_, _| true).alike() >= GAP_SHARE
        };
        let doubted: Vec<usize> = asked.into_par_iter().filter(like).collect();
        self.bits.iter_mut().for_each(|b| *b &= !Self::DOUBT);
        doubted.into_iter().for_each(|k| self.bits[k] |= Self::DOUBT);
    }

    /// The level of the sky in each cell that proved it, in parts of the one told, with the cell's middle pixel.
    pub(crate) fn gaps(&self) -> impl Iterator<Item = ([usize; 2], f32)> {
        let middle = move |v: usize| v * self.factor + self.factor / 2;
        let cells = self.levels.iter().enumerate();
        cells
            .filter_map(move |(k, level)| Some(([middle(k % self.width), middle(k / self.width)], (*level)?)))
    }

    /// Has small pieces of land looked at closely that hang on nothing but land that proved sky behind it: a bright star seen
    /// through a crown spoils the proof about it, and no boulder floats there.
    fn open_islands(&mut self) -> bool {
        let (width, height) = (self.width, self.bits.len() / self.width.max(1));
        let shut = |b: u8| b & (Self::SKY | Self::GAP) == 0;
        let mut seen: Vec<bool> = self.bits.iter().map(|b| !shut(*b)).collect();
        let mut opened = false;
        for start in 0..self.bits.len() {
            if seen[start] {
                continue;
            }
            seen[start] = true;
            let (mut island, mut hangs, mut next) = (vec![start], false, 0);
            while let Some(&k) = island.get(next) {
                next += 1;
                hangs |= k / width + 1 == height;
                for d in 0..8 {
                    match neighbour(width, height, k, d) {
                        Some(q) if self.bits[q] & Self::SKY != 0 => hangs = true,
                        Some(q) if !seen[q] => {
                            seen[q] = true;
                            island.push(q);
                        }
                        _ => {}
                    }
                }
            }
            for &k in &island {
                self.bits[k] &= !Self::SMALL;
                self.bits[k] |= if island.len() <= ISLAND { Self::SMALL } else { 0 };
            }
            if !hangs && island.len() <= ISLAND {
                let closed = |k: &&usize| self.bits[**k] & (Self::NEAR | Self::TOLD) == 0;
                opened |= island.iter().any(|k| closed(&k));
                island.iter().for_each(|&k| self.look_at(k));
            }
        }
        opened
    }

    /// The level of the sky that land of a cell and those round it prove behind it, in parts of the one told.
    fn gap_level(&self, k: usize, evidence: &Evidence, sky: &SkyModel, before: Option<f32>) -> Option<f32> {
        let land = |x: usize, y: usize| self.at(x, y) & (Self::SKY | Self::RIM) == 0;
        gaps::look(evidence, sky, self.square(k, WINDOW, evidence), &land).gap_level(GAP_SHARE, before)
    }

    /// Share of a cell's own pixels that look like the sky behind.
    pub(crate) fn alike(&self, k: usize, evidence: &Evidence, sky: &SkyModel) -> f32 {
        gaps::look(evidence, sky, self.square(k, 0, evidence), &|_, _| true).alike()
    }

    /// The pixels of a cell and those `around` it: first column and row, and the ones after the last.
    fn square(&self, k: usize, around: usize, evidence: &Evidence) -> [usize; 4] {
        let (i, j) = (k % self.width, k / self.width);
        let low = |v: usize| v.saturating_sub(around) * self.factor;
        let high = |v: usize, end: usize| ((v + around + 1) * self.factor).min(end);
        let (width, height) = (evidence.land.width(), evidence.land.height());
        [low(i), low(j), high(i, width), high(j, height)]
    }
}
