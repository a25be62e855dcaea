//! Centre, second moments and flux of one star by an iterated Gaussian window: for trails, burnt-out
//! stars and wherever the fit of a profile runs away.
//!
//! The window has √2 times the star's width: the centre's error is then 1.125 times the
//! Cramér–Rao limit (King 1983, PASP 95, 163) both where the star's photons and where the sky's
//! photons rule, for a Gaussian star.

use nightloom_raster::Plane;

use crate::Background;

/// 2 √(2 ln 2): full width at half maximum over standard deviation of a Gaussian.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// A symmetric 2 × 2 matrix: second moments in square pixels, or its inverse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moments {
    /// Along x.
    pub xx: f64,
    /// Between x and y.
    pub xy: f64,
    /// Along y.
    pub yy: f64,
}

impl Moments {
    /// Of a round star of this standard deviation, pixels.
    pub fn round(sigma: f64) -> Self {
        Self {
            xx: sigma * sigma,
            xy: 0.0,
            yy: sigma * sigma,
        }
    }

    /// Variances `along` and `across` the direction `angle`, radians from +x towards +y.
    pub fn turned(along: f64, across: f64, angle: f64) -> Self {
        let (s, c) = angle.sin_cos();
        Self {
            xx: along * c * c + across * s * s,
            xy: (along - across) * s * c,
            yy: along * s * s + across * c * c,
        }
    }

    /// xx·yy − xy².
    pub fn determinant(self) -> f64 {
        self.xx * self.yy - self.xy * self.xy
    }

    /// The inverse, if the matrix is positive definite.
    pub fn inverse(self) -> Option<Self> {
        let det = self.determinant();
        (det > 1e-12 && self.xx > 0.0).then(|| Self {
            xx: self.yy / det,
            xy: -self.xy / det,
            yy: self.xx / det,
        })
    }

    /// Variance along the long axis, along the short one, and the long axis' direction.
    pub fn axes(self) -> (f64, f64, f64) {
        let mean = 0.5 * (self.xx + self.yy);
        let half = (0.25 * (self.xx - self.yy).powi(2) + self.xy * self.xy).sqrt();
        let angle = 0.5 * (2.0 * self.xy).atan2(self.xx - self.yy);
        (mean + half, (mean - half).max(0.0), angle)
    }

    /// The quadratic form at (x, y).
    pub fn times(self, x: f64, y: f64) -> f64 {
        self.xx * x * x + 2.0 * self.xy * x * y + self.yy * y * y
    }
}

/// The sky under a star: a tilted plane.
#[derive(Clone, Copy, Debug)]
pub struct LocalSky {
    x: f64,
    y: f64,
    level: f32,
    slope: [f32; 2],
}

impl LocalSky {
    /// The mesh's level and tilt at (x, y), shifted to the median of a ring about it.
    pub fn around(image: &Plane, background: &Background, x: f64, y: f64, inner: f64) -> Self {
        let h = background.mesh_px as f64 / 4.0;
        let level = background.level_at(x, y);
        let tilt = |a: f32, b: f32| (a - b) / (2.0 * h) as f32;
        let slope = [
            tilt(background.level_at(x + h, y), background.level_at(x - h, y)),
            tilt(background.level_at(x, y + h), background.level_at(x, y - h)),
        ];
        let mut sky = Self { x, y, level, slope };
        let outer = inner + 3.0;
        let mut ring = Vec::new();
        each_pixel(image, x, y, outer, |dx, dy, value| {
            let r2 = dx * dx + dy * dy;
            if r2 >= inner * inner && r2 <= outer * outer {
                ring.push(value - sky.at(dx, dy));
            }
        });
        if let Some(stats) = crate::levels::clipped(&mut ring, 2.5) {
            sky.level += stats.median;
        }
        sky
    }

    /// The sky at an offset from the ring's centre.
    fn at(&self, dx: f64, dy: f64) -> f32 {
        self.level + self.slope[0] * dx as f32 + self.slope[1] * dy as f32
    }

    /// The sky at a pixel.
    pub fn at_pixel(&self, x: f64, y: f64) -> f32 {
        self.at(x - self.x, y - self.y)
    }
}

/// What the window found.
#[derive(Clone, Copy, Debug)]
pub struct Centred {
    /// The centre, pixels.
    pub x: f64,
    /// See [`Self::x`].
    pub y: f64,
    /// Second moments with the window's share taken out; `None` where noise left nothing positive.
    pub moments: Option<Moments>,
}

/// Iterates the window onto the star. `None` where it runs away or holds no light.
pub fn centre(image: &Plane, sky: &LocalSky, start: (f64, f64), window: Moments) -> Option<Centred> {
    let inverse = window.inverse()?;
    let (long, _, _) = window.axes();
    let reach = (3.0 * long.sqrt()).max(2.0);
    let (mut x, mut y) = start;
    for _ in 0..30 {
        let sums = weigh(image, sky, x, y, reach, inverse);
        if sums.light <= 0.0 {
            return None;
        }
        // A Gaussian of half the window's variance moves the mean by 2/3 of its offset.
        let (dx, dy) = (1.5 * sums.x / sums.light, 1.5 * sums.y / sums.light);
        x += dx;
        y += dy;
        if (x - start.0).hypot(y - start.1) > reach {
            return None;
        }
        if dx.hypot(dy) < 5e-4 {
            break;
        }
    }
    let moments = moments_at(image, sky, (x, y), window);
    Some(Centred { x, y, moments })
}

/// Second moments about a known centre, the window's share taken out; `None` where noise left
/// nothing positive.
pub(crate) fn moments_at(
    image: &Plane,
    sky: &LocalSky,
    (x, y): (f64, f64),
    window: Moments,
) -> Option<Moments> {
    let inverse = window.inverse()?;
    let seen = window_moments(image, sky, (x, y), window)?.inverse()?;
    Moments {
        xx: seen.xx - inverse.xx,
        xy: seen.xy - inverse.xy,
        yy: seen.yy - inverse.yy,
    }
    .inverse()
}

/// Second moments about a known centre as the window shows them; `None` where it holds no light.
pub(crate) fn window_moments(
    image: &Plane,
    sky: &LocalSky,
    (x, y): (f64, f64),
    window: Moments,
) -> Option<Moments> {
    let inverse = window.inverse()?;
    let reach = (3.0 * window.axes().0.sqrt()).max(2.0);
    let sums = weigh(image, sky, x, y, reach, inverse);
    (sums.light > 0.0).then(|| Moments {
        xx: sums.xx / sums.light,
        xy: sums.xy / sums.light,
        yy: sums.yy / sums.light,
    })
}

#[derive(Default)]
struct Sums {
    light: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

fn weigh(image: &Plane, sky: &LocalSky, x: f64, y: f64, reach: f64, inverse: Moments) -> Sums {
    let mut sums = Sums::default();
    each_pixel(image, x, y, reach, |dx, dy, value| {
        let q = inverse.times(dx, dy);
        if q > 9.0 {
            return;
        }
        let w = decay(q) * f64::from(value - sky.at_pixel(x + dx, y + dy));
        sums.light += w;
        sums.x += w * dx;
        sums.y += w * dy;
        sums.xx += w * dx * dx;
        sums.xy += w * dx * dy;
        sums.yy += w * dy * dy;
    });
    sums
}

/// Moves the middle of a trail until both its ends are equally bright.
///
/// Weighing the ends alone is what least squares on a uniform line drawn out of a Gaussian comes
/// to; the middle holds no word on where the line lies along itself. Returns the start unchanged
/// where the trail is too short or too faint for that.
pub(crate) fn balance_ends(
    image: &Plane,
    sky: &LocalSky,
    start: (f64, f64),
    (length, angle): (f64, f64),
    sigma: f64,
) -> (f64, f64) {
    if length < 4.0 * sigma {
        return start;
    }
    let (s, c) = angle.sin_cos();
    let half = 0.5 * length;
    let gauss = |v: f64| (-0.5 * (v / sigma).powi(2)).exp();
    let (mut x, mut y) = start;
    for _ in 0..15 {
        let (mut ends, mut middle, mut count) = (0.0, 0.0, 0.0);
        each_pixel(image, x, y, half + 4.0 * sigma, |dx, dy, value| {
            let (along, across) = (dx * c + dy * s, dy * c - dx * s);
            if across.abs() > 3.0 * sigma {
                return;
            }
            let light = gauss(across) * f64::from(value - sky.at_pixel(x + dx, y + dy));
            ends += (gauss(along - half) - gauss(along + half)) * light;
            if along.abs() < 0.3 * length {
                middle += light;
                count += gauss(across);
            }
        });
        // A shift d changes the difference of the ends by 2 d A ∫ gauss² over the line's profile.
        let rows = sigma * std::f64::consts::TAU.sqrt();
        let slope = 2.0 * (middle / count.max(1e-9)) * rows * std::f64::consts::FRAC_1_SQRT_2;
        let step = ends / slope;
        if !(slope > 0.0 && step.is_finite()) {
            return start;
        }
        let step = step.clamp(-sigma, sigma);
        (x, y) = (x + step * c, y + step * s);
        if (x - start.0).hypot(y - start.1) > 0.25 * length + 2.0 * sigma {
            return start;
        }
        if step.abs() < 1e-3 {
            break;
        }
    }
    (x, y)
}

/// Calls `visit` with the offset from (x, y) and the value of each pixel of a square about it.
pub fn each_pixel(image: &Plane, x: f64, y: f64, reach: f64, mut visit: impl FnMut(f64, f64, f32)) {
    if !(x.is_finite() && y.is_finite()) {
        return;
    }
    let range = |v: f64, n: usize| {
        (
            (v - reach).ceil().max(0.0) as usize,
            ((v + reach).floor() + 1.0).clamp(0.0, n as f64) as usize,
        )
    };
    let (x0, x1) = range(x, image.width());
    let (y0, y1) = range(y, image.height());
    if x0 >= x1 {
        return;
    }
    for py in y0..y1 {
        let row = image.row(py);
        for (i, &value) in row[x0..x1].iter().enumerate() {
            visit((x0 + i) as f64 - x, py as f64 - y, value);
        }
    }
}

/// exp(−q/2) for q of 0 and more, within a hundred-millionth of it: a power of two times a series.
#[inline]
pub(crate) fn decay(q: f64) -> f64 {
    // Adding and taking away 1.5 · 2⁵² rounds to a whole number.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    let power = -0.5 * std::f64::consts::LOG2_E * q.min(120.0);
    let whole = (power + ROUND) - ROUND;
    let x = (power - whole) * std::f64::consts::LN_2;
    let series = 1.0 + x * (1.0 / 7.0);
    let series = 1.0 + x * (1.0 / 6.0) * series;
    let series = 1.0 + x * (1.0 / 5.0) * series;
    let series = 1.0 + x * (1.0 / 4.0) * series;
    let series = 1.0 + x * (1.0 / 3.0) * series;
    let series = 1.0 + x * (1.0 / 2.0) * series;
    let series = 1.0 + x * series;
    f64::from_bits(((whole as i64 + 1023) as u64) << 52) * series
}

#[cfg(test)]
mod tests {
    use super::decay;

    #[test]
    fn decay_is_the_exponential() {
        for i in 0..2000 {
            let q = 0.05 * f64::from(i);
            let (is, should) = (decay(q), (-0.5 * q).exp());
            assert!((is / should - 1.0).abs() < 2e-8, "{is} for {should} at {q}");
        }
    }
}
