//! Whether, and how far, the tripod moved between two fixed frames.

use nalgebra::{Matrix2, Vector2};
use nightloom_raster::Plane;

/// How far the land of one frame lies from that of another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shift {
    /// What is at (x, y) in `a` is at (x + dx, y + dy) in `b`; pixels.
    pub dx: f64,
    /// See `dx`.
    pub dy: f64,
    /// Correlation of the two after the shift, −1 to 1; below about 0.3 there is too little
    /// texture or the pictures differ, and the shift should not be used.
    pub confidence: f64,
    /// Standard error of either component from the residuals, pixels.
    pub sigma_px: f64,
}

/// Sub-pixel shift of static land: Lucas & Kanade (1981) on a pyramid, so that a bump of many
/// pixels is found too. `land` says which pixels of `a` count. Rotation is not looked for: a bumped
/// tripod turns little, and where it did the confidence falls.
///
/// `None` when the sizes differ or no land shows texture.
pub fn tripod_shift(a: &Plane, b: &Plane, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Shift> {
    if (a.width(), a.height()) != (b.width(), b.height()) {
        return None;
    }
    let mut levels = vec![Level::new(a, b, land)];
    while let Some(next) = levels
        .last()
        .filter(|l| l.a.width().min(l.a.height()) >= 64)
        .map(Level::half)
    {
        levels.push(next);
    }
    let mut shift = levels.last()?.search() / 2.0;
    let mut result = None;
    for level in levels.iter().rev() {
        shift *= 2.0;
        if let Some((found, fit)) = level.refine(shift) {
            shift = found;
            result = Some(fit);
        }
    }
    result.map(|(confidence, sigma_px)| Shift {
        dx: shift.x,
        dy: shift.y,
        confidence,
        sigma_px,
    })
}

/// Both pictures at one scale, and how much of each pixel is land.
struct Level {
    a: Plane,
    b: Plane,
    land: Plane,
}

impl Level {
    fn new(a: &Plane, b: &Plane, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Self {
        let land = Plane::from_fn(a.width(), a.height(), |x, y| f32::from(u8::from(land(x, y))));
        Self {
            a: a.clone(),
            b: b.clone(),
            land,
        }
    }

    fn half(&self) -> Self {
        Self {
            a: half(&self.a),
            b: half(&self.b),
            land: half(&self.land),
        }
    }

    /// The whole-pixel shift of best correlation, up to a quarter of the picture.
    fn search(&self) -> Vector2<f64> {
        let (rx, ry) = (self.a.width() as isize / 4, self.a.height() as isize / 4);
        let shifts = (-ry..=ry).flat_map(|dy| (-rx..=rx).map(move |dx| Vector2::new(dx as f64, dy as f64)));
        let enough = 0.5 * self.sums(Vector2::zeros()).n;
        let mut best = (0.0, Vector2::zeros());
        for shift in shifts {
            let sums = self.sums(shift);
            // Of equals the nearer: little overlap correlates by chance.
            let value = sums.correlation() - 1e-4 * shift.norm();
            if sums.n >= enough.max(30.0) && value > best.0 {
                best = (value, shift);
            }
        }
        best.1
    }

    /// The shift refined from a start; with the correlation and the standard error.
    fn refine(&self, start: Vector2<f64>) -> Option<(Vector2<f64>, (f64, f64))> {
        const ROUNDS: usize = 12;
        const DONE_PX: f64 = 1e-3;
        let mut shift = start;
        let mut last = None;
        for _ in 0..ROUNDS {
            let sums = self.sums(shift);
            let step = sums.step()?;
            let length = step.norm();
            // More than a pixel at a time is outside what the gradient knows.
            shift += if length > 1.0 { step / length } else { step };
            last = Some(sums);
            if length < DONE_PX {
                break;
            }
        }
        let sums = last?;
        Some((shift, (sums.correlation(), sums.error()?)))
    }

    fn sums(&self, shift: Vector2<f64>) -> Sums {
        let (w, h) = (self.a.width(), self.a.height());
        let mut sums = Sums::default();
        for y in 1..h.saturating_sub(1) {
            for x in 1..w - 1 {
                // Only whole land: half of it would be the moving sky.
                if self.land.at(x, y) < 0.999 {
                    continue;
                }
                let (bx, by) = (x as f64 + shift.x, y as f64 + shift.y);
                let Some(b) = bilinear(&self.b, bx, by) else {
                    continue;
                };
                let gx = 0.5 * f64::from(self.a.at(x + 1, y) - self.a.at(x - 1, y));
                let gy = 0.5 * f64::from(self.a.at(x, y + 1) - self.a.at(x, y - 1));
                sums.add(f64::from(self.a.at(x, y)), b, Vector2::new(gx, gy));
            }
        }
        sums
    }
}

/// Sums over the land of values a, b and a's gradient g.
#[derive(Default)]
struct Sums {
    n: f64,
    a: f64,
    b: f64,
    aa: f64,
    bb: f64,
    ab: f64,
    g: Vector2<f64>,
    gg: Matrix2<f64>,
    ga: Vector2<f64>,
    gb: Vector2<f64>,
}

impl Sums {
    fn add(&mut self, a: f64, b: f64, g: Vector2<f64>) {
        self.n += 1.0;
        self.a += a;
        self.b += b;
        self.aa += a * a;
        self.bb += b * b;
        self.ab += a * b;
        self.g += g;
        self.gg += g * g.transpose();
        self.ga += g * a;
        self.gb += g * b;
    }

    /// Gain that brings b to a's contrast, for changing light.
    fn gain(&self) -> f64 {
        let (va, vb) = (
            self.aa - self.a * self.a / self.n,
            self.bb - self.b * self.b / self.n,
        );
        if vb > 0.0 && va > 0.0 {
            (va / vb).sqrt()
        } else {
            1.0
        }
    }

    /// Least squares of a − (gain·b + offset) = g · step.
    fn step(&self) -> Option<Vector2<f64>> {
        if self.n < 50.0 {
            return None;
        }
        let centred = self.gg - self.g * self.g.transpose() / self.n;
        let right = (self.ga - self.gb * self.gain()) - self.g * ((self.a - self.gain() * self.b) / self.n);
        centred
            .try_inverse()
            .map(|inverse| inverse * right)
            .filter(|s| s.iter().all(|v| v.is_finite()))
    }

    fn correlation(&self) -> f64 {
        let (va, vb) = (
            self.aa - self.a * self.a / self.n,
            self.bb - self.b * self.b / self.n,
        );
        let cov = self.ab - self.a * self.b / self.n;
        if va > 0.0 && vb > 0.0 {
            cov / (va * vb).sqrt()
        } else {
            0.0
        }
    }

    fn error(&self) -> Option<f64> {
        let gain = self.gain();
        let mean = (self.a - gain * self.b) / self.n;
        let residual = (self.aa - 2.0 * gain * self.ab + gain * gain * self.bb) / self.n - mean * mean;
        let centred = self.gg - self.g * self.g.transpose() / self.n;
        centred
            .try_inverse()
            .map(|i| (residual.max(0.0) * i[(0, 0)].max(i[(1, 1)])).sqrt())
    }
}

fn half(plane: &Plane) -> Plane {
    Plane::from_fn(plane.width() / 2, plane.height() / 2, |x, y| {
        0.25 * (plane.at(2 * x, 2 * y)
            + plane.at(2 * x + 1, 2 * y)
            + plane.at(2 * x, 2 * y + 1)
            + plane.at(2 * x + 1, 2 * y + 1))
    })
}

fn bilinear(plane: &Plane, x: f64, y: f64) -> Option<f64> {
    if !(x >= 0.0 && y >= 0.0) {
        return None;
    }
    let (ix, iy) = (x as usize, y as usize);
    if ix + 1 >= plane.width() || iy + 1 >= plane.height() {
        return None;
    }
    let (tx, ty) = (x - ix as f64, y - iy as f64);
    let v = |dx: usize, dy: usize| f64::from(plane.at(ix + dx, iy + dy));
    let top = v(0, 0) + (v(1, 0) - v(0, 0)) * tx;
    let bottom = v(0, 1) + (v(1, 1) - v(0, 1)) * tx;
    Some(top + (bottom - top) * ty)
}
