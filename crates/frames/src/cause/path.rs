//! The path of the image during the exposure, from the light along the motion against that across it.
//!
//! Across the motion a star shows what the lens makes of a point. Drawn along an even line, along two
//! stops, or along a shaken path that keeps returning, it gives three profiles; which fits best is told.

use nightloom_raster::Plane;

use super::motion::Motion;
use super::sample::ShapeSample;
use super::stamp;
use nightloom_fit::median_of;
use nightloom_stars::Field;

/// How well three kinds of path explain the light along the motion: root mean square misfit as a part of
/// the profile's peak. Zeros where nothing is drawn out.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct PathLook {
    /// One even line: drift.
    pub line: f64,
    /// Its length, pixels.
    pub line_px: f64,
    /// Two stops: a knock.
    pub two_stops: f64,
    /// Distance between them, pixels.
    pub stops_px: f64,
    /// Light of the fainter stop over the brighter's.
    pub stops_ratio: f64,
    /// Rest with excursions to both sides: wind.
    pub shaken: f64,
    /// Standard deviation of the excursions, pixels.
    pub shaken_px: f64,
    /// Standard deviation of the profile across, pixels.
    pub across_px: f64,
    /// Stars the profiles rest on.
    pub stars: usize,
}

/// Stars used at most, and at least.
const MOST: usize = 150;
const LEAST: usize = 5;
/// Step of the profiles, pixels.
const STEP: f64 = 0.5;
/// Less elongation than this shows no path.
const LEAST_ELONGATION: f64 = 1.12;

pub(super) fn look(image: &Plane, field: &Field, samples: &[ShapeSample], motion: &Motion) -> PathLook {
    let elongation = median_of(samples.iter().map(ShapeSample::elongation)).unwrap_or(1.0);
    if elongation < LEAST_ELONGATION || samples.len() < LEAST {
        return PathLook::default();
    }
    let across = median_of(samples.iter().map(|s| s.across_px)).unwrap_or(1.0);
    let length = median_of(samples.iter().map(|s| s.length_px)).unwrap_or(0.0);
    let direction = motion.middle_deg.to_radians();
    let reach = 0.75 * length + 5.0 * across + 2.0;
    let mut strips = Vec::new();
    for s in samples
        .iter()
        .filter(|s| (s.length_px / length - 1.0).abs() < 0.35)
        .take(MOST)
    {
        strips.extend(profiles(image, field, s, direction, reach));
    }
    if strips.len() < LEAST {
        return PathLook::default();
    }
    let stars = strips.len();
    let (long, short): (Vec<_>, Vec<_>) = strips.into_iter().unzip();
    PathLook {
        stars,
        ..compare(&middle_profile(&long), &middle_profile(&short), length, across)
    }
}

/// Light along and across one star, each with the sum 1. The sense follows the frame's direction.
fn profiles(
    image: &Plane,
    field: &Field,
    s: &ShapeSample,
    direction: f64,
    reach: f64,
) -> Option<(Vec<f64>, Vec<f64>)> {
    let angle = if (s.angle - direction).cos() >= 0.0 {
        s.angle
    } else {
        s.angle + std::f64::consts::PI
    };
    let sky = if field.trail_px > 0.0 {
        f64::from(field.background)
    } else {
        stamp::ring(image, s.x, s.y, reach + 1.0)?
    };
    let along = stamp::strip(image, (s.x, s.y), angle, reach, 2.5 * s.across_px, sky)?;
    let turned = angle + std::f64::consts::FRAC_PI_2;
    let across = stamp::strip(
        image,
        (s.x, s.y),
        turned,
        reach,
        0.4 * s.length_px + s.across_px,
        sky,
    )?;
    Some((unit(along)?, unit(across)?))
}

fn unit(mut profile: Vec<f64>) -> Option<Vec<f64>> {
    let sum: f64 = profile.iter().sum();
    if sum <= 0.0 {
        return None;
    }
    profile.iter_mut().for_each(|v| *v /= sum);
    Some(profile)
}

fn middle_profile(all: &[Vec<f64>]) -> Vec<f64> {
    (0..all[0].len())
        .map(|i| median_of(all.iter().map(|p| p[i])).unwrap_or(0.0))
        .collect()
}

/// A way to spread a point: weights at offsets in steps.
type Kernel = Vec<(f64, f64)>;

fn compare(along: &[f64], across: &[f64], length: f64, sigma: f64) -> PathLook {
    let peak = along.iter().copied().fold(0.0, f64::max).max(1e-12);
    let part = |misfit: f64| misfit / peak;
    let reach = (2.0 * length + 4.0 * sigma).max(3.0);
    let sizes: Vec<f64> = (1..=32).map(|i| reach * f64::from(i) / 32.0).collect();
    let lines = sizes.iter().map(|&l| (line(l), l, 0.0));
    let stops = sizes.iter().flat_map(|&d| {
        (1..=10).flat_map(move |i| {
            let f = 0.05 * f64::from(i);
            [(two(d, f), d, f / (1.0 - f)), (two(d, 1.0 - f), d, f / (1.0 - f))]
        })
    });
    let shakes = sizes
        .iter()
        .flat_map(|&s| (0..6).map(move |i| (shaken(0.5 * s, 0.15 * f64::from(i)), 0.5 * s, 0.0)));
    let (line, line_px, _) = best(along, across, lines);
    let (two_stops, stops_px, stops_ratio) = best(along, across, stops);
    let (shaken, shaken_px, _) = best(along, across, shakes);
    PathLook {
        line: part(line),
        line_px,
        two_stops: part(two_stops),
        stops_px,
        stops_ratio,
        shaken: part(shaken),
        shaken_px,
        across_px: sigma,
        stars: 0,
    }
}

fn line(length: f64) -> Kernel {
    let n = (2.0 * length / STEP).ceil().max(1.0) as i32;
    (0..=n)
        .map(|i| {
            (
                length * (f64::from(i) / f64::from(n) - 0.5),
                1.0 / f64::from(n + 1),
            )
        })
        .collect()
}

fn two(distance: f64, share: f64) -> Kernel {
    vec![(-0.5 * distance, 1.0 - share), (0.5 * distance, share)]
}

fn shaken(sigma: f64, at_rest: f64) -> Kernel {
    let mut kernel: Kernel = (-12..=12)
        .map(|i| f64::from(i) / 4.0)
        .map(|t| (t * sigma, (-0.5 * t * t).exp()))
        .collect();
    let sum: f64 = kernel.iter().map(|k| k.1).sum();
    kernel.iter_mut().for_each(|k| k.1 *= (1.0 - at_rest) / sum);
    kernel.push((0.0, at_rest));
    kernel
}

/// The least misfit over kernels, the profile free to slide and to scale: misfit and the kernel's figures.
fn best(along: &[f64], across: &[f64], kernels: impl Iterator<Item = (Kernel, f64, f64)>) -> (f64, f64, f64) {
    let mut least = (f64::INFINITY, 0.0, 0.0);
    for (kernel, size, share) in kernels {
        let spread = spread(across, &kernel);
        let misfit = slide(along, &spread);
        if misfit < least.0 {
            least = (misfit, size, share);
        }
    }
    least
}

fn spread(profile: &[f64], kernel: &Kernel) -> Vec<f64> {
    let at = |t: f64| {
        let i = t.floor();
        let part = t - i;
        let get = |i: f64| {
            if i >= 0.0 && (i as usize) < profile.len() {
                profile[i as usize]
            } else {
                0.0
            }
        };
        get(i) * (1.0 - part) + get(i + 1.0) * part
    };
    (0..profile.len())
        .map(|i| kernel.iter().map(|(t, w)| w * at(i as f64 - t / STEP)).sum())
        .collect()
}

/// Root mean square difference at the best shift (centroids first, then a step to each side) and scale.
fn slide(seen: &[f64], model: &[f64]) -> f64 {
    let centroid = |p: &[f64]| {
        let (mut sum, mut first) = (0.0, 0.0);
        for (i, v) in p.iter().enumerate() {
            sum += v;
            first += v * i as f64;
        }
        first / sum.max(1e-12)
    };
    let start = centroid(seen) - centroid(model);
    [-1.5, -0.75, 0.0, 0.75, 1.5]
        .iter()
        .map(|d| misfit(seen, &spread(model, &vec![((start + d) * STEP, 1.0)])))
        .fold(f64::INFINITY, f64::min)
}

fn misfit(seen: &[f64], model: &[f64]) -> f64 {
    let (mut sm, mut mm) = (0.0, 0.0);
    for (s, m) in seen.iter().zip(model) {
        sm += s * m;
        mm += m * m;
    }
    let scale = sm / mm.max(1e-15);
    let sum: f64 = seen.iter().zip(model).map(|(s, m)| (s - scale * m).powi(2)).sum();
    (sum / seen.len().max(1) as f64).sqrt()
}
