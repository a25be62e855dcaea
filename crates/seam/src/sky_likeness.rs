//! Which pixels look like plain sky, and which of the others hang on the land.

use nightloom_fit::median_and_sigma;
use rayon::prelude::*;

use crate::{
    Evidence, SeamError, Side, SkyModel, Work, land_model::LandModel, resample, strokes::Painted, zone::Zone,
};

/// What is known of a pixel before the band is solved.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum State {
    Sky,
    Land,
    Unknown,
}

const SKY_SIDE: u16 = 1;
const NEAR: u16 = 2;
const CHANGED: u16 = 4;
const STRONG: u16 = 8;
const ATTACHED: u16 = 16;
const OPEN_SKY: u16 = 32;
const EDGE: u16 = 64;
const INVALID: u16 = 128;
const SINGLE: u16 = 256;
const STARLIKE: u16 = 512;
const LOOKED_AT: u16 = 1024;
const PAINTED: u16 = 2048;

/// How far a soft edge reaches into plain sky, pixels.
const SKIRT_PX: usize = 2;
/// Land farther than this from anything like sky is certain, pixels.
const DEPTH_PX: usize = 9;

/// How well the smooth sky is known near the ridge, as a fraction of its level.
const MODEL_ERROR: f32 = 0.02;

/// A pixel with less land than about four times this is no evidence of land.
const LEAST_SHARE: f32 = 0.03;

/// The same for a pixel that may be sky in a narrow gap: its neighbours' light spills into it.
const GAP_SHARE: f32 = 0.1;

/// Bits of findings per pixel.
pub(crate) struct Likeness {
    bits: Vec<u16>,
    width: usize,
}

impl Likeness {
    #[inline]
    fn at(&self, x: usize, y: usize) -> u16 {
        self.bits[y * self.width + x]
    }

    /// Differs from the sky but does not hang on the land: a star. Among twigs what is brighter than the sky is most
    /// often the sky itself, of which too little was known.
    pub(crate) fn starry(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & (CHANGED | ATTACHED | STARLIKE) == CHANGED
    }

    /// Land no sky can shine through, for the land's colours.
    pub(crate) fn deep_land(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & (INVALID | ATTACHED | EDGE | NEAR | SKY_SIDE) == ATTACHED
    }

    /// Brushed as land.
    pub(crate) fn told_land(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & (INVALID | ATTACHED | PAINTED) == ATTACHED | PAINTED
    }

    /// Differs from the sky and hangs on the land.
    pub(crate) fn on_land(&self, x: usize, y: usize) -> bool {
        self.at(x, y) & (INVALID | ATTACHED) == ATTACHED
    }

    pub(crate) fn state(&self, x: usize, y: usize) -> State {
        let bits = self.at(x, y);
        if bits & EDGE != 0 && bits & PAINTED == 0 {
            State::Unknown
        } else if bits & ATTACHED != 0 {
            State::Land
        } else {
            State::Sky
        }
    }
}

/// Compares pixels near the edge with sky and land, then follows land outwards and sky inwards.
pub(crate) fn compare(
    evidence: &Evidence,
    sky: &SkyModel,
    land: &LandModel,
    zone: &Zone,
    painted: Option<&Painted>,
    threshold: f32,
    work: &Work,
) -> Result<Likeness, SeamError> {
    let (width, height) = (evidence.land.width(), evidence.land.height());
    let mut bits = vec![0u16; width * height];
    let comparison = Comparison::new(evidence, sky, land, zone, threshold);
    let rows: Result<(), SeamError> = bits.par_chunks_mut(width).enumerate().try_for_each(|(y, row)| {
        work.check()?;
        row.iter_mut().enumerate().for_each(|(x, bits)| {
            let first = comparison.first(x, y);
            let told = painted.filter(|_| first & INVALID == 0).and_then(|p| p.at(x, y));
            *bits = told.map_or(first, said);
        });
        Ok(())
    });
    rows?;
    follow_land(&mut bits, width, height, &comparison);
    work.check()?;
    follow_sky(&mut bits, width, height);
    mark_edges(&mut bits, width, height);
    Ok(Likeness { bits, width })
}

/// Noise by which a star outshines the sky that it passes before, sigmas.
const STARLIT: f32 = 5.0;

/// Whether a star is known to have passed here, and the pixel outshines the sky: then it says nothing of land.
pub(crate) fn starlit(evidence: &Evidence, sky: &SkyModel, x: usize, y: usize) -> bool {
    evidence.places.is_some_and(|p| p.trail(x, y)) && {
        let (seen, back) = (evidence.land.at(x, y), sky.at(x, y));
        (0..3).all(|c| seen[c] > back[c] + STARLIT * sky.noise_at(c, back[c]))
    }
}

/// Lit pixels in a square of this reach that a trail has at least, at the land's edge and through a gap in its midst: less is a
/// warm pixel of the sensor, or ground of a bright colour.
const LEAST_TRAIL: [(usize, usize); 2] = [(1, 3), (4, 14)];

/// Whether a lit pixel belongs to a trail.
pub(crate) fn trail_shows(evidence: &Evidence, sky: &SkyModel, zone: &Zone, x: usize, y: usize) -> bool {
    let (width, height) = (evidence.land.width(), evidence.land.height());
    let (reach, least) = LEAST_TRAIL[usize::from(zone.is_ground(x, y))];
    let rows = y.saturating_sub(reach)..(y + reach + 1).min(height);
    rows.flat_map(|v| (x.saturating_sub(reach)..(x + reach + 1).min(width)).map(move |u| (u, v)))
        .filter(|&(u, v)| starlit(evidence, sky, u, v))
        .count()
        >= least
}

/// What a brushed pixel is taken for: land that more land can hang on, or sky that none can.
fn said(side: Side) -> u16 {
    match side {
        Side::Land => PAINTED | LOOKED_AT | NEAR | CHANGED | STRONG,
        Side::Sky => PAINTED | LOOKED_AT | NEAR | SKY_SIDE,
    }
}

/// All that a pixel is compared with.
struct Comparison<'a> {
    evidence: &'a Evidence<'a>,
    sky: &'a SkyModel,
    land: &'a LandModel,
    zone: &'a Zone,
    calm: f32,
    weak: f32,
    strong: f32,
}

impl<'a> Comparison<'a> {
    fn new(
        evidence: &'a Evidence<'a>,
        sky: &'a SkyModel,
        land: &'a LandModel,
        zone: &'a Zone,
        threshold: f32,
    ) -> Self {
        // Three channels at once: the threshold for the sum of squares grows with their number.
        let (weak, strong) = (threshold * threshold + 3.0, (1.5 * threshold).powi(2) + 3.0);
        Self {
            evidence,
            sky,
            land,
            zone,
            calm: calm_noise(evidence, sky, zone),
            weak,
            strong,
        }
    }

    /// What the zone tells, and for pixels near the edge what their colour tells.
    fn first(&self, x: usize, y: usize) -> u16 {
        let place = self.zone.at(x, y);
        if !self.evidence.land.at(x, y).iter().all(|v| v.is_finite()) {
            return INVALID;
        }
        if self.evidence.places.is_some_and(|p| p.below(x, y)) {
            return CHANGED | STRONG | LOOKED_AT;
        }
        let side = if place & Zone::SKY != 0 { SKY_SIDE } else { 0 };
        match place & (Zone::SKY | Zone::NEAR) {
            _ if place & (Zone::SKY | Zone::TOLD) == Zone::SKY | Zone::TOLD => SKY_SIDE | LOOKED_AT,
            // A star that shines where one is known to have passed is seen through the land's gaps.
            0 if self.starlit(x, y)
                && self.look(x, y, true) & STARLIKE != 0
                && trail_shows(self.evidence, self.sky, self.zone, x, y) =>
            {
                NEAR | CHANGED | STRONG | STARLIKE | LOOKED_AT
            }
            0 => CHANGED | STRONG | LOOKED_AT,
            near if near & Zone::NEAR != 0 => {
                side | NEAR | self.look(x, y, side != 0 || place & Zone::GAP != 0)
            }
            _ => side,
        }
    }

    /// Whether a star is known to have passed.
    fn starlit(&self, x: usize, y: usize) -> bool {
        self.evidence.places.is_some_and(|p| p.trail(x, y))
    }

    /// What a pixel's colour tells; `open` where sky is seen.
    fn look(&self, x: usize, y: usize, open: bool) -> u16 {
        let colour = self.evidence.land.at(x, y);
        let (back, front) = (self.sky.at(x, y), self.land.at(x, y));
        let noise: [f32; 3] = std::array::from_fn(|c| self.sky.noise_at(c, back[c]));
        let doubt: [f32; 3] = std::array::from_fn(|c| {
            (MODEL_ERROR * back[c]).powi(2) + (LEAST_SHARE * (front[c] - back[c])).powi(2)
        });
        let distance = |v: [f32; 3], shrink: f32, share: f32| -> f32 {
            let extra = |c: usize| (share * (front[c] - back[c])).powi(2);
            let variance = |c: usize| (noise[c] * shrink).powi(2) + doubt[c] + extra(c);
            (0..3).map(|c| (v[c] - back[c]).powi(2) / variance(c)).sum()
        };
        let one = distance(colour, 1.0, 0.0);
        let nine = distance(mean_of_nine(self.evidence, x, y), self.calm, 0.0);
        let far = if nine.is_finite() { one.max(nine) } else { one };
        let marks = [
            (far > self.weak, CHANGED),
            (far > self.strong, STRONG),
            (distance(colour, 1.0, GAP_SHARE) <= self.weak, SINGLE),
            // Brighter than the sky where land is darker: a star or its trail, even where it meets a tree.
            (
                (open || self.starlit(x, y)) && opposite(colour, back, front, noise),
                STARLIKE,
            ),
        ];
        marks
            .into_iter()
            .filter(|m| m.0)
            .fold(LOOKED_AT, |bits, m| bits | m.1)
    }
}

/// Noise of a 3 × 3 mean as a share of a single pixel's: ⅓ for white noise, more after demosaicing.
fn calm_noise(evidence: &Evidence, sky: &SkyModel, zone: &Zone) -> f32 {
    let (width, height) = (evidence.land.width(), evidence.land.height());
    let mut ratios = Vec::new();
    let step = ((width * height / 60_000) as f64).sqrt().ceil().max(1.0) as usize;
    for y in (1..height.saturating_sub(1)).step_by(step) {
        for x in (1..width.saturating_sub(1)).step_by(step) {
            if zone.at(x, y) & Zone::CLEAR != 0 {
                let back = sky.at(x, y);
                let mean = mean_of_nine(evidence, x, y)[1];
                ratios.push((mean - back[1]) / sky.noise_at(1, back[1]));
            }
        }
    }
    median_and_sigma(&mut ratios).map_or(0.5, |(_, sigma)| sigma.clamp(0.3, 1.0))
}

fn mean_of_nine(evidence: &Evidence, x: usize, y: usize) -> [f32; 3] {
    let (width, height) = (evidence.land.width(), evidence.land.height());
    let (x0, x1) = (x.saturating_sub(1), (x + 2).min(width));
    let (y0, y1) = (y.saturating_sub(1), (y + 2).min(height));
    std::array::from_fn(|c| {
        let plane = &evidence.land.planes()[c];
        let sum: f32 = (y0..y1).map(|v| plane.row(v)[x0..x1].iter().sum::<f32>()).sum();
        sum / ((x1 - x0) * (y1 - y0)) as f32
    })
}

/// Marks what differs from the sky and hangs on the land.
fn follow_land(bits: &mut [u16], width: usize, height: usize, comparison: &Comparison) {
    let mut stack: Vec<u32> = Vec::new();
    for (i, b) in bits.iter_mut().enumerate() {
        let inner = *b & (SKY_SIDE | NEAR) == 0;
        if *b & (INVALID | STARLIKE) == 0 && *b & SKY_SIDE == 0 && (inner || *b & STRONG != 0) {
            *b |= ATTACHED;
            if !inner {
                stack.push(i as u32);
            }
        }
    }
    while let Some(i) = stack.pop() {
        let i = i as usize;
        let (x, y) = (i % width, i / width);
        let wide = if bits[i] & STRONG != 0 { 2 } else { 1 };
        for v in y.saturating_sub(wide)..(y + wide + 1).min(height) {
            for u in x.saturating_sub(wide)..(x + wide + 1).min(width) {
                let next = v * width + u;
                if bits[next] & (LOOKED_AT | INVALID) == 0 {
                    bits[next] |= comparison.look(u, v, bits[next] & SKY_SIDE != 0);
                }
                let near = u.abs_diff(x) <= 1 && v.abs_diff(y) <= 1;
                let needed = if near { CHANGED } else { STRONG };
                if bits[next] & (ATTACHED | INVALID | STARLIKE) == 0 && bits[next] & needed != 0 {
                    bits[next] |= ATTACHED;
                    stack.push(next as u32);
                }
            }
        }
    }
}

/// Marks sky open to the large sky: everything sky-sided that does not hang on land, and gaps joined to it.
fn follow_sky(bits: &mut [u16], width: usize, height: usize) {
    let mut stack: Vec<u32> = Vec::new();
    for (i, b) in bits.iter_mut().enumerate() {
        if *b & SKY_SIDE != 0 && *b & (ATTACHED | INVALID) == 0 {
            *b |= OPEN_SKY;
            if *b & NEAR != 0 {
                stack.push(i as u32);
            }
        }
    }
    while let Some(i) = stack.pop() {
        let i = i as usize;
        for d in [1, 3, 4, 6] {
            if let Some(q) = crate::grid_cut::neighbour(width, height, i, d)
                && bits[q] & (OPEN_SKY | ATTACHED | INVALID | CHANGED) == 0
            {
                bits[q] |= OPEN_SKY;
                stack.push(q as u32);
            }
        }
    }
}

/// Whether a colour lies on the far side of the sky, seen from the land: brighter over dark land.
fn opposite(seen: [f32; 3], back: [f32; 3], front: [f32; 3], noise: [f32; 3]) -> bool {
    let (mut along, mut across) = (0.0, 1e-6);
    for c in 0..3 {
        let d = (front[c] - back[c]) / noise[c];
        along += d * (seen[c] - back[c]) / noise[c];
        across += d * d;
    }
    along < -0.1 * across
}

/// Marks the pixels that must be solved for: what is neither certain land nor certain sky.
///
/// Land counts as certain unless sky shows within [`DEPTH_PX`]: open sky, or a few pixels in a gap that
/// look like it one by one.
fn mark_edges(bits: &mut [u16], width: usize, height: usize) {
    let mut sides = vec![0u8; bits.len()];
    sides.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, side) in row.iter_mut().enumerate() {
            *side = match bits[y * width + x] {
                b if b & INVALID != 0 => 0,
                b if b & OPEN_SKY != 0 => SKY,
                b if b & ATTACHED == 0 => UNSURE | SKY,
                _ if several(bits, (width, height), (x, y), SINGLE) => LAND | SKY,
                _ => LAND,
            };
        }
    });
    let land_near = resample::spread_bits(&sides, width, height, SKIRT_PX);
    let sky_near = resample::spread_bits(&sides, width, height, DEPTH_PX);
    for (i, b) in bits.iter_mut().enumerate() {
        let edge = match sides[i] {
            // Cells in which no sky was proved are not asked again.
            LAND => sky_near[i] & SKY != 0 && *b & (NEAR | SKY_SIDE) != 0,
            SKY => land_near[i] & LAND != 0,
            0 => false,
            _ => true,
        };
        if edge {
            *b |= EDGE;
        }
    }
}

const LAND: u8 = 1;
const SKY: u8 = 2;
const UNSURE: u8 = 4;

/// Whether this pixel near the edge and at least two of its neighbours bear the mark.
fn several(bits: &[u16], (width, height): (usize, usize), (x, y): (usize, usize), mark: u16) -> bool {
    let here = bits[y * width + x];
    if here & mark == 0 || here & (NEAR | SKY_SIDE) == 0 {
        return false;
    }
    let rows = y.saturating_sub(1)..(y + 2).min(height);
    let around = rows.flat_map(|v| &bits[v * width + x.saturating_sub(1)..v * width + (x + 2).min(width)]);
    around.filter(|b| **b & mark != 0).count() >= 3
}
