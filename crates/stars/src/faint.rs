//! Whether a faint peak has a star's concentration and roundness, as far as its noise lets that be said.
//!
//! In a Gaussian window of √2 times the star's width σ, the light of a star with signal over noise S has
//! the mean squared distance 4/3 σ² ± 2.23 σ²/S from its centre, and each of the two components of its
//! elongation (xx − yy, 2 xy) is 0 ± 2.12 σ²/S: the windowed moments of white noise, integrated.

use nightloom_raster::Plane;

use crate::fit::Model;
use crate::shape::{Moments, each_pixel, window_moments};
use crate::spot::Spot;

/// Mean squared distance of a star's light, in σ².
const SPREAD: f64 = 4.0 / 3.0;
/// Its standard deviation times signal over noise.
const SPREAD_NOISE: f64 = 2.23;
/// The same of an elongation's component.
const STRETCH_NOISE: f64 = 2.12;
/// Standard deviations by which a star may be too narrow, too wide, too long.
const NARROW: f64 = 4.0;
const WIDE: f64 = 3.5;
const LONG: f64 = 4.0;
/// Spread that a star falls short of, over that which it should have: a hot pixel has next to none.
const HOT: f64 = 0.6;
/// Standard deviations by which a pixel may stand above the fitted star.
const SPIKE: f64 = 4.0;
/// Part of the filter's signal that the fit must find again over the sky of its own ring: beside land
/// and on the skirts of bright stars the mesh is too low.
const CONFIRMED: f64 = 0.8;

/// Whether the spot may be a star beside those `near`; `sigma` is the filter's width.
pub(crate) fn may_be_star(image: &Plane, spot: &Spot, sigma: f64, threshold: f64, near: &[Model]) -> bool {
    let shape = spot.model.shape;
    let snr = f64::from(spot.snr);
    let wide = Moments {
        xx: shape.xx + sigma * sigma,
        yy: shape.yy + sigma * sigma,
        ..shape
    };
    let filtered = spot.model.height * (shape.determinant() / wide.determinant()).sqrt();
    if spot.value > 0.0 && snr * filtered / f64::from(spot.value) < CONFIRMED * threshold {
        return false;
    }
    if spike(image, spot, near) {
        return false;
    }
    if !near.is_empty() {
        return true;
    }
    let own = shape.determinant().sqrt();
    let window = Moments::round((2.0 * own).sqrt());
    let Some(seen) = window_moments(image, &spot.sky, (spot.model.x, spot.model.y), window) else {
        return false;
    };
    let spread = (seen.xx + seen.yy) / own;
    // The shape's own elongation shows by 4/9 in a window of twice its variance.
    let (e1, e2) = (
        (seen.xx - seen.yy - 4.0 / 9.0 * (shape.xx - shape.yy)) / own,
        2.0 * (seen.xy - 4.0 / 9.0 * shape.xy) / own,
    );
    let narrow = spread < (SPREAD - NARROW * SPREAD_NOISE / snr).min(HOT * SPREAD);
    let wide = spread > SPREAD + WIDE * SPREAD_NOISE / snr;
    let long = e1.hypot(e2) > LONG * STRETCH_NOISE / snr;
    !(narrow || wide || long)
}

/// Whether one pixel stands out of the fitted star: a hot pixel, a cosmic ray, a glint.
fn spike(image: &Plane, spot: &Spot, near: &[Model]) -> bool {
    let model = &spot.model;
    let mut spike = false;
    each_pixel(image, model.x, model.y, 1.5, |dx, dy, value| {
        let (x, y) = (model.x + dx, model.y + dy);
        let light = model.at(x, y);
        let others: f64 = near.iter().map(|n| n.at(x, y)).sum();
        let noise = (spot.noise.sky + spot.noise.per_light * (light + others)).sqrt();
        let off = f64::from(value - spot.sky.at_pixel(x, y)) - light - others;
        spike |= off > SPIKE * noise + 0.3 * (light + others) + 0.1 * model.height;
    });
    spike
}
