//! Noise reduction by known variance, scale by scale.

mod law;
mod opponent;
mod starlet;

use std::collections::VecDeque;

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use law::{Law, law};
use opponent::{COLOURS, joined, parted};
use starlet::{HALO, Patch};

/// Rows and columns that are worked on at once.
const ROWS: usize = 256;
const COLUMNS: usize = 768;
/// Stripes of tiles that are worked on beside each other before they are laid back.
const STRIPES: usize = 4;
/// Times the noise's variance that a colour's detail has to exceed where luminance shows none: colour is told by the light it
/// belongs to, and noise of colour is seen first.
const COLOUR_MORE: f32 = 3.0;

/// How much of the noise is taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NoiseReduction {
    /// Share of what is noise in the luminance, 0 to 1. The rest stays as grain: a sky without any looks painted.
    pub luminance: f32,
    /// Share of what is noise in the colours, 0 to 1.
    pub colour: f32,
}

impl Default for NoiseReduction {
    fn default() -> Self {
        Self {
            luminance: 0.6,
            colour: 0.95,
        }
    }
}

/// Takes noise out of a picture in linear light, in place, and says whether its noise could be told.
///
/// The picture is parted into luminance and two colour differences, each of them into scales by the starlet transform (Starck
/// & Murtagh 2006, “Astronomical Image and Data Analysis”, ch. 2). How much noise a scale has is told by the picture's own
/// quiet places as a line over light (photons and readout), and goes down with the number of frames (`frames`, where given;
/// a pixel of 0 frames counts as the typical one). A coefficient keeps the part of its neighbourhood's energy that exceeds the
/// noise (Mıhçak, Kozintsev, Ramchandran & Moulin 1999, “Low-complexity image denoising based on statistical modeling of
/// wavelet coefficients”, eq. 6), so that stars and edges stay; colour follows where luminance shows something.
///
/// `valid(x, y)` says where noise is told from. Measured in the tests on painted noise: what is flat keeps 0.55 of its
/// luminance noise and 0.07 of its colour noise; stars keep their flux to 1 %.
pub fn reduce_noise(
    picture: &mut Rgb,
    valid: impl Fn(usize, usize) -> bool + Sync,
    frames: Option<&Plane>,
    settings: &NoiseReduction,
) -> bool {
    if picture.width() == 0 || (settings.luminance <= 0.0 && settings.colour <= 0.0) {
        return true;
    }
    let typical = frames.map_or(1.0, typical_frames);
    let weight = |x: usize, y: usize| match frames.map(|f| f.at(x, y)) {
        Some(n) if n > 0.0 => n,
        _ => typical,
    };
    let Some(law) = law(picture, &valid, &weight) else {
        return false;
    };
    let (width, height) = (picture.width(), picture.height());
    let mut above = VecDeque::with_capacity(HALO);
    for top in (0..height).step_by(ROWS * STRIPES) {
        let bottom = (top + ROWS * STRIPES).min(height);
        let before = Before {
            picture,
            above: &above,
            top,
        };
        let places: Vec<[usize; 2]> = (top..bottom)
            .step_by(ROWS)
            .flat_map(|y| (0..width).step_by(COLUMNS).map(move |x| [x, y]))
            .collect();
        let tiles: Vec<Tile> = places
            .into_par_iter()
            .map(|place| before.quieted(place, &law, &weight, settings))
            .collect();
        for y in bottom.saturating_sub(HALO).max(top)..bottom {
            above.push_back(picture.planes().each_ref().map(|p| p.row(y).to_vec()));
        }
        while above.len() > HALO {
            above.pop_front();
        }
        tiles.iter().for_each(|tile| tile.lay(picture));
    }
    true
}

fn typical_frames(frames: &Plane) -> f32 {
    let step = (frames.data().len() / 100_000).max(1);
    let seen = frames.data().iter().step_by(step).copied().filter(|v| *v > 0.0);
    nightloom_fit::median_of(seen).unwrap_or(1.0)
}

/// The picture as it was: what is finished above `top` is replaced by the rows that stood there.
struct Before<'a> {
    picture: &'a Rgb,
    above: &'a VecDeque<[Vec<f32>; 3]>,
    top: usize,
}

/// A finished tile.
struct Tile {
    place: [usize; 2],
    width: usize,
    planes: [Vec<f32>; 3],
}

impl Before<'_> {
    fn row(&self, c: usize, y: usize) -> &[f32] {
        match y.checked_sub(self.top) {
            Some(_) => self.picture.planes()[c].row(y),
            None => &self.above[y + self.above.len() - self.top][c],
        }
    }

    /// The tile whose first pixel is at `place`, from itself and a halo.
    fn quieted(
        &self,
        place: [usize; 2],
        law: &Law,
        weight: &impl Fn(usize, usize) -> f32,
        settings: &NoiseReduction,
    ) -> Tile {
        let [left, top] = place;
        let right = (left + COLUMNS).min(self.picture.width());
        let bottom = (top + ROWS).min(self.picture.height());
        let (from, to) = (
            left.saturating_sub(HALO),
            (right + HALO).min(self.picture.width()),
        );
        let (first, end) = (
            top.saturating_sub(HALO),
            (bottom + HALO).min(self.picture.height()),
        );
        let wide = to - from;
        let planes = std::array::from_fn(|c| {
            let mut values = vec![0.0f32; wide * (end - first)];
            for (y, out) in (first..end).zip(values.chunks_exact_mut(wide)) {
                for (o, v) in out.iter_mut().zip(&self.row(c, y)[from..to]) {
                    *o = if v.is_finite() { *v } else { 0.0 };
                }
            }
            values
        });
        let mut per_frame = vec![0.0f32; wide * (end - first)];
        for (y, out) in (first..end).zip(per_frame.chunks_exact_mut(wide)) {
            for (x, o) in (from..to).zip(out) {
                *o = 1.0 / weight(x, y);
            }
        }
        let quiet = quieted(parted(planes, wide), law, &per_frame, settings);
        let mut out = [(); 3].map(|()| Vec::with_capacity((right - left) * (bottom - top)));
        for y in top - first..bottom - first {
            for k in y * wide + left - from..y * wide + right - from {
                let rgb = joined(std::array::from_fn(|c| quiet[c].values[k]));
                out.iter_mut().zip(rgb).for_each(|(plane, v)| plane.push(v));
            }
        }
        Tile {
            place,
            width: right - left,
            planes: out,
        }
    }
}

impl Tile {
    fn lay(&self, picture: &mut Rgb) {
        let [left, top] = self.place;
        for (plane, values) in picture.planes_mut().iter_mut().zip(&self.planes) {
            for (y, own) in (top..).zip(values.chunks_exact(self.width)) {
                let row = &mut plane.row_mut(y)[left..left + self.width];
                for (v, quiet) in row.iter_mut().zip(own).filter(|(v, _)| v.is_finite()) {
                    *v = *quiet;
                }
            }
        }
    }
}

/// A tile's luminance and colours with what is noise taken out. `per_frame` is one over the frames of each pixel.
fn quieted(
    mut rest: [Patch; COLOURS],
    law: &Law,
    per_frame: &[f32],
    settings: &NoiseReduction,
) -> [Patch; COLOURS] {
    let mut kept = rest.each_ref().map(|patch| vec![0.0f32; patch.values.len()]);
    for (scale, lines) in law.iter().enumerate() {
        let step = 1 << scale;
        let details = rest.each_mut().map(|patch| patch.part(step));
        let energies = details.each_ref().map(|detail| {
            let squares = detail.values.iter().map(|v| v * v).collect();
            Patch::of(detail.width, squares).smoothed(step)
        });
        let share = |taken: f32, shown: f32| 1.0 - taken * (1.0 - shown);
        // Row by row, so that registers do several pixels at once.
        let wide = rest[0].width.max(1);
        for from in (0..rest[0].values.len()).step_by(wide) {
            let row = from..from + wide;
            let (light, per_frame) = (&rest[0].values[row.clone()], &per_frame[row.clone()]);
            let details = details.each_ref().map(|d| &d.values[row.clone()]);
            let energies = energies.each_ref().map(|e| &e.values[row.clone()]);
            let [kept_light, red_blue, green] = kept.each_mut().map(|k| &mut k[row.clone()]);
            for k in 0..wide {
                let noise: [f32; COLOURS] =
                    std::array::from_fn(|c| lines[c].variance(light[k]) * per_frame[k]);
                let shown = beyond(energies[0][k], noise[0]);
                let more = COLOUR_MORE - (COLOUR_MORE - 1.0) * shown;
                let colour = [1, 2].map(|c| beyond(energies[c][k], more * noise[c]));
                kept_light[k] += details[0][k] * share(settings.luminance, shown);
                red_blue[k] += details[1][k] * share(settings.colour, colour[0]);
                green[k] += details[2][k] * share(settings.colour, colour[1]);
            }
        }
    }
    for (patch, kept) in rest.iter_mut().zip(kept) {
        patch.values.iter_mut().zip(kept).for_each(|(v, k)| *v += k);
    }
    rest
}

/// The share of an energy that is not noise.
#[inline]
fn beyond(energy: f32, noise: f32) -> f32 {
    // Both are worked out, so that nothing branches.
    let part = 1.0 - noise / energy;
    if energy <= noise { 0.0 } else { part }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_fit::Random;

    const SIZE: (usize, usize) = (1000, 600);

    fn painted(seed: u64, light: impl Fn(usize, usize) -> f32, noise: f32) -> Rgb {
        let mut random = Random::new(seed);
        Rgb::from_planes([1.1, 1.0, 0.8].map(|tint| {
            Plane::from_fn(SIZE.0, SIZE.1, |x, y| {
                let light = tint * light(x, y);
                light + noise * light.max(0.0).sqrt() * random.normal() as f32
            })
        }))
    }

    fn spread(values: impl Iterator<Item = f32>) -> f32 {
        let values: Vec<f32> = values.collect();
        let mean = values.iter().sum::<f32>() / values.len() as f32;
        (values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / values.len() as f32).sqrt()
    }

    fn spreads(picture: &Rgb, area: [usize; 4]) -> [f32; COLOURS] {
        super::opponent::opponents(picture, area).map(|p| spread(p.values.into_iter()))
    }

    #[test]
    fn noise_goes_at_any_light_and_grain_stays() {
        for seed in 0..3 {
            let mut picture = painted(seed, |x, _| if x < 500 { 0.01 } else { 0.04 }, 0.01);
            let areas = [[20, 20, 470, 580], [530, 20, 980, 580]];
            let before = areas.map(|a| spreads(&picture, a));
            assert!(reduce_noise(
                &mut picture,
                |_, _| true,
                None,
                &NoiseReduction::default()
            ));
            for (area, before) in areas.iter().zip(before) {
                let after = spreads(&picture, *area);
                let left: [f32; 3] = std::array::from_fn(|c| after[c] / before[c]);
                assert!(
                    left[0] > 0.45 && left[0] < 0.6 && left[1] < 0.1 && left[2] < 0.1,
                    "{left:?}"
                );
            }
        }
    }

    #[test]
    fn frames_tell_how_much_noise_there_is() {
        // Where one frame of four is left, noise is twice as large: it goes down to the same.
        let frames = Plane::from_fn(SIZE.0, SIZE.1, |x, _| if x < 500 { 4.0 } else { 1.0 });
        let mut random = Random::new(9);
        let planes = [(); 3].map(|()| {
            Plane::from_fn(SIZE.0, SIZE.1, |x, y| {
                0.02 + 0.002 / frames.at(x, y).sqrt() * random.normal() as f32
            })
        });
        let mut picture = Rgb::from_planes(planes);
        let shares =
            |picture: &Rgb| [[20, 20, 470, 580], [530, 20, 980, 580]].map(|a| spreads(picture, a)[1]);
        let before = shares(&picture);
        assert!(reduce_noise(
            &mut picture,
            |_, _| true,
            Some(&frames),
            &NoiseReduction::default()
        ));
        let after = shares(&picture);
        assert!(
            after[0] < 0.2 * before[0] && after[1] < 0.2 * before[1],
            "{before:?} {after:?}"
        );
    }

    #[test]
    fn stars_keep_their_light_and_an_edge_its_step() {
        let star = |x: usize, y: usize| {
            let at = |v: usize| (v % 50) as f32 - 25.0;
            let far = at(x).powi(2) + at(y).powi(2);
            0.01 * (1.0 + ((x / 50 + y / 50) % 4) as f32) * (-far / 3.4).exp()
        };
        let mut picture = painted(5, |x, y| if y < 400 { 0.01 + star(x, y) } else { 0.03 }, 0.006);
        let before = picture.clone();
        assert!(reduce_noise(
            &mut picture,
            |_, y| y < 380,
            None,
            &NoiseReduction::default()
        ));
        let flux = |picture: &Rgb, kind: usize| {
            let own = |x: usize, y: usize| (x / 50 + y / 50) % 4 == kind && x % 50 > 20 && x % 50 < 30;
            let sum = |p: &Plane| -> f32 {
                let all = (0..350).flat_map(|y| (0..SIZE.0).map(move |x| (x, y)));
                all.filter(|&(x, y)| own(x, y) && y % 50 > 20 && y % 50 < 30)
                    .map(|(x, y)| p.at(x, y) - 0.01)
                    .sum()
            };
            sum(&picture.planes()[1])
        };
        for kind in 0..4 {
            let kept = flux(&picture, kind) / flux(&before, kind);
            assert!((kept - 1.0).abs() < 0.01, "stars of kind {kind}: {kept}");
        }
        let row = |picture: &Rgb, y: usize| picture.planes()[1].row(y).iter().sum::<f32>() / SIZE.0 as f32;
        for y in 396..404 {
            assert!((row(&picture, y) / row(&before, y) - 1.0).abs() < 0.03, "row {y}");
        }
    }

    #[test]
    fn tiles_leave_no_trace() {
        let picture = painted(8, |x, y| 0.01 + 1e-5 * (x + y) as f32, 0.01);
        let law = law(&picture, &|_, _| true, &|_, _| 1.0).expect("noise is told");
        let planes = picture.planes().each_ref().map(|p| p.data().to_vec());
        let ones = vec![1.0; SIZE.0 * SIZE.1];
        let whole = quieted(parted(planes, SIZE.0), &law, &ones, &NoiseReduction::default());
        let mut tiled = picture.clone();
        assert!(reduce_noise(
            &mut tiled,
            |_, _| true,
            None,
            &NoiseReduction::default()
        ));
        for k in (0..ones.len()).step_by(7) {
            let whole = joined(std::array::from_fn(|c| whole[c].values[k]));
            assert!((whole[1] - tiled.planes()[1].data()[k]).abs() < 1e-7, "pixel {k}");
        }
    }

    #[test]
    fn too_small_a_picture_is_left_alone() {
        let mut picture = Rgb::filled(60, 50, [0.1; 3]);
        let before = picture.clone();
        assert!(!reduce_noise(
            &mut picture,
            |_, _| true,
            None,
            &NoiseReduction::default()
        ));
        assert_eq!(picture, before);
    }
}
