//! How much of a dark is in a frame, by the warm pixels that both show.

use nightloom_raster::Plane;

use nightloom_fit::{SIGMA_PER_MAD, median};

/// Pixels that stand this many σ over their neighbours in the dark serve.
const WARM_SIGMA: f32 = 6.0;
/// Saturated ones tell nothing, in parts of saturation.
const BRIGHTEST: f32 = 0.5;
/// The measure rests on at least and at most so many.
const LEAST: usize = 150;
const MOST: usize = 60_000;
/// Rounds of the weighted fit; Tukey's biweight ends at so many σ (95 % efficient on normal noise).
const ROUNDS: usize = 12;
const BIWEIGHT: f32 = 4.685;

/// A factor on a dark.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkScale {
    /// How many times the dark's own signal the frame holds.
    pub factor: f32,
    /// Standard error, from the scatter of the warm pixels.
    pub sigma: f32,
    /// Warm pixels that it rests on.
    pub pixels: usize,
}

/// The warm pixels of a dark, by which its strength in a frame is told. Found once, they serve all frames.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WarmPixels {
    size: [usize; 2],
    /// Place, and excess over the neighbours.
    places: Vec<(usize, usize, f32)>,
}

impl WarmPixels {
    /// Those of a dark without its bias.
    pub fn of(dark: &Plane) -> Self {
        Self {
            size: [dark.width(), dark.height()],
            places: warm_pixels(dark),
        }
    }

    /// The factor by which the dark's pattern stands in a frame: the slope of the frame's warm pixels' excess over
    /// their neighbours against the dark's, by least squares with Tukey's biweight, so that stars and land that
    /// fall on warm pixels do not count. `None` where fewer than 150 pixels are warm or the sizes differ.
    ///
    /// It needs neither exposure nor temperature: dark current multiplies the pattern as a whole.
    pub fn scale_in(&self, frame: &Plane) -> Option<DarkScale> {
        if [frame.width(), frame.height()] != self.size {
            return None;
        }
        let pair = |&(x, y, excess): &(usize, usize, f32)| Some([excess, over_neighbours(frame, x, y)?]);
        let pairs: Vec<[f32; 2]> = self.places.iter().filter_map(pair).collect();
        if pairs.len() < LEAST {
            return None;
        }
        fit(&pairs)
    }
}

fn fit(pairs: &[[f32; 2]]) -> Option<DarkScale> {
    let mut ratios: Vec<f32> = pairs.iter().map(|[d, f]| f / d).collect();
    let mut factor = median(&mut ratios)?;
    let mut sigma = f32::INFINITY;
    for _ in 0..ROUNDS {
        let mut misses: Vec<f32> = pairs.iter().map(|[d, f]| (f - factor * d).abs()).collect();
        let scatter = (SIGMA_PER_MAD as f32 * median(&mut misses)?).max(1e-9);
        let (mut top, mut bottom, mut spread) = (0.0f64, 0.0f64, 0.0f64);
        for [d, f] in pairs {
            let miss = (f - factor * d) / (BIWEIGHT * scatter);
            let weight = (1.0 - miss * miss).max(0.0).powi(2);
            top += f64::from(weight * d * f);
            bottom += f64::from(weight * d * d);
            spread += f64::from(weight * weight * d * d);
        }
        if bottom <= 0.0 {
            return None;
        }
        factor = (top / bottom) as f32;
        sigma = scatter * (spread.sqrt() / bottom) as f32;
    }
    Some(DarkScale {
        factor,
        sigma,
        pixels: pairs.len(),
    })
}

/// Place and excess of the pixels that stand out of the dark, thinned evenly to at most [`MOST`].
fn warm_pixels(dark: &Plane) -> Vec<(usize, usize, f32)> {
    let mut warm = Vec::new();
    for y in 2..dark.height().saturating_sub(2) {
        let steps: Vec<f32> = dark.row(y).windows(3).map(|w| w[2] - w[0]).collect();
        let noise = nightloom_fit::median_of(steps.iter().map(|s| s.abs())).unwrap_or(0.0);
        let limit = WARM_SIGMA * (SIGMA_PER_MAD as f32 * noise / std::f32::consts::SQRT_2).max(1e-6);
        let row = dark.row(y);
        for x in 2..dark.width().saturating_sub(2) {
            let above = row[x] - 0.5 * (row[x - 2] + row[x + 2]);
            if above > limit
                && row[x] < BRIGHTEST
                && let Some(excess) = over_neighbours(dark, x, y).filter(|e| *e > limit)
            {
                warm.push((x, y, excess));
            }
        }
    }
    let step = warm.len().div_ceil(MOST).max(1);
    warm.into_iter().step_by(step).collect()
}

/// How far a pixel stands over the median of its eight neighbours of the same place in the filters' cell.
fn over_neighbours(plane: &Plane, x: usize, y: usize) -> Option<f32> {
    let own = plane.at(x, y);
    let mut near: Vec<f32> = [(0, 0), (2, 0), (4, 0), (0, 2), (4, 2), (0, 4), (2, 4), (4, 4)]
        .map(|(dx, dy)| plane.at(x + dx - 2, y + dy - 2))
        .to_vec();
    Some(own - median(&mut near)?).filter(|v| v.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A splitmix64 step (Steele, Lea & Flood 2014), to 0..1.
    fn unit(state: &mut u64) -> f32 {
        *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = *state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32
    }

    #[test]
    fn a_pattern_is_found_again_at_its_strength_under_sky_glow_and_stars() {
        for seed in 0..10u64 {
            let mut state = seed * 77 + 1;
            let mut noise = |sigma: f32| sigma * ((0..12).map(|_| unit(&mut state)).sum::<f32>() - 6.0);
            let pattern = Plane::from_fn(300, 200, |x, y| {
                let warm = if (x * 7919 + y * 104_729) % 97 == 0 {
                    0.02
                } else {
                    0.0
                };
                warm + 0.01 * (-(x as f32) / 30.0).exp()
            });
            let dark = Plane::from_fn(300, 200, |x, y| pattern.at(x, y) + noise(4e-4));
            let frame = Plane::from_fn(300, 200, |x, y| {
                let star = if (x / 3 + y / 3 * 31) % 41 == 0 { 0.2 } else { 0.0 };
                0.3 * pattern.at(x, y) + 0.05 + star + noise(1e-3)
            });
            let found = WarmPixels::of(&dark)
                .scale_in(&frame)
                .expect("there are warm pixels");
            assert!((found.factor - 0.3).abs() < 0.01, "{found:?}");
            assert!((found.factor - 0.3).abs() < 4.5 * found.sigma, "{found:?}");
            assert!(found.sigma < 0.005, "{found:?}");
        }
    }

    #[test]
    fn a_dark_without_warm_pixels_tells_nothing() {
        let even = Plane::filled(200, 200, 0.001);
        assert_eq!(WarmPixels::of(&even).scale_in(&even), None);
        assert_eq!(
            WarmPixels::of(&Plane::filled(100, 100, 0.0)).scale_in(&even),
            None
        );
    }
}
