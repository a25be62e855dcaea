//! Centre, shape and brightness of one star by least squares: an elliptical Gaussian on the sky.
//!
//! Each pixel is weighed by the variance the model gives it, so that the centre's error stays near
//! the Cramér–Rao bound both where the star's photons and where the sky's photons rule (King 1983,
//! PASP 95, 163; Mendez, Silva & Lobos 2013, PASP 125, 580). Fisher scoring with Levenberg's (1944)
//! damping.

use nalgebra::{SMatrix, SVector};
use nightloom_raster::Plane;

use crate::shape::{LocalSky, Moments, each_pixel};

/// One star as pixels show it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Model {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// Height of the middle above the sky.
    pub(crate) height: f64,
    /// Variances, square pixels, the pixel's own share included.
    pub(crate) shape: Moments,
}

impl Model {
    /// Light at a point.
    pub(crate) fn at(&self, x: f64, y: f64) -> f64 {
        self.shape.inverse().map_or(0.0, |inverse| {
            self.height * (-0.5 * inverse.times(x - self.x, y - self.y)).exp()
        })
    }
}

/// The variance of a pixel: the sky's, and so much for each unit of a star's light.
#[derive(Clone, Copy, Debug)]
pub(crate) struct PixelNoise {
    pub(crate) sky: f64,
    pub(crate) per_light: f64,
}

/// Electrons of full scale at least: the most that photon noise is taken to grow with light.
const LEAST_FULL_SCALE_E: f64 = 1000.0;

impl PixelNoise {
    /// All noise of the sky is taken for photon noise, as far as sensors make that plausible.
    pub(crate) fn new(level: f32, noise: f32) -> Self {
        let sky = f64::from(noise).powi(2).max(1e-16);
        let per_light = (sky / f64::from(level).max(1e-9)).min(1.0 / LEAST_FULL_SCALE_E);
        Self { sky, per_light }
    }
}

/// How one star is fitted.
pub(crate) struct FitSettings<'a> {
    /// Whether the shape is fitted too.
    pub(crate) free_shape: bool,
    /// Pixels at and above this say nothing.
    pub(crate) saturation: f32,
    /// Stars nearby, whose light is taken out first.
    pub(crate) neighbours: &'a [Model],
}

/// Standard deviations of the starting shape within which pixels are fitted.
pub(crate) const REACH: f64 = 3.5;
const ROUNDS: usize = 25;

/// One pixel of a fit.
#[derive(Clone, Copy)]
pub(crate) struct Sample {
    pub(crate) x: f64,
    pub(crate) y: f64,
    /// Above the sky and the neighbours.
    pub(crate) light: f64,
}

/// Fits one star. `None` where nothing stands there or the fit runs away.
pub(crate) fn fit(
    image: &Plane,
    sky: &LocalSky,
    start: Model,
    noise: PixelNoise,
    settings: &FitSettings,
) -> Option<Model> {
    let samples = samples(image, sky, &start, settings);
    if samples.len() < 7 {
        return None;
    }
    if settings.free_shape {
        descend::<6>(&samples, start, noise)
    } else {
        descend::<3>(&samples, start, noise)
    }
}

/// The pixels that a fit from `start` uses.
pub(crate) fn samples(image: &Plane, sky: &LocalSky, start: &Model, settings: &FitSettings) -> Vec<Sample> {
    let (long, _, _) = start.shape.axes();
    let Some(inverse) = start.shape.inverse() else {
        return Vec::new();
    };
    let (reach, least) = (REACH * long.sqrt(), 2.3f64);
    let mut out = Vec::with_capacity(128);
    each_pixel(image, start.x, start.y, reach.max(least), |dx, dy, value| {
        let near = inverse.times(dx, dy) <= REACH * REACH || dx * dx + dy * dy <= least * least;
        if near && value.is_finite() && value < settings.saturation {
            let (x, y) = (start.x + dx, start.y + dy);
            let others: f64 = settings.neighbours.iter().map(|n| n.at(x, y)).sum();
            let light = f64::from(value - sky.at_pixel(x, y)) - others;
            out.push(Sample { x, y, light });
        }
    });
    out
}

/// Parameters: height, x, y and, where `N` is 6, the inverse shape's xx, xy, yy.
fn descend<const N: usize>(samples: &[Sample], start: Model, noise: PixelNoise) -> Option<Model> {
    let mut best = start;
    let mut weights = Vec::with_capacity(samples.len());
    let mut damping = 1e-3;
    'rounds: for _ in 0..ROUNDS {
        let (normal, slope, chi2) = gather::<N>(samples, &best, noise, &mut weights)?;
        loop {
            let mut damped = normal;
            for i in 0..N {
                damped[(i, i)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&slope);
            // The weights go with the model: old and new are judged by the old one's.
            let next = stepped(&best, &step).filter(|n| chi2_of(samples, n, &weights) <= chi2 * (1.0 + 1e-9));
            if let Some(model) = next {
                let moved = (model.x - best.x).hypot(model.y - best.y);
                let settled = moved < 1e-4 && (model.height / best.height - 1.0).abs() < 1e-3;
                best = model;
                damping = (damping * 0.1).max(1e-9);
                if settled {
                    break 'rounds;
                }
                break;
            }
            damping *= 10.0;
            if damping > 1e4 {
                break 'rounds;
            }
        }
    }
    let reach = (REACH * start.shape.axes().0.sqrt()).max(2.0);
    let near = (best.x - start.x).hypot(best.y - start.y) < 0.8 * reach;
    (near && best.height > 0.0).then_some(best)
}

/// Weighed squared residuals of a model.
fn chi2_of(samples: &[Sample], model: &Model, weights: &[f64]) -> f64 {
    let Some(inverse) = model.shape.inverse() else {
        return f64::INFINITY;
    };
    let of = |(s, w): (&Sample, &f64)| {
        let fall = (-0.5 * inverse.times(s.x - model.x, s.y - model.y)).exp();
        w * (s.light - model.height * fall).powi(2)
    };
    samples.iter().zip(weights).map(of).sum()
}

fn stepped<const N: usize>(from: &Model, step: &SVector<f64, N>) -> Option<Model> {
    let shape = if N == 6 {
        let inverse = from.shape.inverse()?;
        Moments {
            xx: inverse.xx + step[3],
            xy: inverse.xy + step[4],
            yy: inverse.yy + step[5],
        }
        .inverse()?
    } else {
        from.shape
    };
    let (long, short, _) = shape.axes();
    let was = from.shape.axes();
    let sound = short > 0.02 && long < 6.0 * was.0 && short < 6.0 * was.1;
    (sound && from.height + step[0] > 0.0).then_some(Model {
        x: from.x + step[1],
        y: from.y + step[2],
        height: from.height + step[0],
        shape,
    })
}

type Gathered<const N: usize> = (SMatrix<f64, N, N>, SVector<f64, N>, f64);

/// Normal equations about a model and the weighed squared residuals; the weights are kept.
fn gather<const N: usize>(
    samples: &[Sample],
    model: &Model,
    noise: PixelNoise,
    weights: &mut Vec<f64>,
) -> Option<Gathered<N>> {
    let inverse = model.shape.inverse()?;
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut slope = SVector::<f64, N>::zeros();
    let mut chi2 = 0.0;
    weights.clear();
    for sample in samples {
        let (dx, dy) = (sample.x - model.x, sample.y - model.y);
        let fall = (-0.5 * inverse.times(dx, dy)).exp();
        let light = model.height * fall;
        let weight = 1.0 / (noise.sky + noise.per_light * light);
        let mut d = SVector::<f64, N>::zeros();
        d[0] = fall;
        d[1] = light * (inverse.xx * dx + inverse.xy * dy);
        d[2] = light * (inverse.xy * dx + inverse.yy * dy);
        if N == 6 {
            d[3] = -0.5 * light * dx * dx;
            d[4] = -light * dx * dy;
            d[5] = -0.5 * light * dy * dy;
        }
        let off = sample.light - light;
        for i in 0..N {
            for j in 0..=i {
                normal[(i, j)] += weight * d[i] * d[j];
            }
            slope[i] += weight * off * d[i];
        }
        chi2 += weight * off * off;
        weights.push(weight);
    }
    for i in 0..N {
        for j in 0..i {
            normal[(j, i)] = normal[(i, j)];
        }
    }
    Some((normal, slope, chi2))
}
