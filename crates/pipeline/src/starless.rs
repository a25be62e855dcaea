//! The shown sky without its stars, and the stars as a layer over it, for those who work on in layers.
//!
//! A star stands out of what is left of the sky when everything smaller than a square is taken off its bright side (opening,
//! Serra 1982). Where it does so by more than the noise round about, the sky is filled from what lies round it, each channel
//! for itself. The stars' layer is what brings the sky back exactly when it is laid over, as plain opacity and colour.

use rayon::prelude::*;

use super::over::over;
use super::shown::Shown;

/// Half a side of the square that no star covers, pixels: the skirts of bright stars are wider and stay in the sky.
const REACH: usize = 7;
/// A star stands so many sigmas of the noise round about above the rest; the same for the share of what is taken to begin.
const STANDS_OUT: f32 = 5.0;
/// A star's light reaches so far beyond where it stands out, pixels.
const SKIRT: usize = 3;
/// Half a side of the square whose sky fills a star, pixels.
const ROUND: usize = 15;
/// Rows worked on together, and what they see beyond.
const BAND: usize = 128;
const HALO: usize = 2 * REACH + SKIRT + ROUND;

/// The sky without stars, laid out as [`Shown::sky`].
pub(super) fn starless(shown: &Shown) -> Vec<u16> {
    let (width, height) = (shown.width, shown.height);
    let mut out = shown.sky.clone();
    if width <= 2 * HALO || height <= 2 * HALO {
        return out;
    }
    out.par_chunks_mut(BAND * width * 3)
        .enumerate()
        .for_each(|(k, rows)| {
            let (y0, n) = (k * BAND, rows.len() / (3 * width));
            let (from, to) = (y0.saturating_sub(HALO), (y0 + n + HALO).min(height));
            let band = &shown.sky[from * width * 3..to * width * 3];
            let stars = star_pixels(band, width);
            for channel in 0..3 {
                fill(
                    band,
                    (width, channel),
                    &stars,
                    &mut rows[channel..],
                    (y0 - from, n),
                );
            }
        });
    out
}

/// One row of the stars' layer, four samples a pixel.
pub(super) fn star_row(shown: &Shown, starless: &[u16], y: usize, out: &mut [u16]) {
    let row = |samples| shown.row(samples, y).as_chunks::<3>().0.iter();
    for ((pixel, sky), bare) in out
        .as_chunks_mut::<4>()
        .0
        .iter_mut()
        .zip(row(&shown.sky))
        .zip(row(starless))
    {
        *pixel = over(*bare, *sky, *sky, 0.0);
    }
}

/// Whether each pixel of a band belongs to a star.
fn star_pixels(band: &[u16], width: usize) -> Vec<bool> {
    let light: Vec<f32> = band
        .as_chunks::<3>()
        .0
        .iter()
        .map(|[r, g, b]| 0.25 * (f32::from(*r) + f32::from(*b)) + 0.5 * f32::from(*g))
        .collect();
    let least = extreme(&light, width, REACH, f32::min);
    let opened = extreme(&least, width, REACH, f32::max);
    let above: Vec<f32> = light.iter().zip(&opened).map(|(l, o)| l - o).collect();
    let mut core = vec![false; above.len()];
    let height = above.len() / width;
    const SIDE: usize = 48;
    for y0 in (0..height).step_by(SIDE) {
        for x0 in (0..width).step_by(SIDE) {
            let places = || {
                let columns = x0..(x0 + SIDE).min(width);
                (y0..(y0 + SIDE).min(height)).flat_map(move |y| columns.clone().map(move |x| y * width + x))
            };
            let mut values: Vec<f32> = places().map(|i| above[i]).collect();
            let Some((level, sigma)) = nightloom_fit::median_and_sigma(&mut values) else {
                continue;
            };
            // Levels of 16 bits are the least that can differ.
            let limit = level + STANDS_OUT * sigma.max(1.0);
            places().for_each(|i| core[i] = above[i] > limit);
        }
    }
    let grown: Vec<f32> = core.iter().map(|c| f32::from(u8::from(*c))).collect();
    extreme(&grown, width, SKIRT, f32::max)
        .iter()
        .map(|v| *v > 0.0)
        .collect()
}

/// The least or most in a square round each pixel.
fn extreme(values: &[f32], width: usize, reach: usize, pick: fn(f32, f32) -> f32) -> Vec<f32> {
    let height = values.len() / width;
    let mut across = values.to_vec();
    for (row, out) in values.chunks_exact(width).zip(across.chunks_exact_mut(width)) {
        for (x, o) in out.iter_mut().enumerate() {
            let near = &row[x.saturating_sub(reach)..(x + reach + 1).min(width)];
            *o = near.iter().copied().fold(*o, pick);
        }
    }
    let mut down = across.clone();
    for y in 0..height {
        for v in y.saturating_sub(reach)..(y + reach + 1).min(height) {
            let (own, near) = (
                &mut down[y * width..(y + 1) * width],
                &across[v * width..(v + 1) * width],
            );
            own.iter_mut().zip(near).for_each(|(o, n)| *o = pick(*o, *n));
        }
    }
    down
}

/// Fills the stars' pixels of one channel from the sky round them; never brighter than they were.
fn fill(
    band: &[u16],
    (width, channel): (usize, usize),
    stars: &[bool],
    rows: &mut [u16],
    (first, n): (usize, usize),
) {
    let height = stars.len() / width;
    for y in first..first + n {
        for x in (0..width).filter(|x| stars[y * width + x]) {
            let own = &mut rows[((y - first) * width + x) * 3];
            let (mut sum, mut weights) = (0.0f32, 0.0f32);
            for v in y.saturating_sub(ROUND)..(y + ROUND + 1).min(height) {
                for u in x.saturating_sub(ROUND)..(x + ROUND + 1).min(width) {
                    if !stars[v * width + u] {
                        let far = (u.abs_diff(x).pow(2) + v.abs_diff(y).pow(2)) as f32;
                        let weight = 1.0 / (4.0 + far);
                        sum += weight * f32::from(band[(v * width + u) * 3 + channel]);
                        weights += weight;
                    }
                }
            }
            if weights > 0.0 {
                *own = (*own).min((sum / weights + 0.5) as u16);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sky that brightens to the right, with noise, and stars of FWHM 2 to 4 px on it.
    fn painted() -> (Shown, Vec<[usize; 2]>) {
        let (width, height) = (300, 220);
        let mut random = nightloom_fit::Random::new(5);
        let mut light = vec![0.0f64; width * height];
        let mut stars = Vec::new();
        for k in 0..60 {
            let at = [20 + 26 * (k % 10), 20 + 30 * (k / 10)];
            let sigma = (2.0 + 2.0 * random.uniform()) / 2.355;
            let peak = 2000.0 * 20f64.powf(random.uniform());
            stars.push(at);
            for (u, v) in (-9..=9).flat_map(|v| (-9..=9i64).map(move |u| (u, v))) {
                let i = (at[1] as i64 + v) as usize * width + (at[0] as i64 + u) as usize;
                light[i] += peak * (-0.5 * (u * u + v * v) as f64 / (sigma * sigma)).exp();
            }
        }
        let sky: Vec<u16> = (0..width * height * 3)
            .map(|i| {
                let (x, c) = (i / 3 % width, i % 3);
                let value =
                    9000.0 + 10.0 * x as f64 + [0.0, 300.0, -200.0][c] + light[i / 3] * [0.9, 1.0, 1.1][c];
                (value + 60.0 * random.normal()) as u16
            })
            .collect();
        let shown = Shown {
            width,
            height,
            picture: sky.clone(),
            sky,
            land: None,
        };
        (shown, stars)
    }

    #[test]
    fn stars_go_the_sky_stays_and_both_together_are_the_picture() {
        let (shown, stars) = painted();
        let bare = starless(&shown);
        for [x, y] in stars {
            for c in 0..3 {
                let sky = 9000.0 + 10.0 * x as f64 + [0.0, 300.0, -200.0][c];
                let left = f64::from(bare[(y * shown.width + x) * 3 + c]) - sky;
                assert!(left.abs() < 150.0, "at ({x}, {y}) {left} of the star is left");
            }
        }
        // Far from stars nothing is touched.
        let same = bare.iter().zip(&shown.sky).filter(|(a, b)| a == b).count();
        assert!(same as f64 > 0.6 * bare.len() as f64, "{same} of {}", bare.len());
        // Source over (Compositing and Blending Level 1, W3C 2015, section 5.1) within a level.
        let mut row = vec![0; shown.width * 4];
        let mut worst = 0.0f64;
        for y in 0..shown.height {
            star_row(&shown, &bare, y, &mut row);
            for (x, [r, g, b, a]) in row.as_chunks::<4>().0.iter().enumerate() {
                let a = f64::from(*a) / 65535.0;
                for (c, top) in [r, g, b].into_iter().enumerate() {
                    let i = (y * shown.width + x) * 3 + c;
                    let made = f64::from(*top) * a + f64::from(bare[i]) * (1.0 - a);
                    worst = worst.max((made - f64::from(shown.sky[i])).abs());
                }
            }
        }
        assert!(worst <= 1.0, "{worst} levels of 65535");
    }
}
