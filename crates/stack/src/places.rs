//! Where the pixels of a row lie among the middles of coarse cells: worked out once for all rows of a tile.

/// Between which cells a pixel lies, and the part of the way from the first to the second. Beyond the outermost middles the
/// outermost hold.
#[inline]
pub(crate) fn between(pixel: usize, cell: usize, count: usize) -> (usize, usize, f32) {
    let at = ((pixel as f32 + 0.5) / cell as f32 - 0.5).clamp(0.0, (count - 1) as f32);
    let low = at as usize;
    (low, (low + 1).min(count - 1), at - low as f32)
}

/// The pixels of a row from one on.
pub(crate) struct Places {
    /// Part of the way to the next middle, pixel by pixel.
    parts: Vec<f32>,
    /// Pixels between the same two middles: the one after the last, and both cells.
    runs: Vec<[usize; 3]>,
}

impl Places {
    /// The pixels x0, x0 + 1, … of a canvas with `count` cells of `cell` pixels.
    pub(crate) fn new(x0: usize, pixels: usize, cell: usize, count: usize) -> Self {
        let (mut parts, mut runs) = (Vec::with_capacity(pixels), Vec::<[usize; 3]>::new());
        for x in 0..pixels {
            let (low, high, part) = between(x0 + x, cell, count);
            parts.push(part);
            match runs.last_mut().filter(|run| run[1] == low) {
                Some(run) => run[0] = x + 1,
                None => runs.push([x + 1, low, high]),
            }
        }
        Self { parts, runs }
    }

    /// Hands each pixel of `out` its value between those of two rows of cells, `down` of the way from the upper to the lower.
    #[inline]
    pub(crate) fn each(
        &self,
        [upper, lower]: [impl Fn(usize) -> f32; 2],
        down: f32,
        out: &mut [f32],
        put: impl Fn(&mut f32, f32),
    ) {
        let mut begin = 0;
        for &[end, low, high] in &self.runs {
            let ([a, c], [b, d]) = ([upper(low), lower(low)], [upper(high), lower(high)]);
            for (o, part) in out[begin..end].iter_mut().zip(&self.parts[begin..end]) {
                let (above, below) = (a + (b - a) * part, c + (d - c) * part);
                put(o, above + (below - above) * down);
            }
            begin = end;
        }
    }
}
