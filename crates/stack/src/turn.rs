//! A picture turned about its middle, and the largest box of its proportions that has no bare corner.
//!
//! Read by the kernel of the warp, which draws no dark ring round a star.

use crate::resample::{Kernel, TurnedFrom, lowest_and_plain};

/// A turn of a picture of one size.
///
/// # Units
/// Pixels, x right, y down, the middle of the first is 0, 0. The angle turns the picture clockwise as it is looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    size: [usize; 2],
    /// Left, top, and the first column and row that are left out, of the box that is kept.
    kept: [usize; 4],
    sin: f64,
    cos: f64,
}

/// So far round a place its kernel reads.
pub const TURN_REACH: usize = 4;

impl Turn {
    /// By `degrees` clockwise.
    pub fn new(size: [usize; 2], degrees: f64) -> Self {
        let (sin, cos) = degrees.to_radians().sin_cos();
        let [w, h] = size.map(|v| v as f64);
        let (s, c) = (sin.abs(), cos.abs());
        let share = (w / (w * c + h * s)).min(h / (w * s + h * c));
        // As much on either side, so that the middle stays a pixel or a border as it was.
        let off = size.map(|v| (0.5 * v as f64 * (1.0 - share) - 1e-9).ceil().max(0.0) as usize);
        let off: [usize; 2] = std::array::from_fn(|i| off[i].min((size[i].max(1) - 1) / 2));
        Self {
            size,
            kept: [off[0], off[1], size[0] - off[0], size[1] - off[1]],
            sin,
            cos,
        }
    }

    /// The same turn of the same picture 2^`level` times smaller, `size` pixels large.
    #[must_use]
    pub fn at_level(&self, size: [usize; 2], level: u32) -> Self {
        let [l, t, r, b] = self.kept;
        let (low, high) = (|v: usize| v >> level, |v: usize| v.div_ceil(1 << level));
        Self {
            size,
            kept: [low(l), low(t), high(r).min(size[0]), high(b).min(size[1])],
            ..*self
        }
    }

    /// The box that is kept, `[left, top, right, bottom]` of the picture's size.
    pub fn kept(&self) -> [usize; 4] {
        self.kept
    }

    /// The place that is shown at a pixel.
    pub fn source(&self, pixel: [f64; 2]) -> [f64; 2] {
        let middle = self.size.map(|v| 0.5 * (v as f64 - 1.0));
        let [u, v] = [pixel[0] - middle[0], pixel[1] - middle[1]];
        [
            middle[0] + u * self.cos + v * self.sin,
            middle[1] - u * self.sin + v * self.cos,
        ]
    }

    /// The pixel nearest to the place that is shown at a pixel.
    pub fn nearest(&self, pixel: [usize; 2]) -> [usize; 2] {
        let at = self.source(pixel.map(|v| v as f64));
        std::array::from_fn(|i| (at[i].round().max(0.0) as usize).min(self.size[i].saturating_sub(1)))
    }

    /// The box of places that a box of pixels shows, with what the kernel reads round it.
    pub fn sources(&self, [l, t, r, b]: [usize; 4]) -> [usize; 4] {
        let corners = [[l, t], [r, t], [l, b], [r, b]].map(|p| self.source(p.map(|v| v as f64)));
        let span = |i: usize| {
            let of = corners.map(|c| c[i]);
            let low = of.iter().fold(f64::MAX, |a, v| a.min(*v)).floor() - TURN_REACH as f64;
            let high = of.iter().fold(f64::MIN, |a, v| a.max(*v)).ceil() + TURN_REACH as f64;
            let most = self.size[i] as f64;
            (
                low.clamp(0.0, most - 1.0) as usize,
                high.clamp(1.0, most) as usize,
            )
        };
        let ((x0, x1), (y0, y1)) = (span(0), span(1));
        [x0, y0, x1, y1]
    }

    /// A row of the turned picture from column `x` of row `y` on.
    pub fn row(&self, from: &TurnedFrom<'_>, [x, y]: [usize; 2], out: &mut [f32]) {
        let kernel = Kernel::get();
        for (k, o) in out.iter_mut().enumerate() {
            let [u, v] = self.source([(x + k) as f64, y as f64]);
            *o = lowest_and_plain(kernel, from, [u, v]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turned(turn: &Turn, values: &[f32], width: usize) -> (Vec<f32>, usize) {
        let from = TurnedFrom {
            values,
            first: [0, 0],
            width,
        };
        let [l, t, r, b] = turn.kept();
        let mut out = vec![0.0; (r - l) * (b - t)];
        for (j, row) in out.chunks_exact_mut(r - l).enumerate() {
            turn.row(&from, [l, t + j], row);
        }
        (out, r - l)
    }

    #[test]
    fn no_turn_changes_nothing_and_no_corner_is_bare() {
        let values: Vec<f32> = (0..31 * 20).map(|i| (i * 7 % 13) as f32).collect();
        let (same, width) = turned(&Turn::new([31, 20], 0.0), &values, 31);
        assert_eq!(width, 31);
        // The kernel's zeros are nearly so.
        assert!(same.iter().zip(&values).all(|(a, b)| (a - b).abs() < 1e-5));
        for (size, degrees) in [([600, 400], 3.0), ([401, 600], -30.0), ([500, 500], 45.0)] {
            let turn = Turn::new(size, degrees);
            let [l, t, r, b] = turn.kept().map(|v| v as f64);
            for corner in [[l, t], [r - 1.0, t], [l, b - 1.0], [r - 1.0, b - 1.0]] {
                let place = turn.source(corner);
                for i in 0..2 {
                    assert!(
                        place[i] > -0.5 && place[i] < size[i] as f64 - 0.5,
                        "{corner:?} {place:?}"
                    );
                }
            }
            // As large as it can be: two pixels more on each side are bare somewhere.
            let grown = [
                [l - 2.0, t - 2.0],
                [r + 1.0, t - 2.0],
                [l - 2.0, b + 1.0],
                [r + 1.0, b + 1.0],
            ];
            let bare = |place: [f64; 2]| (0..2).any(|i| place[i] < -0.5 || place[i] > size[i] as f64 - 0.5);
            assert!(grown.iter().any(|p| bare(turn.source(*p))), "{size:?} {degrees}");
            let sides = (r - l) / (b - t);
            assert!((sides - size[0] as f64 / size[1] as f64).abs() < 0.01, "{sides}");
        }
    }

    #[test]
    fn a_leaning_line_stands_and_a_star_keeps_its_light_and_has_no_ring() {
        let (width, height, degrees) = (200, 160, 7.0f64);
        let line = |x: usize, y: usize| {
            // Falls to the right by the angle: a clockwise camera's horizon turned back.
            let far = (y as f64 - 80.0) - (x as f64 - 100.0) * (-degrees.to_radians()).tan();
            f32::from(far > 0.0)
        };
        let lines: Vec<f32> = (0..width * height).map(|i| line(i % width, i / width)).collect();
        let turn = Turn::new([width, height], degrees);
        let (level, across) = turned(&turn, &lines, width);
        let step = |x: usize| {
            (0..level.len() / across)
                .find(|y| level[y * across + x] > 0.5)
                .unwrap_or(0)
        };
        let all: Vec<usize> = (4..across - 4).map(step).collect();
        let (low, high) = (all.iter().min().unwrap(), all.iter().max().unwrap());
        assert!(high - low <= 1, "{low} to {high}");
        let star = |x: usize, y: usize| {
            let far = (x as f64 - 90.3).powi(2) + (y as f64 - 71.6).powi(2);
            1.0 + 40.0 * (-far / (2.0 * 1.1f64.powi(2))).exp() as f32
        };
        let stars: Vec<f32> = (0..width * height).map(|i| star(i % width, i / width)).collect();
        let (shown, _) = turned(&turn, &stars, width);
        assert!(shown.iter().all(|v| *v > 0.999), "a ring");
        let flux = |values: &[f32]| values.iter().map(|v| v - 1.0).sum::<f32>();
        assert!(
            (flux(&shown) / flux(&stars) - 1.0).abs() < 0.02,
            "{}",
            flux(&shown) / flux(&stars)
        );
    }

    #[test]
    fn a_part_is_what_the_whole_has_there() {
        let mut random = nightloom_fit::Random::new(8);
        let (width, height) = (120, 90);
        let values: Vec<f32> = (0..width * height).map(|_| random.uniform() as f32).collect();
        let turn = Turn::new([width, height], -11.0);
        let whole = TurnedFrom {
            values: &values,
            first: [0, 0],
            width,
        };
        let wanted = [40, 30, 70, 50];
        let [x0, y0, x1, y1] = turn.sources(wanted);
        let cut: Vec<f32> = (y0..y1)
            .flat_map(|y| values[y * width + x0..y * width + x1].to_vec())
            .collect();
        let part = TurnedFrom {
            values: &cut,
            first: [x0, y0],
            width: x1 - x0,
        };
        let (mut a, mut b) = (vec![0.0; 30], vec![0.0; 30]);
        for y in 30..50 {
            turn.row(&whole, [40, y], &mut a);
            turn.row(&part, [40, y], &mut b);
            assert_eq!(a, b);
        }
    }
}
