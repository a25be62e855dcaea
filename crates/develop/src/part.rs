//! Developed rows of a part of the layers: as they lie, or turned to be level.

use nightloom_seam::compose_row;
use nightloom_stack::{Run, Turn, TurnedFrom};
use rayon::prelude::*;

use super::development::Development;
use super::layers::Block;
use super::stars::Stars;

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

/// What rows are made from.
pub(super) struct Source<'a> {
    pub(super) how: &'a Development,
    pub(super) block: &'a Block,
    pub(super) stars: Option<&'a Stars>,
    pub(super) layer: DevelopedLayer,
    /// By how far the sky is moved right and down, pixels of this size.
    pub(super) moved: [i64; 2],
}

/// Room for one row.
#[derive(Default)]
pub(super) struct Rows {
    sky: [Vec<f32>; 3],
    land: [Vec<f32>; 3],
    matte: Vec<f32>,
    pub(super) shown: [Vec<f32>; 3],
}

impl Source<'_> {
    /// Row `y` of the block.
    pub(super) fn row(&self, y: usize, rows: &mut Rows) {
        let matte = self.block.matte(y);
        match wanted(self.layer, matte) {
            [true, false] => self.sky(y, &mut rows.shown),
            [false, _] => self.land(y, &mut rows.shown),
            _ => {
                self.sky(y, &mut rows.sky);
                self.land(y, &mut rows.land);
                joined(&rows.land, &rows.sky, matte, &mut rows.shown);
            }
        }
    }

    fn run(&self, y: usize) -> Run {
        let part = self.block.part;
        Run::at_level(part.level, part.left, part.top + y)
    }

    fn land(&self, y: usize, out: &mut [Vec<f32>; 3]) {
        self.how.land(self.block.land(y), out);
        self.how.corners(self.run(y), out);
    }

    /// The sky that is shown along a row of the block; beyond its border what a bare sky is.
    fn sky(&self, y: usize, out: &mut [Vec<f32>; 3]) {
        let (part, sky) = (self.block.part, self.block.sky_part);
        let place = |at: usize, by: i64, first: usize, count: usize| {
            let place = at as i64 - by - first as i64;
            (0..count as i64).contains(&place).then_some(place as usize)
        };
        let row = place(part.top + y, self.moved[1], sky.top, sky.height);
        if let Some(row) = row {
            let run = Run::at_level(sky.level, sky.left, sky.top + row);
            self.how.sky(run, self.block.sky(row, self.stars), out);
        }
        if self.moved != [0, 0] {
            for (plane, bare) in out.iter_mut().zip(self.how.bare_sky()) {
                let from = std::mem::take(plane);
                let at = |x: usize| {
                    let column = place(part.left + x, self.moved[0], sky.left, sky.width);
                    row.and(column).map_or(bare, |x| from[x])
                };
                *plane = (0..part.width).map(at).collect();
            }
        }
        self.how.corners(self.run(y), out);
    }

    /// All of the block, to be turned.
    pub(super) fn whole(&self) -> Whole {
        let (width, height) = (self.block.part.width, self.block.part.height);
        let rows: Vec<[[Vec<f32>; 3]; 2]> = (0..height)
            .into_par_iter()
            .map(|y| {
                let mut both: [[Vec<f32>; 3]; 2] = Default::default();
                let [sky, land] = wanted(self.layer, self.block.matte(y));
                // A row beside one that is wanted may be read too.
                if sky || self.layer != DevelopedLayer::Land {
                    self.sky(y, &mut both[0]);
                }
                if land || self.layer != DevelopedLayer::Sky {
                    self.land(y, &mut both[1]);
                }
                both
            })
            .collect();
        let plane = |layer: usize, c: usize| -> Vec<f32> {
            let all = rows.iter().flat_map(|both| &both[layer][c]);
            all.copied().collect()
        };
        Whole {
            sky: std::array::from_fn(|c| plane(0, c)),
            land: std::array::from_fn(|c| plane(1, c)),
            matte: (0..height).flat_map(|y| self.block.matte(y)).copied().collect(),
            width,
        }
    }
}

/// Whether sky and land are wanted for a row.
fn wanted(layer: DevelopedLayer, matte: &[f32]) -> [bool; 2] {
    match layer {
        DevelopedLayer::Sky => [true, false],
        DevelopedLayer::Land => [false, true],
        DevelopedLayer::Picture => [matte.iter().any(|a| *a > 0.0), matte.iter().any(|a| *a < 1.0)],
    }
}

fn joined(land: &[Vec<f32>; 3], sky: &[Vec<f32>; 3], matte: &[f32], out: &mut [Vec<f32>; 3]) {
    for (c, row) in out.iter_mut().enumerate() {
        row.resize(matte.len(), 0.0);
        compose_row(&land[c], &sky[c], matte, row);
    }
}

/// A developed block.
pub(super) struct Whole {
    sky: [Vec<f32>; 3],
    land: [Vec<f32>; 3],
    matte: Vec<f32>,
    width: usize,
}

impl Whole {
    /// `count` pixels of the turned picture from one on; `first` is the block's first place in what is turned.
    pub(super) fn row(
        &self,
        (turn, first): (&Turn, [usize; 2]),
        layer: DevelopedLayer,
        from: [usize; 2],
        count: usize,
        rows: &mut Rows,
    ) {
        let read = |values: &[f32], out: &mut Vec<f32>| {
            out.resize(count, 0.0);
            let width = self.width;
            turn.row(&TurnedFrom { values, first, width }, from, out);
        };
        let all = |planes: &[Vec<f32>; 3], out: &mut [Vec<f32>; 3]| {
            planes.iter().zip(out).for_each(|(p, o)| read(p, o));
        };
        read(&self.matte, &mut rows.matte);
        rows.matte.iter_mut().for_each(|v| *v = v.clamp(0.0, 1.0));
        match wanted(layer, &rows.matte) {
            [true, false] => all(&self.sky, &mut rows.shown),
            [false, _] => all(&self.land, &mut rows.shown),
            _ => {
                all(&self.sky, &mut rows.sky);
                all(&self.land, &mut rows.land);
                joined(&rows.land, &rows.sky, &rows.matte, &mut rows.shown);
            }
        }
    }
}
