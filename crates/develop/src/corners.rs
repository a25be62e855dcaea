//! The picture's corners darker than its middle.

use nightloom_stack::{Run, Turn};

/// A fall of light from the middle outwards, by the square of the distance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Corners {
    middle: [f32; 2],
    /// Stops lost at a pixel's distance from the middle.
    per_square_px: f32,
}

impl Corners {
    /// `stops` are lost in the corners of what is kept of `frame` (left, top, right, bottom), turned by so many degrees.
    pub(super) fn of(stops: f64, [l, t, r, b]: [usize; 4], level_deg: f64) -> Self {
        let size = [r - l, b - t];
        let [x0, y0, x1, y1] = Turn::new(size, level_deg).kept();
        let square = ((x1 - x0) as f64).powi(2) + ((y1 - y0) as f64).powi(2);
        Self {
            middle: [(l + r) as f32, (t + b) as f32].map(|v| 0.5 * (v - 1.0)),
            per_square_px: (stops / (0.25 * square).max(1.0)) as f32,
        }
    }

    /// Factors along a row of light.
    pub(super) fn run(&self, run: Run, out: &mut [Vec<f32>; 3]) {
        if self.per_square_px == 0.0 {
            return;
        }
        let down = (run.y - self.middle[1]).powi(2);
        let factor = |k: usize| {
            let across = (run.x + k as f32 * run.step - self.middle[0]).powi(2);
            (-self.per_square_px * (across + down)).exp2()
        };
        let [r, g, b] = out;
        for (k, ((r, g), b)) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()).enumerate() {
            let factor = factor(k);
            *r *= factor;
            *g *= factor;
            *b *= factor;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn corners_lose_what_was_asked_for_and_the_middle_nothing() {
        for (frame, level) in [
            ([0, 0, 301, 201], 0.0),
            ([40, 20, 341, 221], 0.0),
            ([0, 0, 301, 201], 5.0),
        ] {
            let corners = Corners::of(1.0, frame, level);
            let [l, t, r, b] = frame;
            let [x0, y0, ..] = Turn::new([r - l, b - t], level).kept();
            let at = |x: usize, y: usize| {
                let mut out = [(); 3].map(|()| vec![1.0f32]);
                corners.run(Run::at_level(0, x, y), &mut out);
                out[1][0]
            };
            assert!((at((l + r) / 2, (t + b) / 2) - 1.0).abs() < 1e-4);
            let corner = at(l + x0, t + y0);
            assert!((corner.log2() + 1.0).abs() < 0.02, "{corner}");
            // The same at half the size.
            let mut half = [(); 3].map(|()| vec![1.0f32]);
            corners.run(Run::at_level(1, (l + x0) / 2, (t + y0) / 2), &mut half);
            assert!((half[1][0] - corner).abs() < 0.01);
        }
    }
}
