//! Centre, shape and brightness of one star by least squares: an elliptical Gaussian on the sky.
//!
//! Each pixel is weighed by the variance the model gives it, so that the centre's error stays near
//! the Cramér–Rao bound both where the star's photons and where the sky's photons rule (King 1983,
//! PASP 95, 163; Mendez, Silva & Lobos 2013, PASP 125, 580). Fisher scoring with Levenberg's (1944)
//! damping.

use nalgebra::SVector;
use nightloom_fit::Normal;
use nightloom_raster::Plane;

use crate::shape::{LocalSky, Moments, decay, each_pixel};

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
        self.shape
            .inverse()
            .map_or(0.0, |inverse| self.seen(&inverse, x, y))
    }

    /// Light at a point, the shape's inverse being known.
    fn seen(&self, inverse: &Moments, x: f64, y: f64) -> f64 {
        self.height * decay(inverse.times(x - self.x, y - self.y))
    }

    /// Whether it is elsewhere or of other brightness than `before`, by more than noise lets one tell at the
    /// signal over noise `snr`.
    pub(crate) fn differs(&self, before: &Self, snr: f32) -> bool {
        const PX: f64 = 5e-4;
        const PART: f64 = 5e-4;
        const OF_NOISE: f64 = 0.02;
        let noise = OF_NOISE / f64::from(snr).max(1.0);
        let width = self.shape.axes().1.sqrt();
        (self.x - before.x).hypot(self.y - before.y) > PX.max(noise * width)
            || (self.height - before.height).abs() > PART.max(noise) * before.height
    }
}

/// The variance of a pixel: the sky's, and so much for each unit of a star's light.
#[derive(Clone, Copy, Debug)]
pub(crate) struct FitNoise {
    pub(crate) sky: f64,
    pub(crate) per_light: f64,
}

/// Electrons of full scale at least: the most that photon noise is taken to grow with light.
const LEAST_FULL_SCALE_E: f64 = 1000.0;

impl FitNoise {
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
    /// Variance along the long axis at most, square pixels: what is wider is no star.
    pub(crate) widest: f64,
    /// Stars nearby, whose light is taken out first.
    pub(crate) neighbours: &'a [Model],
}

/// Standard deviations of the starting shape within which pixels are fitted.
pub(crate) const REACH: f64 = 3.5;
const ROUNDS: usize = 25;
/// A step shorter than this in place, and in height as a part of it, is a fit's last.
const SETTLED_PX: f64 = 1e-3;
const SETTLED_PART: f64 = 3e-3;
/// So is one that saves less than this of the squared residual, in noise: a tenth of a standard deviation, before
/// it is taken.
const SETTLED_CHI2: f64 = 0.01;

/// One pixel of a fit.
#[derive(Clone, Copy)]
pub(crate) struct StarPixel {
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
    noise: FitNoise,
    settings: &FitSettings,
) -> Option<Model> {
    let samples = samples(image, sky, &start, settings);
    if samples.len() < 7 {
        return None;
    }
    if settings.free_shape {
        descend::<6>(&samples, start, noise, settings.widest)
    } else {
        descend::<3>(&samples, start, noise, settings.widest)
    }
}

/// The pixels that a fit from `start` uses.
pub(crate) fn samples(
    image: &Plane,
    sky: &LocalSky,
    start: &Model,
    settings: &FitSettings,
) -> Vec<StarPixel> {
    let (long, _, _) = start.shape.axes();
    let Some(inverse) = start.shape.inverse() else {
        return Vec::new();
    };
    let (reach, least) = (REACH * long.sqrt(), 2.3f64);
    // One inversion a neighbour, not one a pixel.
    let neighbours: Vec<(&Model, Moments)> = settings
        .neighbours
        .iter()
        .filter_map(|n| Some((n, n.shape.inverse()?)))
        .collect();
    let mut out = Vec::with_capacity(128);
    each_pixel(image, start.x, start.y, reach.max(least), |dx, dy, value| {
        let near = inverse.times(dx, dy) <= REACH * REACH || dx * dx + dy * dy <= least * least;
        if near && value.is_finite() && value < settings.saturation {
            let (x, y) = (start.x + dx, start.y + dy);
            let others: f64 = neighbours.iter().map(|(n, inverse)| n.seen(inverse, x, y)).sum();
            let light = f64::from(value - sky.at_pixel(x, y)) - others;
            out.push(StarPixel { x, y, light });
        }
    });
    out
}

/// Parameters: height, x, y and, where `N` is 6, the inverse shape's xx, xy, yy.
///
/// Not [`nightloom_fit::descend`]: a trial is judged and its equations are gathered in one look at the pixels, and
/// it ends by what a step can still gain in noise. There is no hotter loop in a frame's measurement.
fn descend<const N: usize>(
    samples: &[StarPixel],
    start: Model,
    noise: FitNoise,
    widest: f64,
) -> Option<Model> {
    let mut best = start;
    let (mut weights, mut next_weights) = (Vec::new(), Vec::new());
    let mut at = gather::<N>(samples, &best, noise, &[], &mut weights)?;
    let mut damping = 1e-3;
    for _ in 0..ROUNDS {
        let step = at.normal.damped(damping).solve()?;
        let short = step[1].hypot(step[2]) < SETTLED_PX && (step[0] / best.height).abs() < SETTLED_PART;
        if short || step.dot(at.normal.side()) < SETTLED_CHI2 {
            // Near the end the error left is as the square of the step.
            best = stepped(&best, &step, widest).unwrap_or(best);
            break;
        }
        // The weights go with the model: old and new are judged by the old one's.
        let next = stepped(&best, &step, widest)
            .and_then(|m| Some((m, gather::<N>(samples, &m, noise, &weights, &mut next_weights)?)))
            .filter(|(_, g)| g.judged <= at.chi2 * (1.0 + 1e-9));
        let Some((model, gathered)) = next else {
            damping *= 10.0;
            if damping > 1e4 {
                break;
            }
            continue;
        };
        (best, at) = (model, gathered);
        std::mem::swap(&mut weights, &mut next_weights);
        damping = (damping * 0.1).max(1e-9);
    }
    let reach = (REACH * start.shape.axes().0.sqrt()).max(2.0);
    let near = (best.x - start.x).hypot(best.y - start.y) < 0.8 * reach;
    (near && best.height > 0.0).then_some(best)
}

fn stepped<const N: usize>(from: &Model, step: &SVector<f64, N>, widest: f64) -> Option<Model> {
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
    let sound = short > 0.02 && long < widest && long < 6.0 * was.0 && short < 6.0 * was.1;
    (sound && from.height + step[0] > 0.0).then_some(Model {
        x: from.x + step[1],
        y: from.y + step[2],
        height: from.height + step[0],
        shape,
    })
}

/// Normal equations about a model.
struct Gathered<const N: usize> {
    normal: Normal<N>,
    /// Squared residuals by the model's own weights.
    chi2: f64,
    /// Squared residuals by the weights given.
    judged: f64,
}

fn gather<const N: usize>(
    samples: &[StarPixel],
    model: &Model,
    noise: FitNoise,
    judge: &[f64],
    weights: &mut Vec<f64>,
) -> Option<Gathered<N>> {
    let inverse = model.shape.inverse()?;
    let mut normal = Normal::new();
    let (mut chi2, mut judged) = (0.0, 0.0);
    weights.clear();
    for (n, sample) in samples.iter().enumerate() {
        let (dx, dy) = (sample.x - model.x, sample.y - model.y);
        let fall = decay(inverse.times(dx, dy));
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
        normal.add(d, off, weight);
        chi2 += weight * off * off;
        judged += judge.get(n).unwrap_or(&weight) * off * off;
        weights.push(weight);
    }
    Some(Gathered { normal, chi2, judged })
}
