//! Stars of known profile, integrated over pixels, and the Cramér–Rao bound of their centres.

use nightloom_raster::Plane;

/// How a star's light falls off.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Fall {
    Gauss,
    /// Moffat (1969), with its exponent β.
    Moffat(f64),
}

/// A star's light before the pixels: full widths at half maximum, direction of the long axis from
/// +x towards +y.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Profile {
    pub(crate) fall: Fall,
    pub(crate) long_px: f64,
    pub(crate) short_px: f64,
    pub(crate) angle: f64,
}

impl Profile {
    pub(crate) fn round(fall: Fall, fwhm_px: f64) -> Self {
        Self {
            fall,
            long_px: fwhm_px,
            short_px: fwhm_px,
            angle: 0.0,
        }
    }

    /// Light per square pixel, of a total of 1.
    fn at(&self, dx: f64, dy: f64) -> f64 {
        let (s, c) = self.angle.sin_cos();
        let u = 2.0 * (dx * c + dy * s) / self.long_px;
        let v = 2.0 * (dy * c - dx * s) / self.short_px;
        let q = u * u + v * v;
        let area = 0.25 * std::f64::consts::PI * self.long_px * self.short_px;
        match self.fall {
            Fall::Gauss => std::f64::consts::LN_2 / area * (-std::f64::consts::LN_2 * q).exp(),
            Fall::Moffat(beta) => {
                let k = 2f64.powf(1.0 / beta) - 1.0;
                (beta - 1.0) * k / area * (1.0 + k * q).powf(-beta)
            }
        }
    }

    /// Light in the pixel whose centre is (dx, dy) from the star's.
    pub(crate) fn pixel(&self, dx: f64, dy: f64) -> f64 {
        // Far out the profile is straight within a pixel.
        let n = if dx.hypot(dy) < 2.0 * self.long_px { 7 } else { 3 };
        let mut sum = 0.0;
        for i in 0..n * n {
            let o = |k: i32| (f64::from(k) + 0.5) / f64::from(n) - 0.5;
            sum += self.at(dx + o(i % n), dy + o(i / n));
        }
        sum / f64::from(n * n)
    }

    /// Full widths at half maximum, along and across, of what pixels show.
    pub(crate) fn seen_fwhm(&self) -> (f64, f64) {
        let (s, c) = self.angle.sin_cos();
        let width = |ux: f64, uy: f64| {
            let (top, mut low, mut high) = (self.pixel(0.0, 0.0), 0.0, 3.0 * self.long_px);
            for _ in 0..40 {
                let r = 0.5 * (low + high);
                if self.pixel(r * ux, r * uy) > 0.5 * top {
                    low = r;
                } else {
                    high = r;
                }
            }
            low + high
        };
        (width(c, s), width(-s, c))
    }

    /// Adds a star of `electrons` at (x, y).
    pub(crate) fn paint(&self, plane: &mut Plane, x: f64, y: f64, electrons: f64) {
        let reach = match self.fall {
            Fall::Gauss => 2.8 * self.long_px,
            Fall::Moffat(_) => 10.0 * self.long_px,
        };
        each(plane.width(), plane.height(), x, y, reach, |px, py, dx, dy| {
            *plane.at_mut(px, py) += (electrons * self.pixel(dx, dy)) as f32;
        });
    }

    /// Signal over noise of a star of one electron, in a sky of the given variance, for the best
    /// linear filter.
    pub(crate) fn snr_per_electron(&self, variance: f64) -> f64 {
        let mut sum = 0.0;
        each(81, 81, 40.0, 40.0, 39.0, |_, _, dx, dy| {
            sum += self.pixel(dx, dy).powi(2);
        });
        (sum / variance).sqrt()
    }

    /// The least standard deviation along x and y that an unbiased centre of a star at (x, y) can
    /// have, with pixels of the Poisson variance of their light and a sky's `variance` besides: the
    /// inverse of the Fisher information of centre and flux (King 1983, PASP 95, 163; Mendez, Silva
    /// & Lobos 2013, PASP 125, 580), summed over pixels.
    pub(crate) fn bound(&self, x: f64, y: f64, electrons: f64, variance: f64) -> [f64; 2] {
        let (fx, fy) = (40.0 + x.fract(), 40.0 + y.fract());
        let mut f = nalgebra::Matrix3::<f64>::zeros();
        let h = 1e-3;
        each(82, 82, fx, fy, 3.0 + 3.0 * self.long_px, |_, _, dx, dy| {
            let light = electrons * self.pixel(dx, dy);
            let slope = |a: f64, b: f64| electrons * (a - b) / (2.0 * h);
            let d = nalgebra::Vector3::new(
                slope(self.pixel(dx - h, dy), self.pixel(dx + h, dy)),
                slope(self.pixel(dx, dy - h), self.pixel(dx, dy + h)),
                light / electrons,
            );
            f += d * d.transpose() / (light + variance);
        });
        let inverse = f.try_inverse().expect("information about the centre");
        [inverse[(0, 0)].sqrt(), inverse[(1, 1)].sqrt()]
    }
}

fn each(
    width: usize,
    height: usize,
    x: f64,
    y: f64,
    reach: f64,
    mut visit: impl FnMut(usize, usize, f64, f64),
) {
    let range = |v: f64, n: usize| {
        let from = (v - reach).ceil().max(0.0) as usize;
        from..((v + reach).floor() + 1.0).clamp(0.0, n as f64) as usize
    };
    for py in range(y, height) {
        for px in range(x, width) {
            visit(px, py, px as f64 - x, py as f64 - y);
        }
    }
}
