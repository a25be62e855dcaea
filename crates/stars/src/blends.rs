//! Two stars in one peak, told apart by their common shape.
//!
//! A star longer than its neighbours is fitted as two of the neighbours' shape. Both must be
//! bright enough, far enough apart, and together must leave clearly less than the one did.

use rayon::prelude::*;

use crate::fit::{FitSettings, Model, StarPixel, samples};
use crate::shape::Moments;
use crate::spot::{Scene, Spot, typical_shape};
use nightloom_fit::median_of;

/// Signal over noise from which a peak is looked at.
const SNR: f32 = 25.0;
/// Nearby stars whose shape is taken.
const NEAR: usize = 15;
/// Length over that of the others, from which a peak may be two.
const LONGER: f64 = 1.03;
/// The same, beyond which it is no two stars: those would be two peaks.
const LONGEST: f64 = 3.0;
/// Distance of the two over the shape's standard deviation, at least.
const APART: f64 = 1.7;
/// Squared residual over that of one star, up to which two are believed.
const BETTER: f64 = 0.75;
/// Squared residual, in noise, that two stars must save at least.
const GAIN: f64 = 30.0;
/// Height of the fainter over the brighter, at least.
const FAINTEST: f64 = 0.04;
/// Squared residual of one star over what the frame's single stars leave, up to which it is not two: with less,
/// two could not save enough.
const WELL_FITTED: f64 = 1.12;
const ROUNDS: usize = 8;

/// What the frame's single stars are like.
pub(crate) struct Singles<'a> {
    sure: Vec<&'a Spot>,
    shape: Moments,
    /// Squared residual of a star's pixel, in noise: 1 where noise and profile are as modelled.
    misfit: f64,
}

impl<'a> Singles<'a> {
    /// Takes the sure ones of `spots`; `shape` is their typical one.
    pub(crate) fn new(scene: &Scene, spots: &'a [Spot], shape: Moments) -> Self {
        let sure: Vec<&Spot> = spots.iter().filter(|s| s.is_sure()).collect();
        let misfits: Vec<f32> = sure.par_iter().map(|s| misfit(scene, s) as f32).collect();
        Self {
            sure,
            shape,
            misfit: f64::from(median_of(misfits).unwrap_or(0.0)),
        }
    }
}

/// Squared residual of a spot's pixel about its model, in noise.
fn misfit(scene: &Scene, spot: &Spot) -> f64 {
    let pixels = samples(scene.image, &spot.sky, &spot.model, &alone(scene, spot));
    let squared = |s: &StarPixel| {
        let light = spot.model.at(s.x, s.y);
        (s.light - light).powi(2) / (spot.noise.sky + spot.noise.per_light * light)
    };
    pixels.iter().map(squared).sum::<f64>() / (pixels.len() as f64).max(1.0)
}

fn alone<'a>(scene: &Scene, spot: &Spot) -> FitSettings<'a> {
    FitSettings {
        free_shape: false,
        saturation: scene.settings.saturation,
        widest: scene.widest(spot),
        neighbours: &[],
    }
}

/// The two stars of a peak, if it is two; the brighter first.
pub(crate) fn split(scene: &Scene, spot: &Spot, singles: &Singles) -> Option<[Spot; 2]> {
    if !spot.fitted || spot.close || spot.core > 0.0 || spot.snr < SNR {
        return None;
    }
    let (long, _, _) = spot.model.shape.axes();
    let slack = LONGER + 2.0 / f64::from(spot.snr);
    let typical = singles.shape.axes().0.sqrt();
    if !(slack * typical..LONGEST * typical).contains(&long.sqrt())
        || misfit(scene, spot) < WELL_FITTED * singles.misfit
    {
        return None;
    }
    let shape = shape_near(scene, spot, &singles.sure);
    if long.sqrt() < slack * shape.axes().0.sqrt() {
        return None;
    }
    let pair = fit_pair(scene, spot, shape)?;
    judge(scene, spot, &pair, shape).then(|| {
        let total = spot.model.height.max(pair[0].height) / f64::from(spot.snr);
        pair.map(|model| Spot {
            model,
            snr: (model.height / total) as f32,
            value: 0.0,
            close: true,
            ..*spot
        })
    })
}

fn shape_near(scene: &Scene, spot: &Spot, sure: &[&Spot]) -> Moments {
    let off = |s: &Spot| (s.model.x - spot.model.x).powi(2) + (s.model.y - spot.model.y).powi(2);
    let mut near: Vec<&Spot> = sure.iter().copied().filter(|s| off(s) > 1e-9).collect();
    if near.len() > NEAR {
        near.select_nth_unstable_by(NEAR, |a, b| {
            off(a).total_cmp(&off(b)).then(a.model.x.total_cmp(&b.model.x))
        });
        near.truncate(NEAR);
    }
    typical_shape(near, scene.sigma)
}

/// Fits two stars of one shape in turns, from the brightest pixel and from what it leaves.
fn fit_pair(scene: &Scene, spot: &Spot, shape: Moments) -> Option<[Model; 2]> {
    let pixels = samples(scene.image, &spot.sky, &spot.model, &alone(scene, spot));
    let inverse = shape.inverse()?;
    let highest = |left: &dyn Fn(&StarPixel) -> f64| {
        pixels
            .iter()
            .map(|s| (left(s), s))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .filter(|(height, _)| *height > 0.0)
            .map(|(height, s)| Model {
                x: s.x,
                y: s.y,
                height,
                shape,
            })
    };
    let mut first = scene.fit(spot, highest(&|s| s.light)?, &[], false)?;
    let mut second = highest(&|s| {
        let apart = inverse.times(s.x - first.x, s.y - first.y) > APART * APART;
        if apart { s.light - first.at(s.x, s.y) } else { 0.0 }
    })?;
    for _ in 0..ROUNDS {
        let before = [first, second];
        first = scene.fit(spot, first, &[second], false)?;
        second = scene.fit(spot, second, &[first], false)?;
        if !first.differs(&before[0], spot.snr) && !second.differs(&before[1], spot.snr) {
            break;
        }
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
    let (mut one, mut two) = (0.0, 0.0);
    for s in samples(scene.image, &spot.sky, &spot.model, &alone(scene, spot)) {
        let both = a.at(s.x, s.y) + b.at(s.x, s.y);
        let variance = spot.noise.sky + spot.noise.per_light * both;
        one += (s.light - spot.model.at(s.x, s.y)).powi(2) / variance;
        two += (s.light - both).powi(2) / variance;
    }
    apart > APART
        && snr > f64::from(scene.settings.threshold_sigma)
        && b.height > FAINTEST * a.height
        && two < BETTER * one
        && one - two > GAIN
}
