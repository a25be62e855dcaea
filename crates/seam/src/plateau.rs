//! Broad soft changes are no edges.
//!
//! What land covers of a pixel changes over the lens's blur, a pixel or two, and from twig to twig. Where a matte says "half"
//! over many pixels, and evenly, the sky or the land is not what was taken for it: mostly a sky that fades into the horizon.
//! Such a place has a border with land and one with sky, and the land's true edge is the sharper of the two in the picture.
//! Where that is the border with land, the place is sky. Where it is the other, nothing is said: clouds have sharp borders too.

use nightloom_fit::median_of;
use nightloom_raster::colour::luminance;
use nightloom_raster::{DISTANCE_UNIT, Plane, Rgb, distances};

use crate::parts::{beside, connected};
use crate::resample::blurred;

/// Matte between which a pixel is neither, and what still belongs to a place found so.
const HALF: [f32; 2] = [0.03, 0.97];
const NOT_QUITE: [f32; 2] = [0.005, 0.995];
/// Unevenness (root mean square over some pixels of what the blur leaves) below which a matte is even, and what still
/// belongs to it: twigs have more.
const EVEN: [f32; 2] = [0.10, 0.15];
/// Blur that a matte's texture stands out of, and over which its square is averaged, pixels.
const TEXTURE_PX: [usize; 2] = [2, 3];
/// Change of the matte per pixel above which it is an edge.
const STEEP: f32 = 0.12;
/// Places that no disc of this radius fits into are soft edges, pixels.
const BROAD_PX: f32 = 2.0;
/// So many pixels make a place, and so many a border.
const LEAST_PIXELS: usize = 60;
const LEAST_BORDER: usize = 8;
/// Matte of land and of sky at a border.
const SIDES: [f32; 2] = [0.1, 0.9];

/// Makes those broad even places of a matte sky whose border with land is sharper in the picture than that with sky. Others
/// stay.
pub(crate) fn settle(alpha: &mut Plane, picture: &Rgb) {
    let width = alpha.width();
    let is_half = |a: &f32| *a > HALF[0] && *a < HALF[1];
    let half_in = |y: &usize| alpha.row(*y).iter().any(is_half);
    let (Some(top), Some(bottom)) = (
        (0..alpha.height()).find(half_in),
        (0..alpha.height()).rev().find(half_in),
    ) else {
        return;
    };
    let margin = 4 * TEXTURE_PX[1];
    let (top, bottom) = (
        top.saturating_sub(margin),
        (bottom + margin + 1).min(alpha.height()),
    );
    let matte = &mut alpha.data_mut()[top * width..bottom * width];
    let places = places(matte, width);
    if places.is_empty() {
        return;
    }
    let light: Vec<f32> = (top * width..bottom * width)
        .map(|k| {
            luminance(picture.at(k % width, k / width))
                .max(f32::MIN_POSITIVE)
                .ln()
        })
        .collect();
    let slope = slopes(&blurred(&light, width, 1), width);
    let fading: Vec<bool> = places.iter().map(|p| p.fades(matte, &slope, width)).collect();
    for (place, _) in places.iter().zip(fading).filter(|(_, fades)| *fades) {
        place.pixels.iter().for_each(|&k| matte[k] = 1.0);
    }
}

/// Size of the change per pixel.
fn slopes(values: &[f32], width: usize) -> Vec<f32> {
    let height = values.len() / width.max(1);
    let of = |k: usize| {
        let (x, y) = (k % width, k / width);
        let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
        let (up, down) = (y.saturating_sub(1), (y + 1).min(height - 1));
        let along = (values[y * width + right] - values[y * width + left]) / (right - left).max(1) as f32;
        let across = (values[down * width + x] - values[up * width + x]) / (down - up).max(1) as f32;
        along.hypot(across)
    };
    (0..values.len()).map(of).collect()
}

/// A broad even place.
struct Place {
    pixels: Vec<usize>,
}

/// The broad even places of a matte.
fn places(matte: &[f32], width: usize) -> Vec<Place> {
    let smooth = blurred(matte, width, TEXTURE_PX[0]);
    let rough: Vec<f32> = matte.iter().zip(&smooth).map(|(m, s)| (m - s).powi(2)).collect();
    let rough = blurred(&rough, width, TEXTURE_PX[1]);
    let steep = slopes(&smooth, width);
    let within = |v: f32, [low, high]: [f32; 2]| v > low && v < high;
    let even = |k: usize, most: f32| rough[k] < most * most;
    let near = |from: &dyn Fn(usize) -> bool, px: f32| -> Vec<bool> {
        let mut far: Vec<u8> = (0..matte.len())
            .map(|k| if from(k) { 0 } else { u8::MAX })
            .collect();
        distances(&mut far, width);
        far.into_iter()
            .map(|d| f32::from(d) <= px * f32::from(DISTANCE_UNIT))
            .collect()
    };
    let narrow = near(
        &|k| !(within(matte[k], HALF) && even(k, EVEN[0]) && steep[k] < STEEP),
        BROAD_PX,
    );
    let mut broad = near(&|k| !narrow[k], 2.0 * BROAD_PX);
    let belongs = |k: usize| within(matte[k], NOT_QUITE) && even(k, EVEN[1]);
    broad.iter_mut().enumerate().for_each(|(k, b)| *b &= belongs(k));
    connected(broad, width, LEAST_PIXELS)
        .into_iter()
        .map(|pixels| Place { pixels })
        .collect()
}

impl Place {
    /// Whether it has a border with land and one with sky, and the first is the sharper.
    fn fades(&self, matte: &[f32], slope: &[f32], width: usize) -> bool {
        let outside = |k: &usize| self.pixels.binary_search(k).is_err();
        let border = |of: &dyn Fn(f32) -> bool| {
            let found = self.pixels.iter().flat_map(|&k| {
                let out = (1..=2).flat_map(move |step| beside(k, width, matte.len(), step));
                out.filter(|q| outside(q) && of(matte[*q]))
                    .flat_map(move |q| [slope[k], slope[q]])
            });
            let found: Vec<f32> = found.collect();
            (found.len() >= LEAST_BORDER).then(|| median_of(found))?
        };
        border(&|m| m < SIDES[0])
            .zip(border(&|m| m > SIDES[1]))
            .is_some_and(|(land, sky)| land > sky)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sky of 0.2 over land of 0.05 from row `edge` on, with a matte that falls evenly from row 20 to row 40.
    fn settled(edge: usize) -> Plane {
        let ramp = |y: usize| (1.0 - (y as f32 - 20.0) / 20.0).clamp(0.0, 1.0);
        let picture = Rgb::from_planes(
            [(); 3].map(|()| Plane::from_fn(80, 60, |_, y| if y < edge { 0.2 } else { 0.05 })),
        );
        let mut alpha = Plane::from_fn(80, 60, |_, y| ramp(y));
        settle(&mut alpha, &picture);
        alpha
    }

    #[test]
    fn a_slow_change_is_sky_where_land_has_the_sharper_border() {
        assert!((22..38).all(|y| settled(40).at(40, y) == 1.0));
        assert!((22..38).all(|y| settled(20).at(40, y) < 1.0));
    }

    #[test]
    fn twigs_and_edges_stay() {
        let picture = Rgb::filled(80, 60, [0.1; 3]);
        // Rows of twigs a pixel wide, and an edge blurred over three pixels.
        let twigs = |x: usize, y: usize| match y {
            0..30 => 0.5 + 0.4 * ((x % 3) as f32 - 1.0),
            _ => ((x as f32 - 38.0) / 3.0).clamp(0.0, 1.0),
        };
        let before = Plane::from_fn(80, 60, twigs);
        let mut alpha = before.clone();
        settle(&mut alpha, &picture);
        assert_eq!(alpha, before);
    }

    #[test]
    fn what_borders_on_sky_alone_stays() {
        let disc = |x: usize, y: usize| {
            if (x as f32 - 40.0).hypot(y as f32 - 30.0) < 12.0 {
                0.5
            } else {
                1.0
            }
        };
        let before = Plane::from_fn(80, 60, disc);
        let mut alpha = before.clone();
        settle(&mut alpha, &Rgb::filled(80, 60, [0.1; 3]));
        assert_eq!(alpha, before);
    }
}
