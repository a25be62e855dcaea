//! What each focus counts for in one scale of the picture.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::boxes::box_sum;

/// Half the side of the window that detail is judged in, pixels of the scale: 5 × 5 as Burt & Kolczynski
/// (1993) have it.
const RADIUS: usize = 2;
/// Rows judged at a time.
const STRIP: usize = 128;
/// Independent values of noise in a window: its 25 pixels, a little alike.
const VALUES: f32 = 16.0;

/// How differing detail is weighed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Judge {
    /// Differences below so many σ of chance are none.
    pub(super) chance: f32,
    /// How much more a difference counts than noise of the same energy.
    pub(super) strictness: f32,
}

impl Judge {
    /// Weights of sum 1, a plane for each focus. `details` are one scale's luminance, `noise` its variance
    /// there.
    ///
    /// In a window the focus with the most energy above its noise is the best, Burt & Kolczynski's
    /// salience. Each other one would spoil it by the energy D of their difference, above the noise of
    /// both, which takes the place of their match; and helps it by its own noise N being another. So it
    /// counts 1 / (N + strictness · D): where all show the same, or nothing, that is the mean by inverse
    /// variance, and where one is blurred, nothing.
    pub(super) fn weights(&self, details: &[&Plane], noise: &[Plane]) -> Vec<Plane> {
        let (w, h) = (details[0].width(), details[0].height());
        let starts: Vec<usize> = (0..h).step_by(STRIP).collect();
        let strips: Vec<Vec<Vec<f32>>> = starts
            .par_iter()
            .map(|y| self.strip(details, noise, *y, (*y + STRIP).min(h)))
            .collect();
        let joined = |i: usize| strips.iter().flat_map(|s| &s[i]).copied().collect();
        (0..details.len())
            .map(|i| Plane::from_vec(w, h, joined(i)))
            .collect()
    }

    fn strip(&self, details: &[&Plane], noise: &[Plane], y0: usize, y1: usize) -> Vec<Vec<f32>> {
        let (w, n) = (details[0].width(), details.len());
        let window = Window::new(w, details[0].height(), y0, y1);
        let own: Vec<Vec<f32>> = details.iter().map(|d| window.mean(d, None)).collect();
        let mut between = vec![Vec::new(); n * n];
        for i in 0..n {
            for j in i + 1..n {
                between[i * n + j] = window.mean(details[i], Some(details[j]));
            }
        }
        let at = |i: usize, k: usize| noise[i].data()[y0 * w + k].max(f32::MIN_POSITIVE);
        let mut weights = vec![vec![0.0; w * (y1 - y0)]; n];
        for k in 0..w * (y1 - y0) {
            let above = |i: &usize| own[*i][k] - at(*i, k);
            let best = (0..n).max_by(|i, j| above(i).total_cmp(&above(j))).unwrap_or(0);
            let mut total = 0.0;
            for i in 0..n {
                let both = at(i, k) + at(best, k);
                let apart = match i.cmp(&best) {
                    std::cmp::Ordering::Less => between[i * n + best][k],
                    std::cmp::Ordering::Greater => between[best * n + i][k],
                    std::cmp::Ordering::Equal => 0.0,
                };
                let chance = self.chance * both * (2.0 / VALUES).sqrt();
                let differs = (apart - both - chance).max(0.0);
                weights[i][k] = 1.0 / (at(i, k) + self.strictness * differs);
                total += weights[i][k];
            }
            weights.iter_mut().for_each(|plane| plane[k] /= total);
        }
        weights
    }
}

/// Means over windows about the pixels of some rows.
struct Window {
    width: usize,
    from: usize,
    to: usize,
    rows: std::ops::Range<usize>,
    counts: Vec<f32>,
}

impl Window {
    fn new(width: usize, height: usize, y0: usize, y1: usize) -> Self {
        let (from, to) = (y0.saturating_sub(RADIUS), (y1 + RADIUS).min(height));
        let mut counts = vec![1.0; width * (to - from)];
        box_sum(&mut counts, width, RADIUS);
        Self {
            width,
            from,
            to,
            rows: y0..y1,
            counts,
        }
    }

    /// The mean of p², or of (p − q)².
    fn mean(&self, p: &Plane, q: Option<&Plane>) -> Vec<f32> {
        let span = self.from * self.width..self.to * self.width;
        let p = &p.data()[span.clone()];
        let mut values: Vec<f32> = match q {
            None => p.iter().map(|p| p * p).collect(),
            Some(q) => p
                .iter()
                .zip(&q.data()[span])
                .map(|(p, q)| (p - q) * (p - q))
                .collect(),
        };
        box_sum(&mut values, self.width, RADIUS);
        values.iter_mut().zip(&self.counts).for_each(|(v, n)| *v /= n);
        let first = (self.rows.start - self.from) * self.width;
        values[first..first + self.rows.len() * self.width].to_vec()
    }
}
