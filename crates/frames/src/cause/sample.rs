//! Second moments of the stars that shapes are read from.

use nightloom_fit::median_of;
use nightloom_raster::Plane;
use rayon::prelude::*;

use super::third::{Third, third};
use super::{line, stamp};
use nightloom_stars::shape::{FWHM_PER_SIGMA, LocalSky, Moments, centre};
use nightloom_stars::{Background, BackgroundSettings, Field, Star};

/// The shape of one star.
///
/// # Units
/// Pixels; directions from +x (right) towards +y (down).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ShapeSample {
    /// Centre.
    pub x: f64,
    /// Centre.
    pub y: f64,
    /// Standard deviation across the long axis.
    pub across_px: f64,
    /// Standard deviation along it, of the Gaussian that fits best.
    pub along_px: f64,
    /// Length of the even motion that draws `across_px` out to `along_px`.
    pub length_px: f64,
    /// Direction of the long axis, radians.
    pub angle: f64,
    /// Flux, units of saturation.
    pub flux: f64,
    /// Third moments, where they could be taken.
    pub(super) third: Option<Third>,
}

impl ShapeSample {
    /// Long over short axis.
    pub fn elongation(&self) -> f64 {
        self.along_px / self.across_px.max(0.1)
    }

    /// (u, v) from the frame's middle, by half its diagonal.
    pub(super) fn place(&self, field: &Field) -> [f64; 2] {
        let half = 0.5 * (field.width as f64).hypot(field.height as f64);
        [
            (self.x - 0.5 * (field.width as f64 - 1.0)) / half,
            (self.y - 0.5 * (field.height as f64 - 1.0)) / half,
        ]
    }

    /// The square of the motion as a complex number: length² at twice the angle.
    pub(super) fn squared(&self) -> [f64; 2] {
        let (s, c) = (2.0 * self.angle).sin_cos();
        let l2 = self.length_px * self.length_px;
        [l2 * c, l2 * s]
    }
}

/// Stars that shapes are taken of, at most.
const MOST: usize = 400;
/// Fainter stars tell nothing of shapes.
const LEAST_SNR: f32 = 15.0;
/// Rounds in which the window is brought to the star's own shape (Bernstein & Jarvis 2002, AJ 123, 583).
const ROUNDS: usize = 4;

/// Shapes of the brightest unsaturated stars, spread over the frame.
pub(super) fn samples(image: &Plane, field: &Field) -> Vec<ShapeSample> {
    let trailed = field.trail_px > 0.0;
    // Every fourth pixel tells the level well enough; a ring about each star corrects it.
    let background = Background::sampled(image, None, &BackgroundSettings::default(), 4);
    chosen(field)
        .into_par_iter()
        .filter_map(|star| {
            if trailed {
                trail(image, field, star)
            } else {
                point(image, &background, field, star)
            }
        })
        .collect()
}

/// The brightest of each of 6 × 4 parts of the frame first, so that no rich part speaks for all.
fn chosen(field: &Field) -> Vec<&Star> {
    const PARTS: [usize; 2] = [6, 4];
    let part = |s: &Star| {
        let at = |v: f64, n: usize, parts: usize| {
            ((v.max(0.0) * parts as f64 / n.max(1) as f64) as usize).min(parts - 1)
        };
        at(s.y, field.height, PARTS[1]) * PARTS[0] + at(s.x, field.width, PARTS[0])
    };
    let mut taken = vec![0usize; PARTS[0] * PARTS[1]];
    field
        .stars
        .iter()
        .filter(|s| s.snr > LEAST_SNR && !s.saturated)
        .filter(|s| {
            let n = &mut taken[part(s)];
            *n += 1;
            *n <= MOST / 12
        })
        .take(MOST)
        .collect()
}

/// Moments in a window that takes the star's own shape.
fn point(image: &Plane, background: &Background, field: &Field, star: &Star) -> Option<ShapeSample> {
    let start = f64::from(star.fwhm_px).max(1.2) / FWHM_PER_SIGMA;
    let most = (8.0 * f64::from(field.fwhm_px).max(1.5) / FWHM_PER_SIGMA).powi(2);
    let mut shape = Moments::round(start);
    let mut at = (star.x, star.y);
    let reach = 2.0 * f64::from(star.fwhm_px) * f64::from(star.elongation).sqrt() + 2.0;
    let sky = LocalSky::around(image, background, star.x, star.y, reach);
    for _ in 0..ROUNDS {
        let (long, short, angle) = shape.axes();
        let window = Moments::turned(2.0 * long.clamp(0.3, most), 2.0 * short.clamp(0.3, most), angle);
        let found = centre(image, &sky, at, window)?;
        shape = found.moments?;
        at = (found.x, found.y);
    }
    let (long, short, angle) = shape.axes();
    let near = (at.0 - star.x).hypot(at.1 - star.y) < 2.0 * f64::from(star.fwhm_px);
    (near && short > 0.05 && long < most).then(|| ShapeSample {
        x: at.0,
        y: at.1,
        across_px: short.sqrt(),
        along_px: long.sqrt(),
        length_px: line::length(long, short),
        angle,
        flux: f64::from(star.flux),
        third: third(image, &sky, at, (long * short).powf(0.25)),
    })
}

/// The length of a trail between the half-bright places of its ends.
fn trail(image: &Plane, field: &Field, star: &Star) -> Option<ShapeSample> {
    let across = (f64::from(star.fwhm_px) / FWHM_PER_SIGMA).max(0.4);
    // Two stops leave no level stretch between them; the path's profile will tell.
    let typical = f64::from(field.trail_px);
    let length = trail_length(image, star, across, typical)
        .filter(|l| *l > 0.3 * typical)
        .unwrap_or(typical);
    Some(ShapeSample {
        x: star.x,
        y: star.y,
        across_px: across,
        along_px: (across * across + length * length / 12.0).sqrt(),
        length_px: length,
        angle: star.angle.rad(),
        flux: f64::from(star.flux),
        third: None,
    })
}

/// Half-bright to half-bright along the trail; `None` where no level stretch lies between.
fn trail_length(image: &Plane, star: &Star, across: f64, typical: f64) -> Option<f64> {
    let reach = 0.9 * typical + 6.0 * across;
    let angle = star.angle.rad();
    let (s, c) = angle.sin_cos();
    // The sky beside the trail, at both sides.
    let beside = |side: f64| {
        let d = side * (6.0 * across + 2.0);
        stamp::strip(
            image,
            (star.x - d * s, star.y + d * c),
            angle,
            0.4 * typical,
            across,
            0.0,
        )
        .and_then(median_of)
    };
    let rows = 2.0 * (2.0 * across).ceil() + 1.0;
    let sky = 0.5 * (beside(1.0)? + beside(-1.0)?) / rows;
    let profile = stamp::strip(image, (star.x, star.y), angle, reach, across, sky)?;
    let smooth: Vec<f64> = profile.windows(3).map(|w| w.iter().sum::<f64>() / 3.0).collect();
    let middle = smooth.len() / 2;
    let part = ((0.5 * typical) as usize).max(1);
    let level = median_of(
        smooth[middle.saturating_sub(part)..(middle + part + 1).min(smooth.len())]
            .iter()
            .copied(),
    )?;
    let end = |mut values: Box<dyn Iterator<Item = f64> + '_>| {
        let mut n = 0.0;
        values.find_map(|v| {
            n += 1.0;
            (v < 0.5 * level).then_some(n)
        })
    };
    let right = end(Box::new(smooth[middle..].iter().copied()))?;
    let left = end(Box::new(smooth[..=middle].iter().rev().copied()))?;
    (level > 0.0).then_some(0.5 * (left + right - 2.0f64).max(0.0))
}
