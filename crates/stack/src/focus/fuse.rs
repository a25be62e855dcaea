//! Pictures of different focus merged by sharpness.

use nightloom_raster::{Plane, Rgb};

use super::detail::NoiseLine;
use super::pyramid::{Pyramid, reduce, white_noise};
use super::salience::Judge;

/// One focus: its picture, laid on the others' pixels.
#[derive(Clone, Copy, Debug)]
pub struct FocusLayer<'a> {
    /// Linear, on the scale of the others.
    pub picture: &'a Rgb,
    /// Noise of [`Rgb::brightness`] of it.
    pub noise: NoiseLine,
}

/// How focus is merged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FuseSettings {
    /// Scales that are judged apart, each twice the one before: 6 go to 64 pixels, for discs of defocus
    /// of up to about 30.
    pub scales: usize,
    /// Differences below so many σ of chance are taken for noise.
    pub chance: f32,
    /// How much more a difference of detail counts than noise of the same energy.
    pub strictness: f32,
}

impl Default for FuseSettings {
    fn default() -> Self {
        Self {
            scales: 6,
            chance: 1.5,
            strictness: 10.0,
        }
    }
}

/// Merges layers of different focus into one picture, sharp where any of them is: a Laplacian pyramid
/// (Burt & Adelson 1983) in which each scale is taken from the layer with the most salient detail (Burt &
/// Kolczynski 1993), with noise taken off and, where no layer shows more than noise or all show the same,
/// the mean by inverse variance. Decided on luminance, done to red, green and blue alike. `sky` is 1
/// where sky is: there only the layer `far` counts.
///
/// Linear in, linear out; the scale stays. Besides the layers it holds about six planes of a picture's size
/// for each layer at its peak: by count, not measured, 2.3 GB for four layers of 24 million pixels.
///
/// Measured on one painted night with discs of up to 8 pixels' radius: the worst block keeps 0.89 of the
/// best layer's detail (0.86 with noise of 15 % of the level), and windows beyond 5 px from a depth step
/// are off by up to 9 % of the level (15 %, noise included). Where a blurred foreground lies over a sharp
/// background this does not yet tell the two apart.
///
/// `None` without layers, or if sizes differ or `far` is none of them.
pub fn fuse(
    layers: &[FocusLayer<'_>],
    sky: Option<&Plane>,
    far: usize,
    settings: &FuseSettings,
) -> Option<Rgb> {
    let first = layers.first()?.picture;
    let size = (first.width(), first.height());
    let same = layers
        .iter()
        .all(|l| (l.picture.width(), l.picture.height()) == size);
    let sky_fits = sky.is_none_or(|s| (s.width(), s.height()) == size);
    if !(same && sky_fits && far < layers.len() && size.0 * size.1 > 0) {
        return None;
    }
    let weights = weights(layers, sky, far, settings);
    let planes = [0, 1, 2].map(|c| merged(layers, c, &weights));
    Some(Rgb::from_planes(planes))
}

/// Weights of each scale, of the rest last; in each a plane for every layer.
fn weights(
    layers: &[FocusLayer<'_>],
    sky: Option<&Plane>,
    far: usize,
    settings: &FuseSettings,
) -> Vec<Vec<Plane>> {
    let judge = Judge {
        chance: settings.chance,
        strictness: settings.strictness,
    };
    let mut noise = Vec::new();
    let mut pyramids = Vec::new();
    for layer in layers {
        let luminance = layer.picture.brightness();
        noise.push(mapped(&luminance, |v| layer.noise.at(v)));
        pyramids.push(Pyramid::new(luminance, settings.scales));
    }
    let scales = pyramids[0].details.len();
    let white = white_noise(scales);
    let mut factors = vec![1.0; layers.len()];
    let mut sky = sky.cloned();
    let mut all: Vec<Vec<Plane>> = Vec::new();
    for (scale, white) in white.iter().enumerate().take(scales) {
        let details: Vec<&Plane> = pyramids.iter().map(|p| &p.details[scale]).collect();
        let told: Vec<Plane> = noise.iter().map(|n| mapped(n, |v| v * white)).collect();
        for ((factor, detail), told) in factors.iter_mut().zip(&details).zip(&told) {
            *factor = noise_factor(detail, told).unwrap_or(*factor);
        }
        let real = told.iter().zip(&factors).map(|(n, f)| mapped(n, |v| v * f));
        let mut weights = judge.weights(&details, &real.collect::<Vec<_>>());
        keep_sky(&mut weights, sky.as_ref(), far);
        all.push(weights);
        noise.iter_mut().for_each(|n| *n = reduce(n));
        sky = sky.map(|s| reduce(&s));
    }
    let rest: Vec<Plane> = match all.last() {
        Some(coarsest) => coarsest.iter().map(reduce).collect(),
        None => noise
            .iter()
            .map(|n| mapped(n, |_| 1.0 / layers.len() as f32))
            .collect(),
    };
    all.push(rest);
    all
}

fn mapped(plane: &Plane, f: impl Fn(f32) -> f32) -> Plane {
    let values = plane.data().iter().map(|v| f(*v)).collect();
    Plane::from_vec(plane.width(), plane.height(), values)
}

/// How the noise of a scale is to what was told: demosaicing and resampling shift it between scales. From
/// the quietest twentieth of the blocks, which hold little else; within bounds, for where none is quiet.
/// `None` with too few blocks to tell.
fn noise_factor(detail: &Plane, told: &Plane) -> Option<f32> {
    const SIDE: usize = 24;
    const LEAST: usize = 40;
    const BOUNDS: (f32, f32) = (0.05, 2.0);
    let (columns, rows) = (detail.width() / SIDE, detail.height() / SIDE);
    let ratio = |k: usize| {
        let (x0, y0) = (k % columns * SIDE, k / columns * SIDE);
        let (mut square, mut noise) = (0.0, 0.0);
        for y in y0..y0 + SIDE {
            square += detail.row(y)[x0..x0 + SIDE].iter().map(|v| v * v).sum::<f32>();
            noise += told.row(y)[x0..x0 + SIDE].iter().sum::<f32>();
        }
        square / noise.max(f32::MIN_POSITIVE)
    };
    let mut ratios: Vec<f32> = (0..columns * rows).map(ratio).collect();
    ratios.sort_by(f32::total_cmp);
    (ratios.len() >= LEAST).then(|| ratios[ratios.len() / 20].clamp(BOUNDS.0, BOUNDS.1))
}

/// Where sky is, only the far layer counts.
fn keep_sky(weights: &mut [Plane], sky: Option<&Plane>, far: usize) {
    let Some(sky) = sky else { return };
    for (i, plane) in weights.iter_mut().enumerate() {
        let own = if i == far { 1.0 } else { 0.0 };
        let values = plane.data_mut().iter_mut().zip(sky.data());
        values.for_each(|(w, s)| *w += (own - *w) * s.clamp(0.0, 1.0));
    }
}

/// One channel of all layers merged.
fn merged(layers: &[FocusLayer<'_>], channel: usize, weights: &[Vec<Plane>]) -> Plane {
    let mut sum: Option<Pyramid> = None;
    for (i, layer) in layers.iter().enumerate() {
        let mut pyramid = Pyramid::new(layer.picture.planes()[channel].clone(), weights.len() - 1);
        let scales = pyramid.details.iter_mut().chain([&mut pyramid.rest]);
        for (plane, weights) in scales.zip(weights) {
            let values = plane.data_mut().iter_mut().zip(weights[i].data());
            values.for_each(|(v, w)| *v *= w);
        }
        match &mut sum {
            None => sum = Some(pyramid),
            Some(sum) => add(sum, &pyramid),
        }
    }
    sum.map_or_else(|| Plane::filled(0, 0, 0.0), Pyramid::collapse)
}

fn add(sum: &mut Pyramid, other: &Pyramid) {
    let ours = sum.details.iter_mut().chain([&mut sum.rest]);
    for (plane, more) in ours.zip(other.details.iter().chain([&other.rest])) {
        let values = plane.data_mut().iter_mut().zip(more.data());
        values.for_each(|(v, m)| *v += m);
    }
}
