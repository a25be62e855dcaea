//! Where the matte must be looked at closely: near the coarse edge, and wherever sky shows through land.

use nightloom_raster::Plane;

use crate::{Coarse, Evidence, SkyModel, gaps, resample};

/// Land that shows sky shows it in this share of its pixels at least.
const GAP_SHARE: f32 = 0.03;
/// Cells round a land cell that are looked at with it for gaps.
const WINDOW: usize = 3;
/// Cells on the land's side of the coarse edge that are always looked at closely: no label is surer.
const EDGE_CELLS: usize = 2;

/// Cells of dense crown that may lie between two gaps. A lake lies farther behind its shore.
const BRIDGE: usize = 3;

/// Which coarse cells are certain and which lie near the edge.
pub(crate) struct Zone {
    bits: Vec<u8>,
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

    /// Whether land that lets no sky through lies within `px` of a pixel.
    pub(crate) fn beside_solid(&self, px: usize) -> impl Fn(usize, usize) -> bool + Sync + use<> {
        let solid = |b: &u8| u8::from(b & (Self::SKY | Self::NEAR) == 0);
        let own: Vec<u8> = self.bits.iter().map(solid).collect();
        let near = resample::spread_bits(&own, self.width, self.height, px.div_ceil(self.factor));
        let (width, factor) = (self.width, self.factor);
        move |x, y| near[y / factor * width + x / factor] != 0
    }

    /// Follows gaps from the edge into the land; true if the zone grew.
    pub(crate) fn grow_into_gaps(&mut self, evidence: &Evidence, sky: &SkyModel) -> bool {
        let is_near_land = |b: u8| b & (Self::NEAR | Self::SKY) == Self::NEAR;
        let mut stack: Vec<usize> = (0..self.bits.len())
            .filter(|&k| is_near_land(self.bits[k]))
            .collect();
        let mut seen = vec![false; self.bits.len()];
        stack.iter().for_each(|&k| seen[k] = true);
        let mut grew = false;
        while let Some(k) = stack.pop() {
            if self.bits[k] & Self::GAP == 0 {
                if !self.is_gap(k, evidence, sky) {
                    continue;
                }
                self.bits[k] |= Self::GAP;
            }
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
                        stack.push(q);
                    }
                }
            }
        }
        grew
    }

    /// Whether land of a cell and those round it proves sky behind.
    fn is_gap(&self, k: usize, evidence: &Evidence, sky: &SkyModel) -> bool {
        let land = |x: usize, y: usize| self.at(x, y) & (Self::SKY | Self::RIM) == 0;
        gaps::look(evidence, sky, self.square(k, WINDOW, evidence), &land).is_gap(GAP_SHARE)
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
