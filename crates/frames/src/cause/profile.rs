//! The profile of a typical star: its wings and its hollow.

use nightloom_raster::Plane;

use super::sample::ShapeSample;
use super::stamp;
use nightloom_fit::median_of;
use nightloom_stars::Field;

/// The profile of a typical star.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct Profile {
    /// Share of the light beyond 1.5 widths at half maximum: 0.002 of a Gaussian, about a tenth of a good
    /// lens, more through a dewed one.
    pub halo: f64,
    /// Light at the middle over the brightest ring, 1 where the middle is the brightest: below 1 a star
    /// is a ring.
    pub hollow: f64,
    /// Light at a quarter width from the middle over that at the middle, squared once more for the half:
    /// 0.84 of a Gaussian, nearer 1 where the top is flat.
    pub top: f64,
    /// Stars it rests on.
    pub stars: usize,
}

const MOST: usize = 120;
/// Directions that each radius is looked at in.
const DIRECTIONS: usize = 16;

pub(super) fn measure(image: &Plane, field: &Field, samples: &[ShapeSample], width_px: f64) -> Profile {
    if width_px <= 0.0 || field.trail_px > 0.0 || samples.len() < 4 {
        return Profile {
            hollow: 1.0,
            top: 0.84,
            ..Profile::default()
        };
    }
    let far = (8.0 * width_px).clamp(14.0, 45.0);
    // Narrower stars are pixels' own shape.
    let step = 0.25 * width_px.max(2.0);
    let rings = (far / step) as usize;
    let stars: Vec<Vec<f64>> = samples
        .iter()
        .take(MOST)
        .filter_map(|s| rings_of(image, s, step, rings, far))
        .collect();
    if stars.len() < 4 {
        return Profile {
            hollow: 1.0,
            top: 0.84,
            ..Profile::default()
        };
    }
    let profile: Vec<f64> = (0..rings)
        .map(|i| median_of(stars.iter().map(|s| s[i])).unwrap_or(0.0))
        .collect();
    let light = |from: usize, to: usize| -> f64 { (from..to).map(|i| profile[i].max(0.0) * i as f64).sum() };
    let edge = 6.min(rings);
    let brightest = profile.iter().copied().fold(1e-9, f64::max);
    Profile {
        halo: light(edge, rings) / (light(0, edge) + light(edge, rings)).max(1e-9),
        hollow: profile[0] / brightest,
        top: profile[1] / profile[0].max(1e-9),
        stars: stars.len(),
    }
}

/// Medians round each ring, in units of the light within the first six.
fn rings_of(image: &Plane, s: &ShapeSample, step: f64, rings: usize, far: f64) -> Option<Vec<f64>> {
    let sky = stamp::ring(image, s.x, s.y, far)?;
    let mut out = Vec::with_capacity(rings);
    for i in 0..rings {
        let radius = step * i as f64;
        let around = (0..DIRECTIONS).filter_map(|k| {
            let (sin, cos) = (k as f64 / DIRECTIONS as f64 * std::f64::consts::TAU).sin_cos();
            stamp::value(image, s.x + radius * cos, s.y + radius * sin)
        });
        out.push(median_of(around)? - sky);
    }
    let core: f64 = (0..6.min(rings))
        .map(|i| out[i].max(0.0) * (i as f64).max(0.25))
        .sum();
    if core <= 0.0 {
        return None;
    }
    out.iter_mut().for_each(|v| *v /= core);
    Some(out)
}
