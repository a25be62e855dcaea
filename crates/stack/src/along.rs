//! Values of a coarse grid read along a row of a finer one.

use nightloom_raster::Plane;

/// A way along one row: the first place and the step from one to the next, both in pixels of the full picture (the middle of
/// the first pixel is 0).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Run {
    /// First column.
    pub x: f32,
    /// Row.
    pub y: f32,
    /// From one column to the next.
    pub step: f32,
}

impl Run {
    /// Along row `y` of a picture that is 2^`level` times smaller, from column `x` on.
    pub fn at_level(level: u32, x: usize, y: usize) -> Self {
        let side = (1u32 << level) as f32;
        let middle = |v: usize| (v as f32 + 0.5) * side - 0.5;
        Self {
            x: middle(x),
            y: middle(y),
            step: side,
        }
    }
}

/// Fills `out` with the knots' values, straight between them; `first` is the place of the first value and `step` the way to
/// the next, in knots. Beyond the border the border's values hold.
pub(crate) fn along(knots: &Plane, first: [f32; 2], step: f32, out: &mut [f32]) {
    let (columns, rows) = (knots.width(), knots.height());
    let split = |at: f32, n: usize| {
        let at = at.clamp(0.0, (n - 1) as f32);
        let low = (at as usize).min(n.saturating_sub(2));
        (low, at - low as f32)
    };
    let (j, v) = split(first[1], rows);
    let (upper, lower) = (knots.row(j), knots.row((j + 1).min(rows - 1)));
    let down: Vec<f32> = upper.iter().zip(lower).map(|(a, b)| a + v * (b - a)).collect();
    for (k, o) in out.iter_mut().enumerate() {
        let (i, u) = split(first[0] + k as f32 * step, columns);
        let (a, b) = (down[i], down[(i + 1).min(columns - 1)]);
        *o = a + u * (b - a);
    }
}
