//! Colour out of cells of 6 × 6 (X-Trans).
//!
//! [`linear`](super::linear) gives one candidate for each of four directions, along which light is taken for more alike than
//! across; which is right is decided afterwards, by the candidate whose colour differences change least along its own
//! direction (the a posteriori decision of Menon, Andriani & Calvagno 2007, section II-B, there for rows and columns of
//! Bayer mosaics). Where light must be kept fairly (stars), one filter alike in all directions serves everywhere.

use rayon::prelude::*;

use super::Directions;
use super::linear::{Likeness, Model, SIDE, Weights, filter_row, weights};
use crate::{Mosaic, Plane, Rgb};

/// Pixels of a tile: multiples of the cell.
const TILE: [usize; 2] = [84 * SIDE, 21 * SIDE];
/// What a tile sees beyond its edge: filter 3, gradients 3, their smoothing 3, in whole cells.
const HALO: usize = 2 * SIDE;
/// Where the filters' results begin.
const EDGE: usize = SIDE;
/// Steps along a direction over which colour differences are compared.
const STEPS: isize = 3;
/// Weights of the gradients round a pixel, each way.
const ROUND: [f32; 7] = [1.0, 2.0, 3.0, 4.0, 3.0, 2.0, 1.0];

/// Along rows, columns and both diagonals.
const WAYS: [[isize; 2]; 4] = [[1, 0], [0, 1], [1, 1], [1, -1]];

fn model(way: Option<[isize; 2]>) -> Model {
    let light = match way {
        Some([dx, dy]) => Likeness::Streaks {
            angle: (dy as f64).atan2(dx as f64),
            along: 12.0,
            across: 3.0,
        },
        None => Likeness::Streaks {
            angle: 0.0,
            along: 6.0,
            across: 6.0,
        },
    };
    let colour = Likeness::Streaks {
        angle: 0.0,
        along: 8.0,
        across: 8.0,
    };
    Model {
        light,
        colour,
        share: 0.1,
        noise: 0.01,
    }
}

/// Camera RGB of a mosaic in cells of six that is at least a cell wide and high.
pub(super) fn demosaic(mosaic: &Mosaic, balance: [f32; 3], directions: Directions) -> Rgb {
    let (width, height) = (mosaic.plane.width(), mosaic.plane.height());
    let filters: Vec<Weights> = match directions {
        Directions::Equal => vec![weights(mosaic.cfa, &model(None))],
        _ => WAYS
            .iter()
            .map(|w| weights(mosaic.cfa, &model(Some(*w))))
            .collect(),
    };
    let mut planes = [(); 3].map(|()| Plane::filled(width, height, 0.0));
    let [r, g, b] = planes
        .each_mut()
        .map(|p| p.data_mut().par_chunks_mut(TILE[1] * width));
    r.zip(g).zip(b).enumerate().for_each(|(band, ((r, g), b))| {
        let mut out = [r, g, b];
        for x0 in (0..width).step_by(TILE[0]) {
            let tile = Tile::cut(mosaic, balance, [x0, band * TILE[1]]);
            let candidates: Vec<[Vec<f32>; 3]> = filters.iter().map(|f| tile.filtered(f)).collect();
            let shares = tile.shares(&candidates, directions);
            tile.put(mosaic, balance, (&candidates, &shares), &mut out);
        }
    });
    Rgb::from_planes(planes)
}

/// The index in 0..n that stands for a place beyond the edge: of the same place in the cell.
pub(super) fn inside(at: isize, n: usize) -> usize {
    let (side, n) = (SIDE as isize, n as isize);
    let at = if at < 0 { at.rem_euclid(side) } else { at };
    let over = (at - n + side).div_euclid(side).max(0);
    (at - over * side) as usize
}

struct Tile {
    /// First pixel of the inner part in the picture.
    at: [usize; 2],
    inner: [usize; 2],
    width: usize,
    height: usize,
    /// Balanced samples with the halo.
    samples: Vec<f32>,
}

impl Tile {
    fn cut(mosaic: &Mosaic, balance: [f32; 3], at: [usize; 2]) -> Self {
        let (w, h) = (mosaic.plane.width(), mosaic.plane.height());
        let inner = [TILE[0].min(w - at[0]), TILE[1].min(h - at[1])];
        let width = inner[0].next_multiple_of(SIDE) + 2 * HALO;
        let height = inner[1] + 2 * HALO;
        let mut samples = Vec::with_capacity(width * height);
        for y in 0..height {
            let v = inside((at[1] + y) as isize - HALO as isize, h);
            let row = mosaic.plane.row(v);
            samples.extend((0..width).map(|x| {
                let u = inside((at[0] + x) as isize - HALO as isize, w);
                row[u] * balance[mosaic.cfa.colour(u, v)]
            }));
        }
        Self {
            at,
            inner,
            width,
            height,
            samples,
        }
    }

    fn filtered(&self, filter: &Weights) -> [Vec<f32>; 3] {
        let (w, h) = (self.width, self.height);
        let mut planes = [(); 3].map(|()| vec![0.0; w * h]);
        for (c, plane) in planes.iter_mut().enumerate() {
            for y in EDGE..h - EDGE {
                let out = &mut plane[y * w + EDGE..(y + 1) * w - EDGE];
                filter_row(&self.samples, w, &filter[y % SIDE][c], (EDGE, y), out);
            }
        }
        planes
    }

    /// What each candidate counts for at each pixel; empty where there is one.
    fn shares(&self, candidates: &[[Vec<f32>; 3]], directions: Directions) -> Vec<Vec<f32>> {
        if candidates.len() == 1 {
            return Vec::new();
        }
        let changes: Vec<Vec<f32>> = WAYS
            .iter()
            .zip(candidates)
            .map(|(w, c)| self.changes(c, *w))
            .collect();
        let mut shares = vec![vec![0.0; self.samples.len()]; changes.len()];
        for y in HALO..self.height - HALO {
            for i in y * self.width + HALO..(y + 1) * self.width - HALO {
                let least = changes.iter().map(|c| c[i]).fold(f32::INFINITY, f32::min);
                for (share, change) in shares.iter_mut().zip(&changes) {
                    share[i] = match directions {
                        Directions::Chosen => f32::from(u8::from(change[i] <= least)),
                        _ if change[i] <= 0.0 => 1.0,
                        _ => (least / change[i]).powi(4),
                    };
                }
            }
        }
        shares
    }

    /// How much colour differences change along a direction, round each pixel.
    fn changes(&self, [r, g, b]: &[Vec<f32>; 3], [dx, dy]: [isize; 2]) -> Vec<f32> {
        let (w, h) = (self.width, self.height);
        let step = dy * w as isize + dx;
        let reach = EDGE + STEPS as usize;
        let mut change = vec![0.0; w * h];
        for y in reach..h - reach {
            for i in y * w + reach..(y + 1) * w - reach {
                let (red, blue) = (r[i] - g[i], b[i] - g[i]);
                for k in 1..=STEPS {
                    let j = (i as isize + k * step) as usize;
                    change[i] += (r[j] - g[j] - red).abs() + (b[j] - g[j] - blue).abs();
                }
            }
        }
        smoothed(&change, w, h, reach)
    }

    fn put(
        &self,
        mosaic: &Mosaic,
        balance: [f32; 3],
        (candidates, shares): (&[[Vec<f32>; 3]], &[Vec<f32>]),
        out: &mut [&mut [f32]; 3],
    ) {
        let picture_width = mosaic.plane.width();
        for y in 0..self.inner[1] {
            for x in 0..self.inner[0] {
                let i = (y + HALO) * self.width + x + HALO;
                let (u, v) = (self.at[0] + x, self.at[1] + y);
                let own = mosaic.cfa.colour(u, v);
                for (c, plane) in out.iter_mut().enumerate() {
                    plane[y * picture_width + u] = if c == own {
                        mosaic.plane.at(u, v)
                    } else {
                        mixed(candidates, shares, c, i) / balance[c]
                    };
                }
            }
        }
    }
}

fn mixed(candidates: &[[Vec<f32>; 3]], shares: &[Vec<f32>], c: usize, i: usize) -> f32 {
    if shares.is_empty() {
        return candidates[0][c][i];
    }
    let (mut sum, mut all) = (0.0, 0.0);
    for (candidate, share) in candidates.iter().zip(shares) {
        sum += share[i] * candidate[c][i];
        all += share[i];
    }
    sum / all
}

/// Sums with the weights of [`ROUND`] each way, `margin` from the edge and further in.
fn smoothed(values: &[f32], w: usize, h: usize, margin: usize) -> Vec<f32> {
    let r = ROUND.len() / 2;
    let mut across = vec![0.0; values.len()];
    for y in margin..h - margin {
        for i in y * w + margin + r..(y + 1) * w - margin - r {
            across[i] = ROUND.iter().zip(&values[i - r..]).map(|(k, v)| k * v).sum();
        }
    }
    let mut out = vec![0.0; values.len()];
    for y in margin + r..h - margin - r {
        for (k, weight) in ROUND.iter().enumerate() {
            let from = &across[(y + k - r) * w..][..w];
            for (o, v) in out[y * w..][..w].iter_mut().zip(from) {
                *o += weight * v;
            }
        }
    }
    out
}
