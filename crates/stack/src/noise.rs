//! Robust levels and the noise of a picture's background.

use nightloom_raster::Plane;
use rayon::prelude::*;

pub use nightloom_fit::median as median_of;
pub(crate) use nightloom_fit::median_and_sigma;
use nightloom_fit::{median, quantile};

/// Side of a patch, pixels, and patches looked at, at most.
const PATCH: usize = 24;
const PATCHES: usize = 3000;
/// Share of a patch that has to be valid.
const LEAST_VALID: f64 = 0.8;
/// The noise is that of the quieter patches: faint stars only ever add to it.
const QUIET: f64 = 0.2;
/// What that quantile gives for normal noise of spread 1 (4000 patches of seeded numbers).
const QUIET_OF_ONE: f32 = 0.943;
/// Share of a normal law below one spread under its middle.
const BELOW: f64 = 0.158_655;

/// Standard deviation of the noise of single pixels: in patches the way from the median down to one spread below it, which
/// stars hardly touch, and of all patches a quiet one. Pixels where `valid` says false are left out. 0 when nothing is
/// valid.
pub fn background_noise(plane: &Plane, valid: impl Fn(usize, usize) -> bool + Sync) -> f32 {
    let side = PATCH.min(plane.width()).min(plane.height());
    if side == 0 {
        return 0.0;
    }
    let (columns, rows) = (plane.width() / side, plane.height() / side);
    let step = (columns * rows).div_ceil(PATCHES).max(1) | 1;
    let patch = |values: &mut Vec<f32>, k: usize| {
        let (x0, y0) = (k % columns * side, k / columns * side);
        values.clear();
        for y in y0..y0 + side {
            values.extend((x0..x0 + side).filter(|&x| valid(x, y)).map(|x| plane.at(x, y)));
        }
        values.retain(|v| v.is_finite());
        let enough = values.len() as f64 >= LEAST_VALID * (side * side) as f64;
        dark_spread(values).filter(|_| enough)
    };
    let mut all: Vec<f32> = (0..columns * rows)
        .into_par_iter()
        .step_by(step)
        .map_init(Vec::new, patch)
        .flatten_iter()
        .collect();
    quantile(&mut all, QUIET).unwrap_or(0.0) / QUIET_OF_ONE
}

/// The way from the median down to one spread below it, which stars hardly touch. `None` of none.
pub(crate) fn dark_spread(values: &mut [f32]) -> Option<f32> {
    Some(median(values)? - quantile(values, BELOW)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    #[test]
    fn stars_and_a_slope_do_not_count_as_noise() {
        let mut random = Random::new(7);
        let mut plane = Plane::from_fn(480, 360, |x, _| 10.0 + 0.002 * x as f32);
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v += random.normal() as f32);
        let bare = background_noise(&plane, |_, _| true);
        assert!((bare - 1.0).abs() < 0.04, "{bare}");
        // One faint star in 40 pixels, of up to ten times the noise.
        for _ in 0..480 * 360 / 40 {
            let (x, y) = (random.below(476) + 2, random.below(356) + 2);
            let peak = 10.0 * random.uniform().powi(3);
            for (u, v) in (0..5).flat_map(|v| (0..5).map(move |u| (u, v))) {
                let far = (u as f64 - 2.0).powi(2) + (v as f64 - 2.0).powi(2);
                *plane.at_mut(x + u - 2, y + v - 2) += (peak * (-far / 1.5).exp()) as f32;
            }
        }
        let crowded = background_noise(&plane, |_, _| true);
        assert!((crowded - 1.0).abs() < 0.12, "{crowded}");
    }
}
