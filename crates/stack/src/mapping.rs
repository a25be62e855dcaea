//! A smooth mapping of the plane, sampled on a coarse grid and interpolated.

/// From a pixel of the canvas to the pixel of the source that shows the same thing, or `None`
/// where the source cannot show it. Must be smooth wherever it answers.
pub type Mapping<'a> = dyn Fn([f64; 2]) -> Option<[f64; 2]> + Sync + 'a;

/// A mapping sampled at every `step`-th pixel of the canvas; between the nodes it is the
/// four-point Lagrange cubic in both directions.
///
/// Where a node near a pixel has no answer the mapping itself is asked, pixel by pixel.
pub struct MappingGrid<'a> {
    mapping: &'a Mapping<'a>,
    step: usize,
    columns: usize,
    nodes: Vec<[f32; 2]>,
    weights: Vec<[f32; 4]>,
}

/// Nodes beside the first one that the cubic needs.
const MARGIN: usize = 1;

impl<'a> MappingGrid<'a> {
    /// Samples `mapping` for a canvas of `width` × `height` pixels every `step` pixels (at least 1).
    pub fn new(mapping: &'a Mapping<'a>, width: usize, height: usize, step: usize) -> Self {
        let step = step.max(1);
        let columns = width.saturating_sub(1) / step + 4;
        let rows = height.saturating_sub(1) / step + 4;
        let place = |i: usize| (i as f64 - MARGIN as f64) * step as f64;
        let node = |k: usize| {
            let at = [place(k % columns), place(k / columns)];
            mapping(at).map_or([f32::NAN; 2], |s| [(s[0] - at[0]) as f32, (s[1] - at[1]) as f32])
        };
        let nodes = (0..columns * rows).map(node).collect();
        let weights = (0..step).map(|k| lagrange(k as f32 / step as f32)).collect();
        Self {
            mapping,
            step,
            columns,
            nodes,
            weights,
        }
    }

    /// Source coordinates of the canvas pixels (x0, y), (x0 + 1, y), …: as many as `xs` and `ys`
    /// hold. NaN where the mapping has no answer. Pixels must lie on the canvas.
    pub fn row(&self, y: usize, x0: usize, xs: &mut [f32], ys: &mut [f32]) {
        let (j, wy) = (y / self.step, self.weights[y % self.step]);
        let mut at = 0;
        while at < xs.len() {
            let x = x0 + at;
            let cell = x / self.step;
            let end = ((cell + 1) * self.step - x0).min(xs.len());
            let columns = self.columns_at(cell, j, wy);
            let run = at..end;
            if columns.iter().flatten().all(|v| v.is_finite()) {
                self.interpolate(columns, [x0 + at, y], &mut xs[run.clone()], &mut ys[run]);
            } else {
                self.ask(j, cell, [x0 + at, y], &mut xs[run.clone()], &mut ys[run]);
            }
            at = end;
        }
    }

    /// The four node columns round a cell, interpolated down to one row.
    fn columns_at(&self, cell: usize, j: usize, wy: [f32; 4]) -> [[f32; 2]; 4] {
        std::array::from_fn(|i| {
            let mut sum = [0.0; 2];
            for (k, w) in wy.into_iter().enumerate() {
                let n = self.nodes[(j + k) * self.columns + cell + i];
                sum = [sum[0] + w * n[0], sum[1] + w * n[1]];
            }
            sum
        })
    }

    fn interpolate(&self, c: [[f32; 2]; 4], at: [usize; 2], xs: &mut [f32], ys: &mut [f32]) {
        let first = at[0] % self.step;
        let y = at[1] as f32;
        for (k, (ox, oy)) in xs.iter_mut().zip(ys).enumerate() {
            let w = self.weights[first + k];
            let x = (at[0] + k) as f32;
            *ox = x + (w[0] * c[0][0] + w[1] * c[1][0] + w[2] * c[2][0] + w[3] * c[3][0]);
            *oy = y + (w[0] * c[0][1] + w[1] * c[1][1] + w[2] * c[2][1] + w[3] * c[3][1]);
        }
    }

    /// The slow way at the rim of the mapping's domain; far outside it the answer is no at once.
    fn ask(&self, j: usize, cell: usize, at: [usize; 2], xs: &mut [f32], ys: &mut [f32]) {
        let near = |k: usize| self.nodes[(j + k / 4) * self.columns + cell + k % 4][0];
        let far_outside = (0..16).all(|k| near(k).is_nan());
        for (k, (ox, oy)) in xs.iter_mut().zip(ys).enumerate() {
            let pixel = [(at[0] + k) as f64, at[1] as f64];
            let source = if far_outside { None } else { (self.mapping)(pixel) };
            [*ox, *oy] = source.map_or([f32::NAN; 2], |s| [s[0] as f32, s[1] as f32]);
        }
    }
}

/// Weights of the nodes at −1, 0, 1, 2 for a point at t (Lagrange's interpolation formula).
fn lagrange(t: f32) -> [f32; 4] {
    let (a, b, c, d) = (t + 1.0, t, t - 1.0, t - 2.0);
    [
        -b * c * d / 6.0,
        a * c * d / 2.0,
        -a * b * d / 2.0,
        a * b * c / 6.0,
    ]
}
