//! What one block says of one shift.

use nalgebra::{Matrix2, Vector2};
use nightloom_raster::Plane;

use super::bands::Level;

/// Pixels that count as one value of independent noise: the area of a Gaussian of σ 1 px squared (4 π σ²)
/// on noise that demosaicing spread a little already.
pub(super) const PIXELS_PER_VALUE: f64 = 16.0;

/// Sums over one block of a taken half the shift back and b half the shift on, so that neither frame is
/// the one that is moved.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sums {
    n: f64,
    aa: f64,
    bb: f64,
    ab: f64,
    /// Gradient m of the mean of both, its square and its products.
    mm: Matrix2<f64>,
    ma: Vector2<f64>,
    mb: Vector2<f64>,
}

impl Sums {
    /// Of block `k` under a shift; `None` where it leads out of the frame.
    pub(super) fn of(level: &Level, k: usize, shift: Vector2<f64>) -> Option<Self> {
        let (a, b, across) = windows(level, k, shift)?;
        let mut sums = Self::default();
        let (mut gx, mut gy) = (vec![0.0; level.side], vec![0.0; level.side]);
        for y in 1..=level.side {
            let row = |v: usize, from: usize| v * across + from..v * across + from + level.side;
            let slope = |out: &mut [f32], before: std::ops::Range<usize>, after: std::ops::Range<usize>| {
                let low = a[before.clone()].iter().zip(&b[before]);
                let high = a[after.clone()].iter().zip(&b[after]);
                for (o, ((p, q), (r, s))) in out.iter_mut().zip(low.zip(high)) {
                    *o = 0.25 * ((r + s) - (p + q));
                }
            };
            slope(&mut gx, row(y, 0), row(y, 2));
            slope(&mut gy, row(y - 1, 1), row(y + 1, 1));
            let (va, vb) = (&a[row(y, 1)], &b[row(y, 1)]);
            sums.values(va, vb);
            let cross = dot(&gx, &gy);
            sums.mm += Matrix2::new(dot(&gx, &gx), cross, cross, dot(&gy, &gy));
            sums.ma += Vector2::new(dot(&gx, va), dot(&gy, va));
            sums.mb += Vector2::new(dot(&gx, vb), dot(&gy, vb));
        }
        Some(sums)
    }

    /// As [`Sums::of`] without gradients, for [`Sums::says`] alone.
    pub(super) fn plain(level: &Level, k: usize, shift: Vector2<f64>) -> Option<Self> {
        let (a, b, across) = windows(level, k, shift)?;
        let mut sums = Self::default();
        for y in 1..=level.side {
            let row = y * across + 1..y * across + 1 + level.side;
            sums.values(&a[row.clone()], &b[row]);
        }
        Some(sums)
    }

    fn values(&mut self, a: &[f32], b: &[f32]) {
        self.n += a.len() as f64;
        self.aa += dot(a, a);
        self.bb += dot(b, b);
        self.ab += dot(a, b);
    }

    /// Correlation of both; the band has no mean to speak of.
    fn correlation(&self) -> f64 {
        let scale = (self.aa * self.bb).sqrt();
        if scale > 0.0 { self.ab / scale } else { 0.0 }
    }

    /// Logarithm of the likelihood that both show the same, over that they have nothing in common.
    pub(super) fn says(&self) -> f64 {
        let rho = self.correlation().clamp(0.0, 0.9999);
        -0.5 * self.n / PIXELS_PER_VALUE * (1.0 - rho * rho).ln()
    }

    /// How far the block lies from the shift it was taken at, and the inverse covariance of that.
    pub(super) fn step(&self) -> Option<(Vector2<f64>, Matrix2<f64>)> {
        let gain = (self.aa / self.bb).sqrt();
        if !(gain.is_finite() && gain > 0.0) {
            return None;
        }
        // In units of a's contrast both are worth the same: a/√g against b·√g.
        let root = gain.sqrt();
        let residual = (self.aa / gain + self.bb * gain - 2.0 * self.ab) / self.n;
        let right = self.ma / root - self.mb * root;
        let ridge = Matrix2::identity() * (1e-3 * self.mm.trace());
        let step = (self.mm + ridge).try_inverse()? * right;
        let weight = self.mm / (residual.max(1e-30) * PIXELS_PER_VALUE);
        let sound = step.iter().chain(weight.iter()).all(|v| v.is_finite());
        sound.then_some((step, weight))
    }
}

/// Block `k` of both frames with a pixel round it, and the pixels across.
fn windows(level: &Level, k: usize, shift: Vector2<f64>) -> Option<(Vec<f32>, Vec<f32>, usize)> {
    let corner = level.corner(k).map(|v| v as isize - 1);
    let across = level.side + 2;
    let half = 0.5 * shift;
    let a = window(&level.a, corner, -half, across)?;
    let b = window(&level.b, corner, half, across)?;
    Some((a, b, across))
}

/// Sum of products in eight lanes, the same in every run.
fn dot(a: &[f32], b: &[f32]) -> f64 {
    let mut lanes = [0.0f32; 8];
    let (whole_a, whole_b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest = whole_a.remainder().iter().zip(whole_b.remainder());
    let rest: f32 = rest.map(|(p, q)| p * q).sum();
    for (p, q) in whole_a.zip(whole_b) {
        for (lane, (p, q)) in lanes.iter_mut().zip(p.iter().zip(q)) {
            *lane += p * q;
        }
    }
    f64::from(lanes.iter().sum::<f32>() + rest)
}

/// A square of the plane moved by `shift`, bilinear.
fn window(plane: &Plane, [x0, y0]: [isize; 2], shift: Vector2<f64>, across: usize) -> Option<Vec<f32>> {
    let whole = shift.map(f64::floor);
    let part = shift - whole;
    let (tx, ty) = (part.x as f32, part.y as f32);
    // Where nothing lies between the pixels the next one need not exist.
    let (ex, ey) = (usize::from(tx > 0.0), usize::from(ty > 0.0));
    let x0 = usize::try_from(x0 + whole.x as isize).ok()?;
    let y0 = usize::try_from(y0 + whole.y as isize).ok()?;
    if x0 + across + ex > plane.width() || y0 + across + ey > plane.height() {
        return None;
    }
    let mut out = Vec::with_capacity(across * across);
    let pairs = |y: usize| {
        let row = &plane.row(y)[x0..];
        row[..across].iter().zip(&row[ex..ex + across])
    };
    for y in y0..y0 + across {
        let corners = pairs(y).zip(pairs(y + ey));
        out.extend(corners.map(|((a, b), (c, d))| {
            let (top, bottom) = (a + (b - a) * tx, c + (d - c) * tx);
            top + (bottom - top) * ty
        }));
    }
    Some(out)
}
