//! The stars' own light over the sky, so that stars can be shown smaller or in stronger colour and nothing else changes.
//!
//! A star stands out of what is left of the sky when everything smaller than a square is taken off its bright side (opening,
//! Serra 1982). The sky under it is the mean of what lies round it, never more than the pixel itself, so that what is taken
//! off a star can leave no ring darker than the sky. A star is made smaller by what is left of its light when each pixel takes
//! the least within a disc (erosion), in proportion to what a star of the picture's usual width keeps at its peak: of light
//! that falls outwards this falls outwards too.

use nightloom_raster::Rgb;
use nightloom_raster::colour::luminance;

use crate::windows::{Field, over_squares};

/// Half a side of the square that no star covers, pixels: the skirts of brighter stars are wider and stay in the sky.
const REACH: usize = 7;
/// A star stands so many sigmas of the noise over the lower envelope of the sky, which lies some two or three under its mean.
const STANDS_OUT: f32 = 7.0;
/// And at least so much of the sky's light.
const LEAST: f32 = 0.02;
/// A star's light reaches so far beyond where it stands out, pixels.
const SKIRT: usize = 3;
/// Half a side of the square, taken twice, whose sky goes under a star.
const ROUND: usize = 7;
/// Share of that square that has to be sky.
const LEAST_SKY: f32 = 0.04;
/// Radii of the two discs, in sigmas of a star's profile, and the largest, pixels.
const DISC: f32 = 0.9;
const WIDEST_DISC: usize = 4;
/// A star that is kept at its peak is kept this far round it, pixels.
const ROUND_PEAK: usize = 3;
/// Pixels of a block's border that are not what they would be in a larger block.
pub const STAR_HALO: usize = 2 * REACH + REACH + SKIRT + 2 * ROUND + WIDEST_DISC + ROUND_PEAK + 2;

/// What stars of one picture look like, and how far they are told from noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StarForm {
    /// Noise of the sky's luminance in single pixels, at light `level`.
    pub noise: f32,
    /// The sky's luminance.
    pub level: f32,
    /// Sigma of a usual star's profile, pixels.
    pub sigma_px: f32,
}

/// The stars' light in a block: the sky without it, and what is left of it in two smaller forms.
#[derive(Clone, Debug, PartialEq)]
pub struct StarLight {
    /// The sky without stars; where there is none, the sky itself.
    pub bare: [Vec<f32>; 3],
    /// Shares of the star's light at each pixel, 1 where there is no star.
    pub smaller: [Vec<f32>; 2],
}

/// One row of it.
#[derive(Clone, Copy, Debug)]
pub struct StarRow<'a> {
    /// The sky without stars.
    pub bare: [&'a [f32]; 3],
    /// What is left of stars in the smaller forms.
    pub smaller: [&'a [f32]; 2],
}

/// How stars are wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StarWish {
    /// Colourfulness, 1 as recorded.
    colour: f32,
    /// Shares of the two smaller forms.
    mix: [f32; 2],
}

impl StarForm {
    /// The width of stars as the picture's own peaks tell it: the light one pixel beside a peak against the peak's.
    pub fn sigma_of(quiet: &Rgb, noise: f32, is_sky: impl Fn(usize, usize) -> bool) -> f32 {
        const AROUND: usize = 5;
        const MOST: usize = 4000;
        const USUAL: f32 = 1.1;
        let (width, height) = (quiet.width(), quiet.height());
        let rows = |y: usize| quiet.planes().each_ref().map(|p| p.row(y));
        let light = |x: usize, y: usize| luminance(rows(y).map(|r| r[x]));
        let mut ratios = Vec::new();
        for y in (AROUND..height.saturating_sub(AROUND)).step_by(2) {
            let green = quiet.planes()[1].row(y);
            for x in AROUND..width.saturating_sub(AROUND) {
                // Cheap first.
                if green[x] <= green[x - 1] || green[x] < green[x + 1] || !is_sky(x, y) {
                    continue;
                }
                let beside = [light(x - 1, y), light(x + 1, y), light(x, y - 1), light(x, y + 1)];
                let ring = [
                    light(x - AROUND, y),
                    light(x + AROUND, y),
                    light(x, y - AROUND),
                    light(x, y + AROUND),
                ];
                let (sky, peak) = (ring.iter().sum::<f32>() / 4.0, light(x, y));
                let mean = beside.iter().sum::<f32>() / 4.0 - sky;
                if peak - sky > 20.0 * noise && beside.iter().all(|b| *b <= peak) && mean > 0.0 {
                    ratios.push(mean / (peak - sky));
                }
            }
            if ratios.len() > MOST {
                break;
            }
        }
        let ratio = nightloom_fit::median(&mut ratios).filter(|r| *r < 0.99);
        ratio.map_or(USUAL, |r| (-0.5 / r.ln()).sqrt().clamp(0.7, 4.0))
    }

    /// Radii of the two discs, pixels.
    fn discs(&self) -> [usize; 2] {
        let one = ((DISC * self.sigma_px).round() as usize).clamp(1, WIDEST_DISC / 2);
        [one, 2 * one]
    }

    /// Half widths of the two smaller forms as shares of a star's own: where exp(−(r² + 2rρ) / 2σ²) is one half.
    fn widths(&self) -> [f32; 2] {
        let half = 2.0 * std::f32::consts::LN_2 * self.sigma_px.powi(2);
        self.discs()
            .map(|rho| ((rho as f32).powi(2) + half).sqrt() - rho as f32)
            .map(|r| r / half.sqrt())
    }
}

impl StarWish {
    /// Stars `size` times as wide at half their height (to 0.1, test `stars_are_as_wide_at_half_their_height_as_asked_for`),
    /// their colour `colour` times as strong. None becomes narrower than some three quarters of a pixel from its middle.
    pub fn of(form: &StarForm, size: f32, colour: f32) -> Self {
        let [one, two] = form.widths();
        let between = |low: f32, high: f32| ((high - size) / (high - low)).clamp(0.0, 1.0);
        let mix = match size >= one {
            true => [between(one, 1.0), 0.0],
            false => {
                let second = between(two, one);
                [1.0 - second, second]
            }
        };
        Self { colour, mix }
    }

    /// Whether stars stay as they are.
    pub fn nothing(&self) -> bool {
        self.colour == 1.0 && self.mix == [0.0; 2]
    }

    /// A row of sky with stars as they are wanted; `quiet` is the row that their light was told from.
    pub fn run(&self, quiet: [&[f32]; 3], stars: &StarRow<'_>, out: &mut [Vec<f32>; 3]) {
        let [r, g, b] = out;
        for (x, ((r, g), b)) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()).enumerate() {
            let bare: [f32; 3] = std::array::from_fn(|c| stars.bare[c][x]);
            let light: [f32; 3] = std::array::from_fn(|c| (quiet[c][x] - bare[c]).max(0.0));
            if light == [0.0; 3] {
                continue;
            }
            let left = stars.smaller.map(|s| s[x] - 1.0);
            let left = 1.0 + self.mix[0] * left[0] + self.mix[1] * left[1];
            let grey = luminance(light);
            // No channel loses more than the star gave it.
            let gain = light.iter().fold(self.colour - 1.0, |gain, v| match *v < grey {
                true => gain.min(v / (grey - v)),
                false => gain,
            });
            for (c, out) in [r, g, b].into_iter().enumerate() {
                *out = bare[c] + left * (*out - bare[c] + gain * (light[c] - grey));
            }
        }
    }
}

impl StarLight {
    /// Of a block `width` pixels wide of a sky without its noise. Within [`STAR_HALO`] pixels of a border that is not the
    /// picture's own it is not what it would be in a larger block.
    pub fn of(quiet: [&[f32]; 3], width: usize, form: &StarForm) -> Self {
        let light: Vec<f32> = (0..quiet[0].len())
            .map(|i| luminance(quiet.map(|p| p[i])))
            .collect();
        let most =
            |values: &[f32], reach, nothing| over_squares(&Field { values, width }, reach, nothing, f32::max);
        let sum = |values: &[f32], reach| over_squares(&Field { values, width }, reach, 0.0, |a, b| a + b);
        let values = &light;
        let least = over_squares(&Field { values, width }, REACH, f32::INFINITY, f32::min);
        let opened = most(&least, REACH, f32::NEG_INFINITY);
        let counts = sum(&vec![1.0; light.len()], REACH);
        let mut envelope = sum(&opened, REACH);
        envelope.iter_mut().zip(&counts).for_each(|(e, n)| *e /= n);
        let core: Vec<f32> = light
            .iter()
            .zip(&envelope)
            .map(|(l, e)| {
                let noise = form.noise * (e / form.level.max(f32::MIN_POSITIVE)).max(0.25).sqrt();
                f32::from(u8::from(*l > e * (1.0 + LEAST) + STANDS_OUT * noise))
            })
            .collect();
        let grown = most(&core, SKIRT, 0.0);
        let sky: Vec<f32> = grown.iter().map(|g| 1.0 - g).collect();
        let twice = |values: &[f32]| sum(&sum(values, ROUND), ROUND);
        let weight = twice(&sky);
        let full = ((2 * ROUND + 1) as f32).powi(4);
        let bare = quiet.map(|plane| {
            let seen: Vec<f32> = plane.iter().zip(&sky).map(|(v, s)| v * s).collect();
            let mut round = twice(&seen);
            for (i, v) in round.iter_mut().enumerate() {
                let own = plane[i];
                *v = match grown[i] > 0.0 {
                    false => own,
                    true if weight[i] > LEAST_SKY * full => own.min(*v / weight[i]),
                    // Stars everywhere: only what stands over all of them is theirs.
                    true => own * (envelope[i] / light[i].max(f32::MIN_POSITIVE)).clamp(0.0, 1.0),
                };
            }
            round
        });
        let above: Vec<f32> = (0..light.len())
            .map(|i| luminance(std::array::from_fn(|c| quiet[c][i] - bare[c][i])).max(0.0))
            .collect();
        let above = Field {
            values: &above,
            width,
        };
        let peaks = peaks(&above, &core);
        let [one, two] = form.discs();
        let [narrow, narrower] = form.widths();
        let smaller =
            [(one, narrow), (two, narrower)].map(|(disc, w)| smaller(&above, &peaks, disc, w, form));
        Self { bare, smaller }
    }
}

/// Pixels that no other within two pixels outshines.
fn peaks(above: &Field<'_>, core: &[f32]) -> Vec<usize> {
    let most = over_squares(above, 2, f32::NEG_INFINITY, f32::max);
    let peak = |i: &usize| core[*i] > 0.0 && above.values[*i] > 0.0 && above.values[*i] >= most[*i];
    (0..above.values.len()).filter(peak).collect()
}

/// How far from a peak's pixel a Gaussian through it and its two neighbours has its middle.
fn off_middle(values: &[f32], i: usize, step: usize, inside: bool) -> f32 {
    if !inside {
        return 0.0;
    }
    let [before, own, after] = [i - step, i, i + step].map(|k| values[k].max(1e-9).ln());
    let bend = 2.0 * own - before - after;
    if bend > 1e-6 {
        (0.5 * (after - before) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// What is left of each pixel's star light in stars `share` as wide.
fn smaller(above: &Field<'_>, peaks: &[usize], disc: usize, share: f32, form: &StarForm) -> Vec<f32> {
    let (values, width) = (above.values, above.width);
    let height = values.len() / width.max(1);
    let places = |x: usize, y: usize, reach: usize| {
        let columns = x.saturating_sub(reach)..(x + reach + 1).min(width);
        let rows = y.saturating_sub(reach)..(y + reach + 1).min(height);
        rows.flat_map(move |v| columns.clone().map(move |u| (u, v)))
            .map(move |(u, v)| (v * width + u, u.abs_diff(x).pow(2) + v.abs_diff(y).pow(2)))
            .filter(move |(_, far)| *far <= reach * reach)
    };
    let doubled = 2.0 * form.sigma_px.powi(2);
    let at_peak = (-((disc * disc) as f32) / doubled).exp();
    // Between two stars light neither falls nor is it theirs: it goes as far as it lies under the higher of them.
    let near = ((1.5 * form.sigma_px).round() as usize).clamp(2, WIDEST_DISC);
    let most = over_squares(above, near, f32::NEG_INFINITY, f32::max);
    let mut left: Vec<f32> = values
        .iter()
        .enumerate()
        .map(|(i, own)| match *own > 0.0 {
            false => 1.0,
            true => {
                let least = places(i % width, i / width, disc).fold(*own, |l, (k, _)| l.min(values[k]));
                (least / own / at_peak).min(1.0) * (own / most[i]).powi(2)
            }
        })
        .collect();
    // Faint peaks would be lost among their own noise, and a star between two pixels would leave one of them.
    let narrower = (share.powi(-2) - 1.0) / doubled;
    for &i in peaks {
        let (x, y) = (i % width, i / width);
        let middle = [
            off_middle(values, i, 1, x > 0 && x + 1 < width),
            off_middle(values, i, width, y > 0 && y + 1 < height),
        ];
        let far = |u: f32, v: f32| (u - middle[0]).powi(2) + (v - middle[1]).powi(2);
        for (k, _) in places(x, y, ROUND_PEAK) {
            if values[k] <= values[i] {
                let (u, v) = ((k % width) as f32 - x as f32, (k / width) as f32 - y as f32);
                let more = (far(u, v) - far(0.0, 0.0)).max(0.0);
                left[k] = left[k].max((-more * narrower).exp());
            }
        }
    }
    left
}

#[cfg(test)]
mod tests {
    use nightloom_fit::Random;
    use nightloom_raster::Plane;

    use super::*;

    const SKY: [f32; 3] = [0.018, 0.02, 0.022];
    const NOISE: f32 = 1e-4;

    /// Gaussian stars of one sigma over a sloping sky with a little noise; where they are, with their peaks.
    fn painted(sigma: f64) -> (Rgb, Vec<([f64; 2], f32)>) {
        let (width, height) = (360, 240);
        let mut random = Random::new(11);
        let stars: Vec<([f64; 2], f32)> = (0..48)
            .map(|k| {
                let at = [
                    22.0 + 45.0 * f64::from(k % 8) + random.uniform(),
                    22.0 + 38.0 * f64::from(k / 8) + random.uniform(),
                ];
                (at, 0.01 * 60f32.powf(random.uniform() as f32))
            })
            .collect();
        let light = |x: usize, y: usize| -> f32 {
            let one = |(at, peak): &([f64; 2], f32)| {
                let far = (x as f64 - at[0]).powi(2) + (y as f64 - at[1]).powi(2);
                peak * (-far / (2.0 * sigma * sigma)).exp() as f32
            };
            stars.iter().map(one).sum()
        };
        let tint = [1.2, 1.0, 0.7];
        let planes = std::array::from_fn(|c| {
            Plane::from_fn(width, height, |x, y| {
                let sky = SKY[c] * (1.0 + 0.0005 * x as f32);
                sky + tint[c] * light(x, y) + NOISE * random.normal() as f32
            })
        });
        (Rgb::from_planes(planes), stars)
    }

    fn form(sky: &Rgb) -> StarForm {
        StarForm {
            noise: NOISE,
            level: 0.02,
            sigma_px: StarForm::sigma_of(sky, NOISE, |_, _| true),
        }
    }

    fn shown(sky: &Rgb, size: f32, colour: f32) -> Rgb {
        let form = form(sky);
        let quiet = sky.planes().each_ref().map(Plane::data);
        let width = sky.width();
        let light = StarLight::of(quiet, width, &form);
        let mut out = quiet.map(<[f32]>::to_vec);
        let [a, b, c] = &light.bare;
        let [one, two] = &light.smaller;
        let row = StarRow {
            bare: [a, b, c],
            smaller: [one, two],
        };
        StarWish::of(&form, size, colour).run(quiet, &row, &mut out);
        Rgb::from_planes(out.map(|v| Plane::from_vec(width, sky.height(), v)))
    }

    /// The light of a star over the sky, and the same weighted by the distance's square.
    fn moments(sky: &Rgb, at: [f64; 2], level: f32) -> [f64; 2] {
        let (mut sum, mut moment) = (0.0, 0.0);
        for y in (at[1] - 6.0) as usize..=(at[1] + 6.0) as usize {
            for x in (at[0] - 6.0) as usize..=(at[0] + 6.0) as usize {
                let far = (x as f64 - at[0]).powi(2) + (y as f64 - at[1]).powi(2);
                let light = f64::from(sky.planes()[1].at(x, y) - level);
                sum += light;
                moment += light * far;
            }
        }
        [sum, moment]
    }

    #[test]
    fn stars_become_as_small_as_asked_for_keep_their_peaks_and_have_no_dark_ring() {
        for sigma in [1.1, 1.8] {
            let (sky, stars) = painted(sigma);
            let found = f64::from(form(&sky).sigma_px);
            assert!((found / sigma - 1.0).abs() < 0.12, "{found} for {sigma}");
            let mut before = f64::MAX;
            for size in [1.0, 0.8, 0.6, 0.45, 0.3] {
                let small = shown(&sky, size, 1.0);
                let bright = stars.iter().filter(|s| s.1 > 0.2);
                let all = bright
                    .map(|(at, _)| moments(&small, *at, SKY[1] * (1.0 + 0.0005 * at[0] as f32)))
                    .fold([0.0, 0.0], |all, one| [all[0] + one[0], all[1] + one[1]]);
                // Of a Gaussian the mean square of the distance is twice sigma's square.
                let mean = (all[1] / all[0] / 2.0).sqrt();
                assert!(mean < before, "{mean} after {before}");
                // A mix of two forms has the wider one's skirt, which counts by the distance's square; its height at half
                // width is what is asked for. Of a star narrower than a pixel few samples tell the width.
                let part = mean / sigma;
                let size = f64::from(size);
                assert!(
                    part > 0.75 * size && part < 1.02 - 0.2 * (1.0 - size),
                    "{size}: {mean}"
                );
                assert!(size > 0.3 || part < 0.5, "{size}: {mean}");
                before = mean;
                for (at, peak) in &stars {
                    let [x, y] = at.map(|v| v.round() as usize);
                    let sky_here = SKY[1] * (1.0 + 0.0005 * x as f32);
                    let (was, is) = (
                        sky.planes()[1].at(x, y) - sky_here,
                        small.planes()[1].at(x, y) - sky_here,
                    );
                    assert!(is > 0.8 * was, "a peak of {peak} fell from {was} to {is}");
                }
                // The mean of each ring is no darker than the sky by a third of the noise.
                for (at, _) in &stars {
                    for ring in 2..10 {
                        let mut values = Vec::new();
                        for y in at[1] as usize - 11..at[1] as usize + 12 {
                            for x in at[0] as usize - 11..at[0] as usize + 12 {
                                let far = ((x as f64 - at[0]).powi(2) + (y as f64 - at[1]).powi(2)).sqrt();
                                if (far - f64::from(ring)).abs() < 0.7 {
                                    values.push(
                                        small.planes()[1].at(x, y) - SKY[1] * (1.0 + 0.0005 * x as f32),
                                    );
                                }
                            }
                        }
                        let mean = values.iter().sum::<f32>() / values.len() as f32;
                        let error = NOISE / (values.len() as f32).sqrt();
                        assert!(
                            mean > -4.0 * error - 0.3 * NOISE,
                            "size {size}, ring {ring}: {mean}"
                        );
                    }
                }
            }
        }
    }

    /// Radius at which the light of all stars together, each by its peak, is half of what it is in their middles.
    fn half_width(sky: &Rgb, stars: &[([f64; 2], f32)]) -> f64 {
        const STEP: f64 = 0.2;
        let mut rings = vec![(0.0, 0u32); 40];
        for (at, peak) in stars.iter().filter(|s| s.1 > 0.1) {
            let level = SKY[1] * (1.0 + 0.0005 * at[0] as f32);
            for y in (at[1] - 6.0) as usize..=(at[1] + 6.0) as usize {
                for x in (at[0] - 6.0) as usize..=(at[0] + 6.0) as usize {
                    let far = (x as f64 - at[0]).hypot(y as f64 - at[1]);
                    if let Some((sum, count)) = rings.get_mut((far / STEP) as usize) {
                        *sum += f64::from((sky.planes()[1].at(x, y) - level) / peak);
                        *count += 1;
                    }
                }
            }
        }
        let told = rings.iter().map(|(sum, count)| sum / f64::from((*count).max(1)));
        let told: Vec<f64> = told.collect();
        let k = told.iter().position(|v| *v < 0.5 * told[0]).expect("it falls");
        let share = (told[k - 1] - 0.5 * told[0]) / (told[k - 1] - told[k]);
        STEP * (k as f64 - 0.5 + share)
    }

    #[test]
    fn stars_are_as_wide_at_half_their_height_as_asked_for() {
        for sigma in [1.1, 1.8, 2.6] {
            let (sky, stars) = painted(sigma);
            let whole = half_width(&sky, &stars);
            // A Gaussian's half width is 1.1774 sigma.
            assert!((whole / sigma / 1.1774 - 1.0).abs() < 0.08, "{whole} for {sigma}");
            for size in [0.8f32, 0.6, 0.45, 0.3] {
                let found = half_width(&shown(&sky, size, 1.0), &stars) / whole;
                let size = f64::from(size);
                // A peak's own pixel stays, so that none is narrower than some three quarters of a pixel.
                let as_asked = (found - size).abs() < 0.1;
                let least = size * whole < 0.75 && found * whole < 0.8;
                assert!(as_asked || least, "{size}: {found} at sigma {sigma}");
            }
        }
    }

    #[test]
    fn colour_of_stars_is_the_stars_alone_and_no_channel_falls_under_the_sky() {
        let (sky, stars) = painted(1.1);
        let (grey, strong) = (shown(&sky, 1.0, 0.0), shown(&sky, 1.0, 3.0));
        for (at, _) in stars.iter().filter(|s| s.1 > 0.05) {
            let [x, y] = at.map(|v| v.round() as usize);
            let light = |of: &Rgb| -> [f32; 3] {
                let here = of.at(x, y);
                std::array::from_fn(|c| here[c] - SKY[c] * (1.0 + 0.0005 * x as f32))
            };
            let [a, b, c] = [&sky, &grey, &strong].map(light);
            assert!((b[0] / b[2] - 1.0).abs() < 0.08, "{b:?}");
            assert!(c[0] / c[2] > 1.5 * a[0] / a[2], "{a:?} {c:?}");
            assert!(c[2] > -3.0 * NOISE, "{c:?}");
            assert!((luminance(a) / luminance(c) - 1.0).abs() < 0.02, "{a:?} {c:?}");
        }
        // Between stars nothing changes.
        for k in 0..40 {
            let (x, y) = (44 + 45 * (k % 7), 41 + 38 * (k / 8));
            assert_eq!(strong.at(x, y), sky.at(x, y));
        }
    }

    #[test]
    fn a_block_is_what_the_whole_has_there() {
        let (sky, _) = painted(1.1);
        let form = form(&sky);
        let width = sky.width();
        let whole = StarLight::of(sky.planes().each_ref().map(Plane::data), width, &form);
        let (first, last) = (90, 130);
        let rows = first - STAR_HALO..last + STAR_HALO;
        let cut = sky
            .planes()
            .each_ref()
            .map(|p| &p.data()[rows.start * width..rows.end * width]);
        let part = StarLight::of(cut, width, &form);
        let inside = STAR_HALO * width..(STAR_HALO + last - first) * width;
        let all = |l: &StarLight| {
            l.bare
                .iter()
                .chain(&l.smaller)
                .map(Vec::clone)
                .collect::<Vec<_>>()
        };
        for (a, b) in all(&whole).iter().zip(all(&part)) {
            assert!(a[first * width..last * width] == b[inside.clone()]);
        }
    }
}
