//! Two stars in one peak, told apart by their common shape.
//!
//! A star longer than its neighbours is fitted as two of the neighbours' shape. Both must be
//! bright enough, far enough apart, and together must leave clearly less than the one did.

use crate::fit::{FitSettings, Model, samples};
use crate::points::{Scene, Spot, typical_shape};
use crate::shape::Moments;

/// Signal over noise from which a peak is looked at.
const SNR: f32 = 25.0;
/// Nearby stars whose shape is taken.
const NEAR: usize = 15;
/// Length over that of the others, from which a peak may be two.
const LONGER: f64 = 1.12;
/// Distance of the two over the shape's standard deviation, at least.
const APART: f64 = 1.7;
/// Squared residual over that of one star, up to which two are believed.
const BETTER: f64 = 0.5;
/// Height of the fainter over the brighter, at least.
const FAINTEST: f64 = 0.04;
const ROUNDS: usize = 8;

/// The two stars of a peak, if it is two; the brighter first.
pub(crate) fn split(scene: &Scene, spot: &Spot, all: &[Spot]) -> Option<[Spot; 2]> {
    if !spot.fitted || spot.core > 0.0 || spot.snr < SNR {
        return None;
    }
    let (long, _, _) = spot.model.shape.axes();
    let frame = typical_shape(all.iter().take(400), scene.sigma);
    let slack = LONGER + 3.0 / f64::from(spot.snr);
    if long.sqrt() < slack * frame.axes().0.sqrt() {
        return None;
    }
    let shape = shape_near(scene, spot, all);
    if long.sqrt() < slack * shape.axes().0.sqrt() {
        return None;
    }
    let pair = fit_pair(scene, spot, shape)?;
    judge(scene, spot, &pair, shape).then(|| {
        let total = spot.model.height.max(pair[0].height) / f64::from(spot.snr);
        pair.map(|model| Spot {
            model,
            snr: (model.height / total) as f32,
            ..*spot
        })
    })
}

fn shape_near(scene: &Scene, spot: &Spot, all: &[Spot]) -> Moments {
    let off = |s: &Spot| (s.model.x - spot.model.x).hypot(s.model.y - spot.model.y);
    let mut near: Vec<&Spot> = all.iter().filter(|s| s.is_sure() && off(s) > 1e-9).collect();
    near.sort_by(|a, b| off(a).total_cmp(&off(b)).then(a.model.x.total_cmp(&b.model.x)));
    typical_shape(near.into_iter().take(NEAR), scene.sigma)
}

/// Fits two stars of one shape in turns, from the brightest pixel and from what it leaves.
fn fit_pair(scene: &Scene, spot: &Spot, shape: Moments) -> Option<[Model; 2]> {
    let settings = FitSettings {
        free_shape: false,
        saturation: scene.settings.saturation,
        neighbours: &[],
    };
    let pixels = samples(scene.image, &spot.sky, &spot.model, &settings);
    let at_top = |left: &dyn Fn(f64, f64, f64) -> f64| {
        pixels
            .iter()
            .map(|s| (left(s.x, s.y, s.light), s))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(height, s)| Model {
                x: s.x,
                y: s.y,
                height,
                shape,
            })
    };
    let mut first = at_top(&|_, _, light| light).filter(|m| m.height > 0.0)?;
    let mut second = at_top(&|x, y, light| light - first.at(x, y)).filter(|m| m.height > 0.0)?;
    for _ in 0..ROUNDS {
        first = scene.fit(spot, first, &[second], false)?;
        second = scene.fit(spot, second, &[first], false)?;
    }
    Some(if first.height >= second.height {
        [first, second]
    } else {
        [second, first]
    })
}

fn judge(scene: &Scene, spot: &Spot, pair: &[Model; 2], shape: Moments) -> bool {
    let [a, b] = pair;
    let apart = shape
        .inverse()
        .map_or(0.0, |i| i.times(a.x - b.x, a.y - b.y).sqrt());
    let snr = f64::from(spot.snr) * b.height / spot.model.height.max(a.height);
    let settings = FitSettings {
        free_shape: true,
        saturation: scene.settings.saturation,
        neighbours: &[],
    };
    let (mut one, mut two) = (0.0, 0.0);
    for s in samples(scene.image, &spot.sky, &spot.model, &settings) {
        one += (s.light - spot.model.at(s.x, s.y)).powi(2);
        two += (s.light - a.at(s.x, s.y) - b.at(s.x, s.y)).powi(2);
    }
    apart > APART
        && snr > f64::from(scene.settings.threshold_sigma)
        && b.height > FAINTEST * a.height
        && two < BETTER * one
}
