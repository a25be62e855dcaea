//! Linear filters that are best on the average for filters in any arrangement.
//!
//! The three channels are taken for one random light that all share, and a weaker one of each; of such a model the filter
//! of least mean squared error follows for every place in the cell (Chaix de Lavarène, Alleysson & Hérault 2007,
//! “Practical implementation of LMMSE demosaicing using luminance and chrominance spaces”, Computer Vision and Image
//! Understanding 107, 3–13). Beyond the paper, the mean of each channel counts as unknown: weights on a channel's own samples
//! sum to 1, on those of the others to 0 (co-kriging), so that even areas of any colour come back exactly.

use crate::Cfa;

/// How far a filter reaches, pixels.
pub(super) const REACH: usize = 3;
/// Pixels on a side of a cell of six, the only arrangement these filters serve.
pub(super) const SIDE: usize = 6;
/// Samples a filter looks at.
pub(super) const TAPS: usize = (2 * REACH + 1) * (2 * REACH + 1);

/// How alike light is at two places.
#[derive(Clone, Copy)]
pub(super) enum Likeness {
    /// exp(−d/ℓ) along a direction (radians from the row) and across it, with these lengths, pixels: edges at all scales.
    Streaks { angle: f64, along: f64, across: f64 },
    /// exp(−d²/4σ²): points of light of this σ, pixels.
    Points { sigma: f64 },
}

/// What is taken for granted of pictures.
#[derive(Clone, Copy)]
pub(super) struct Model {
    /// Of what the channels share.
    pub(super) light: Likeness,
    /// Of what each has alone.
    pub(super) colour: Likeness,
    /// Variance of that against the light's.
    pub(super) share: f64,
    /// Variance of noise against the light's.
    pub(super) noise: f64,
}

/// Weights by row of the cell, channel, tap (row by row from the upper left), and column of the cell.
pub(super) type Weights = Vec<[Vec<[f32; SIDE]>; 3]>;

impl Likeness {
    fn at(self, dx: f64, dy: f64) -> f64 {
        match self {
            Self::Streaks { angle, along, across } => {
                let (sin, cos) = angle.sin_cos();
                let (u, v) = ((dx * cos + dy * sin) / along, (dy * cos - dx * sin) / across);
                (-u.hypot(v)).exp()
            }
            Self::Points { sigma } => (-(dx * dx + dy * dy) / (4.0 * sigma * sigma)).exp(),
        }
    }
}

/// The filters of a model. Where the window lacks a colour, that channel's weights are nought.
pub(super) fn weights(cfa: Cfa, model: &Model) -> Weights {
    let mut all: Weights = vec![[(); 3].map(|()| vec![[0.0; SIDE]; TAPS]); SIDE];
    let offsets = offsets();
    let alike = |i: usize, j: usize| {
        let [(xi, yi), (xj, yj)] = [offsets[i], offsets[j]];
        (f64::from(xi - xj), f64::from(yi - yj))
    };
    for (py, row) in all.iter_mut().enumerate() {
        for px in 0..SIDE {
            let colours: Vec<usize> = offsets
                .iter()
                .map(|(dx, dy)| cfa.colour((px as i32 + dx + 6) as usize, (py as i32 + dy + 6) as usize))
                .collect();
            let system = system(model, &colours, alike);
            let Some(solved) = solve(system, TAPS + 3) else {
                continue;
            };
            for (c, taps) in row.iter_mut().enumerate() {
                for (k, tap) in taps.iter_mut().enumerate() {
                    tap[px] = solved[k][c] as f32;
                }
            }
        }
    }
    all
}

fn offsets() -> Vec<(i32, i32)> {
    let r = REACH as i32;
    (-r..=r).flat_map(|dy| (-r..=r).map(move |dx| (dx, dy))).collect()
}

/// Rows of the normal equations with the three constraints, and three right-hand sides.
fn system(model: &Model, colours: &[usize], apart: impl Fn(usize, usize) -> (f64, f64)) -> Vec<Vec<f64>> {
    let covariance = |(dx, dy): (f64, f64), same: bool| {
        model.light.at(dx, dy)
            + if same {
                model.share * model.colour.at(dx, dy)
            } else {
                0.0
            }
    };
    let middle = TAPS / 2;
    let is = |a: bool| f64::from(u8::from(a));
    let mut rows: Vec<Vec<f64>> = (0..TAPS)
        .map(|i| {
            let own = (0..TAPS)
                .map(|j| covariance(apart(i, j), colours[i] == colours[j]) + is(i == j) * model.noise);
            let mean = (0..3).map(|c| is(colours[i] == c));
            let wanted = (0..3).map(|c| covariance(apart(i, middle), colours[i] == c));
            own.chain(mean).chain(wanted).collect()
        })
        .collect();
    for c in 0..3 {
        let present = colours.contains(&c);
        let own = colours.iter().map(|k| is(*k == c));
        // A colour that is not there has no constraint.
        let free = (0..3).map(|k| is(k == c && !present));
        let wanted = (0..3).map(|k| is(k == c && present));
        rows.push(own.chain(free).chain(wanted).collect());
    }
    rows
}

/// Gauss–Jordan elimination with row pivoting of `n` equations; the columns beyond them.
fn solve(mut rows: Vec<Vec<f64>>, n: usize) -> Option<Vec<Vec<f64>>> {
    for k in 0..n {
        let pivot = (k..n).max_by(|&a, &b| rows[a][k].abs().total_cmp(&rows[b][k].abs()))?;
        if rows[pivot][k].abs() < 1e-12 {
            return None;
        }
        rows.swap(k, pivot);
        let scale = 1.0 / rows[k][k];
        rows[k].iter_mut().skip(k).for_each(|v| *v *= scale);
        let own = rows[k].clone();
        for (i, row) in rows.iter_mut().enumerate() {
            let factor = row[k];
            if i != k && factor != 0.0 {
                for (v, o) in row.iter_mut().zip(&own).skip(k) {
                    *v -= factor * o;
                }
            }
        }
    }
    Some(rows.into_iter().map(|mut row| row.split_off(n)).collect())
}

/// Adds one row filtered: `out` stands over `x` of row `y` of a plane `width` wide whose first pixel is the cell's first;
/// `x` and the length of `out` are multiples of the cell.
pub(super) fn filter_row(
    plane: &[f32],
    width: usize,
    taps: &[[f32; SIDE]],
    (x, y): (usize, usize),
    out: &mut [f32],
) {
    out.fill(0.0);
    let length = out.len();
    for (k, weights) in taps.iter().enumerate() {
        let (dx, dy) = (k % (2 * REACH + 1), k / (2 * REACH + 1));
        let from = &plane[(y + dy - REACH) * width + x + dx - REACH..][..length];
        for (o, v) in out.chunks_exact_mut(SIDE).zip(from.chunks_exact(SIDE)) {
            for i in 0..SIDE {
                o[i] += weights[i] * v[i];
            }
        }
    }
}
