//! The hearts of twigs: where a crown shows land's own colour.
//!
//! Sky shines through nearly all of a crown: most of its twigs are narrower than a pixel. Its own colour stands where it
//! lies farthest from the sky's, in limbs and trunks, and those may be far from a twig.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::{Evidence, SkyModel, land_model::LandModel};

/// Share of the way from sky to deep land beyond which a colour is taken for land's own.
const MOSTLY_LAND: f32 = 0.9;
/// A heart lies this near to the farthest from the sky of all round it.
const NEARLY: f32 = 0.9;
/// Beside solid land so many pixels round are compared.
const BESIDE_PX: usize = 2;
/// In crowns, cells of this side in so many cells each way: limbs lie within some thirty pixels of their twigs.
const CELL_PX: usize = 8;
const REACH: usize = 4;

/// How far around a pixel may be more land than it is.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Among {
    /// The next pixels, on ground that has colours of its own at every place.
    Beside,
    /// A whole crown.
    Crown,
}

/// The farthest from the sky in each pixel's neighbourhood.
pub(crate) struct Hearts<'a> {
    evidence: &'a Evidence<'a>,
    sky: &'a SkyModel,
    deep: &'a LandModel,
    cells: Plane,
}

impl<'a> Hearts<'a> {
    /// Of those pixels that `land` names, `deep` being the colours of land through which no sky is seen.
    pub(crate) fn of(
        evidence: &'a Evidence<'a>,
        sky: &'a SkyModel,
        deep: &'a LandModel,
        land: &(dyn Fn(usize, usize) -> bool + Sync),
    ) -> Self {
        let (width, height) = (evidence.land.width(), evidence.land.height());
        let (across, down) = (width.div_ceil(CELL_PX), height.div_ceil(CELL_PX));
        let mut most = Plane::filled(across, down, 0.0);
        let rows = most.data_mut().par_chunks_mut(across).enumerate();
        rows.for_each(|(j, row)| {
            for (i, most) in row.iter_mut().enumerate() {
                for y in j * CELL_PX..((j + 1) * CELL_PX).min(height) {
                    for x in i * CELL_PX..((i + 1) * CELL_PX).min(width) {
                        if land(x, y) {
                            *most = most.max(away(evidence, sky, deep, x, y));
                        }
                    }
                }
            }
        });
        let cells = Plane::from_fn(across, down, |i, j| {
            let rows = j.saturating_sub(REACH)..(j + REACH + 1).min(down);
            rows.flat_map(|v| &most.row(v)[i.saturating_sub(REACH)..(i + REACH + 1).min(across)])
                .copied()
                .fold(0.0, f32::max)
        });
        Self {
            evidence,
            sky,
            deep,
            cells,
        }
    }

    /// How far a pixel is on the way from the sky to the land farthest from it in the crown round it, 0 to about 1.
    fn share_of_crown(&self, x: usize, y: usize) -> f32 {
        let most = self.cells.at(x / CELL_PX, y / CELL_PX);
        self.away(x, y) / most.max(f32::MIN_POSITIVE)
    }

    /// Whether a pixel shows land's own colour: of all about it it differs most from the sky (or nearly so), and it lies as
    /// far from it as the deep land does, or quite elsewhere (not simply brighter, if that can be a star).
    pub(crate) fn is_heart(&self, [x, y]: [usize; 2], among: Among) -> bool {
        if self.away(x, y) == 0.0 || !self.as_far_as_deep(x, y) {
            return false;
        }
        match among {
            Among::Crown => self.share_of_crown(x, y) >= NEARLY,
            Among::Beside => self.away(x, y) >= NEARLY * self.most_beside(x, y),
        }
    }

    fn away(&self, x: usize, y: usize) -> f32 {
        away(self.evidence, self.sky, self.deep, x, y)
    }

    fn most_beside(&self, x: usize, y: usize) -> f32 {
        let (width, height) = (self.evidence.land.width(), self.evidence.land.height());
        let rows = y.saturating_sub(BESIDE_PX)..(y + 1 + BESIDE_PX).min(height);
        rows.flat_map(|v| (x.saturating_sub(BESIDE_PX)..(x + 1 + BESIDE_PX).min(width)).map(move |u| (u, v)))
            .map(|(u, v)| self.away(u, v))
            .fold(0.0, f32::max)
    }

    fn as_far_as_deep(&self, x: usize, y: usize) -> bool {
        let (colour, back, front) = (self.evidence.land.at(x, y), self.sky.at(x, y), self.deep.at(x, y));
        let [mut along, mut across, mut length] = [0.0f32, 1e-6, 0.0];
        for c in 0..3 {
            let noise = self.sky.noise_at(c, back[c]);
            let (d, r) = ((front[c] - back[c]) / noise, (colour[c] - back[c]) / noise);
            along += d * r;
            across += d * d;
            length += r * r;
        }
        let share = along / across;
        let aside = (length - share * along).max(0.0);
        let brighter = share < -0.3 && !self.evidence.trails_left();
        let elsewhere = aside > 0.5 * across + 25.0 || brighter;
        length.is_finite() && (share >= MOSTLY_LAND || elsewhere)
    }
}

/// How far a pixel's colour lies from the sky behind it, in sigmas, channels added up: on the dark side alone where land is
/// darker, for stars are not. 0 where it is no colour.
fn away(evidence: &Evidence, sky: &SkyModel, deep: &LandModel, x: usize, y: usize) -> f32 {
    let (colour, back, front) = (evidence.land.at(x, y), sky.at(x, y), deep.at(x, y));
    let apart: [f32; 3] = std::array::from_fn(|c| (back[c] - colour[c]) / sky.noise_at(c, back[c]));
    let sum = match (0..3).all(|c| front[c] < back[c]) {
        true => apart.iter().sum(),
        false => apart.iter().map(|d| d.abs()).sum::<f32>(),
    };
    if sum.is_finite() { sum.max(0.0) } else { 0.0 }
}
