//! Figures of the finished stack that would tell if something went wrong.

use nightloom_fit::{median, quantile};
use nightloom_raster::{Plane, Rgb};

use super::report::SkyFigures;

/// Light of a star's brightest pixel, in the sky's noise, whose surroundings are looked at; brighter than the second it may
/// be clipped (parts of saturation).
const STAR_SIGMA: f32 = 60.0;
const STAR_MOST: f32 = 0.4;
/// Rings lie this near to a star, and its surroundings between these distances, pixels.
const RING_PX: i64 = 3;
const AROUND_PX: [i64; 2] = [4, 7];
/// Stars looked at.
const STARS: usize = 400;
/// Matte above which sky shows.
const SKY: f32 = 0.5;

/// Figures of the sky stack before it was filled.
pub(super) fn sky_figures(sky: &Rgb, coverage: &Plane, alpha: &Plane, noise: [f32; 3]) -> SkyFigures {
    let mut depths: Vec<f32> = coverage
        .data()
        .iter()
        .zip(alpha.data())
        .filter(|(c, a)| **a > SKY && **c >= 1.0)
        .map(|(c, _)| *c)
        .collect();
    SkyFigures {
        least_frames: quantile(&mut depths, 0.01).map_or(0.0, f64::from),
        noise,
        ring_sigma: ring(&sky.planes()[1], coverage, alpha),
    }
}

/// The darkest pixel near bright stars against their surroundings, in noise of the surroundings: the median over stars.
fn ring(green: &Plane, coverage: &Plane, alpha: &Plane) -> Option<f64> {
    let noise = nightloom_stack::background_noise(green, |x, y| alpha.at(x, y) > 0.99);
    let reach = AROUND_PX[1] as usize;
    let (width, height) = (green.width(), green.height());
    if noise <= 0.0 || width <= 2 * reach || height <= 2 * reach {
        return None;
    }
    let level = median(&mut green.data().iter().step_by(97).copied().collect::<Vec<f32>>())?;
    let bright = level + STAR_SIGMA * noise;
    let mut found = Vec::new();
    for y in reach..height - reach {
        for x in reach..width - reach {
            let peak = green.at(x, y);
            let star = peak > bright && peak < STAR_MOST && alpha.at(x, y) > 0.99 && coverage.at(x, y) >= 1.0;
            if star && is_peak(green, x, y) && found.len() < STARS {
                found.extend(darkest(green, [x as i64, y as i64], noise));
            }
        }
    }
    median(&mut found)
}

fn is_peak(plane: &Plane, x: usize, y: usize) -> bool {
    let own = plane.at(x, y);
    (y - 2..=y + 2).all(|v| (x - 2..=x + 2).all(|u| plane.at(u, v) <= own))
}

fn darkest(plane: &Plane, [x, y]: [i64; 2], noise: f32) -> Option<f64> {
    let (mut least, mut around) = (f32::INFINITY, Vec::new());
    for dy in -AROUND_PX[1]..=AROUND_PX[1] {
        for dx in -AROUND_PX[1]..=AROUND_PX[1] {
            let far = dx * dx + dy * dy;
            let value = plane.at((x + dx) as usize, (y + dy) as usize);
            if far <= RING_PX * RING_PX {
                least = least.min(value);
            } else if far >= AROUND_PX[0] * AROUND_PX[0] {
                around.push(value);
            }
        }
    }
    let level = quantile(&mut around, 0.35)?;
    Some(f64::from((least - level) / noise))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_is_told_and_thin_cover_too() {
        let mut random = nightloom_fit::Random::new(11);
        let mut plane = Plane::from_fn(200, 120, |_, _| 0.02);
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v += 0.0002 * random.normal() as f32);
        let ringed = |depth: f32| {
            let mut plane = plane.clone();
            for (x, y) in (1..6).flat_map(|j| (1..9).map(move |i| (20 * i, 20 * j))) {
                *plane.at_mut(x, y) += 0.1;
                *plane.at_mut(x + 2, y) -= depth * 0.0002;
            }
            let planes = Rgb::from_planes([(); 3].map(|()| plane.clone()));
            let coverage = Plane::from_fn(200, 120, |x, _| if x < 10 { 1.0 } else { 8.0 });
            let sky = Plane::filled(200, 120, 1.0);
            sky_figures(&planes, &coverage, &sky, [0.0002; 3])
        };
        let (none, deep) = (ringed(0.0).ring_sigma.unwrap(), ringed(12.0).ring_sigma.unwrap());
        // What the report says of noise alone.
        assert!((-2.2..-1.2).contains(&none) && deep < -10.0, "{none} {deep}");
        assert_eq!(ringed(0.0).least_frames, 1.0);
    }
}
