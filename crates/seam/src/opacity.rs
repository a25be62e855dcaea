//! How much land one pixel's colour tells of.
//!
//! I = (1 − α)·F + α·B with B known to within its error, F normal with the neighbourhood's mean and
//! covariance, and noise: the likelihood of I is normal for every α (after Chuang, Curless, Salesin &
//! Szeliski 2001, CVPR, "A Bayesian approach to digital matting", with B known). Mean and variance
//! over a grid of α are returned, so that a pixel that could be either says so.

use nalgebra::{Matrix3, Vector3};

/// Colours around a pixel.
pub(crate) struct Colours {
    pub(crate) back: [f32; 3],
    /// Standard deviation of one pixel's noise.
    pub(crate) noise: [f32; 3],
    pub(crate) front: [f32; 3],
    /// Covariance of the land's colours: rr, rg, rb, gg, gb, bb.
    pub(crate) spread: [f32; 6],
}

/// Alpha and its variance, and how far land and sky are apart in sigmas of noise.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Opacity {
    pub(crate) alpha: f32,
    pub(crate) variance: f32,
    pub(crate) separation: f32,
}

const GRID: usize = 17;
/// Error of the modelled sky, as a fraction of its level.
const SKY_ERROR: f32 = 0.015;
/// Colours at an edge are off the line from F to B by this share of their distance: demosaicing.
const FRINGE: f32 = 0.08;
/// Pure land and pure sky are this much likelier beforehand than any one mixture on the grid.
const PURE: f64 = 6.0;

pub(crate) fn opacity(seen: [f32; 3], c: &Colours) -> Opacity {
    let apart: [f32; 3] = std::array::from_fn(|k| c.front[k] - c.back[k]);
    let separation = (0..3)
        .map(|k| (apart[k] / c.noise[k]).powi(2))
        .sum::<f32>()
        .sqrt();
    let s = c.spread.map(f64::from);
    let spread = Matrix3::new(s[0], s[1], s[2], s[1], s[3], s[4], s[2], s[4], s[5]);
    let mut logs = [0.0f64; GRID];
    for (k, log) in logs.iter_mut().enumerate() {
        let a = k as f64 / (GRID - 1) as f64;
        let mixed = 4.0 * a * (1.0 - a);
        let own = Vector3::from_fn(|k, _| {
            f64::from(c.noise[k]).powi(2)
                + (a * f64::from(SKY_ERROR * c.back[k])).powi(2)
                + mixed * f64::from(FRINGE * apart[k]).powi(2)
        });
        let covariance = spread * (1.0 - a).powi(2) + Matrix3::from_diagonal(&own);
        let miss = Vector3::from_fn(|k, _| f64::from(seen[k] - c.back[k]) - (1.0 - a) * f64::from(apart[k]));
        *log = log_normal(&covariance, &miss) + if k == 0 || k + 1 == GRID { PURE.ln() } else { 0.0 };
    }
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let [mut sum, mut first, mut second] = [0.0f64; 3];
    for (k, log) in logs.iter().enumerate() {
        let (a, w) = (k as f64 / (GRID - 1) as f64, (log - top).exp());
        sum += w;
        first += w * a;
        second += w * a * a;
    }
    let mean = first / sum;
    Opacity {
        alpha: mean as f32,
        variance: (second / sum - mean * mean).max(0.0) as f32,
        separation,
    }
}

fn log_normal(covariance: &Matrix3<f64>, miss: &Vector3<f64>) -> f64 {
    match covariance.try_inverse() {
        Some(inverse) => -0.5 * ((miss.transpose() * inverse * miss)[0] + covariance.determinant().ln()),
        None => f64::NEG_INFINITY,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn colours(spread: f32) -> Colours {
        let v = spread * spread;
        Colours {
            back: [1.0, 1.2, 1.4],
            noise: [0.03; 3],
            front: [0.3, 0.35, 0.3],
            spread: [v, 0.0, 0.0, v, 0.0, v],
        }
    }

    #[test]
    fn mixtures_come_back() {
        let c = colours(0.02);
        for a in [0.0f32, 0.25, 0.5, 0.75, 1.0] {
            let seen = std::array::from_fn(|k| a * c.back[k] + (1.0 - a) * c.front[k]);
            let found = opacity(seen, &c);
            assert!((found.alpha - a).abs() < 0.05, "{a}: {found:?}");
            assert!(found.variance < 0.01, "{a}: {found:?}");
        }
    }

    #[test]
    fn land_off_the_line_is_land_when_its_texture_allows() {
        // As bright as the sky, but yellow: no mixture of grey land and blue sky. Projected on the line
        // from land to sky it would be 0.69 sky.
        let found = opacity([1.3, 1.1, 0.6], &colours(0.5));
        assert!(found.alpha < 0.35, "{found:?}");
    }
}
