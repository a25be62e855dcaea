//! The least noise that a stack of given frames can have, from what the simulation put into them.

use nightloom_raster::{Limits, Mosaic, Pixels, decode_here};
use nightloom_simulate::TruthFrame;

use crate::Outcome;
use crate::grain::TILE_PX;
use crate::pixels::median;
use crate::scene::{Scene, solid_angle};

/// Half the side of the patch of raw samples whose median is the light at a place.
const PATCH_PX: i64 = 32;

/// Least variance that a mean over frames can have, for red, green and blue.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Ideal {
    /// Of one raw sample of each frame.
    pub(crate) of_sample: [f64; 3],
    /// Of the samples in as much of each frame as falls into a pixel of the picture, were all pixels of
    /// that colour.
    pub(crate) of_area: [f64; 3],
}

/// Per tile; `None` where a frame does not reach its middle.
///
/// A sample's variance in electrons is its light and dark current (Poisson; the median of the raw samples
/// about it), the square of the read noise and that of rounding to whole raw steps; flat-fielding divides it
/// by the square of what vignetting left.
pub(crate) fn ideals(
    scene: &Scene,
    frames: &[&TruthFrame],
    tiles: &[[usize; 2]],
) -> Outcome<Vec<Option<Ideal>>> {
    let sensor = &scene.truth.sensor;
    let full = sensor.sky_saturation_e;
    let fixed = sensor.read_noise_e.powi(2) + sensor.sky_gain_e.powi(2) / 12.0;
    // Sums of inverse variances, until the end.
    let mut ideals = vec![Some(Ideal::default()); tiles.len()];
    for frame in frames {
        let raw = decode_here(&scene.folder.join(&frame.path), &Limits::default())?;
        let Pixels::Mosaic(raw) = raw.pixels else {
            return Err(format!("{} is no mosaic", frame.path).into());
        };
        for (ideal, tile) in ideals.iter_mut().zip(tiles) {
            let at = tile.map(|v| (v + TILE_PX / 2) as f64);
            let place = scene.in_frame(frame, at);
            let found = place.and_then(|there| {
                let larger = scene.solid_angle(at)? / solid_angle(&scene.truth.lens, there)?;
                Some((levels(&raw, there)?, vignetting(scene, there), larger))
            });
            *ideal = ideal.zip(found).map(|(mut sum, (levels, left, larger))| {
                for (c, level) in levels.iter().enumerate() {
                    let weight = (full * left).powi(2) / (level * full + fixed);
                    sum.of_sample[c] += weight;
                    sum.of_area[c] += weight * larger;
                }
                sum
            });
        }
    }
    let inverse = |sums: [f64; 3]| sums.map(|v| 1.0 / v);
    let finish = |sum: Ideal| Ideal {
        of_sample: inverse(sum.of_sample),
        of_area: inverse(sum.of_area),
    };
    Ok(ideals.into_iter().map(|sum| sum.map(finish)).collect())
}

/// Median raw level of each colour about a pixel, of saturation.
fn levels(raw: &Mosaic, at: [f64; 2]) -> Option<[f64; 3]> {
    let [x, y] = at.map(|v| v.round() as i64);
    let (width, height) = (raw.plane.width() as i64, raw.plane.height() as i64);
    let inside = x >= PATCH_PX && y >= PATCH_PX && x + PATCH_PX <= width && y + PATCH_PX <= height;
    inside.then_some(())?;
    let mut values = [const { Vec::new() }; 3];
    for v in (y - PATCH_PX) as usize..(y + PATCH_PX) as usize {
        for u in (x - PATCH_PX) as usize..(x + PATCH_PX) as usize {
            values[raw.cfa.colour(u, v)].push(f64::from(raw.plane.at(u, v)));
        }
    }
    Some(values.map(|mut v| median(&mut v)))
}

/// Light of an even surface that the lens leaves at a pixel of a frame, 1 on the axis.
fn vignetting(scene: &Scene, [x, y]: [f64; 2]) -> f64 {
    let [cx, cy] = scene.truth.lens.centre_px;
    let (width, height) = scene.truth.scenario.size.pixels();
    let field = (x - cx).hypot(y - cy) / ((width as f64).hypot(height as f64) / 2.0) * 10.0;
    let table = &scene.truth.sensor.vignetting;
    let i = (field as usize).min(table.len() - 2);
    table[i] + (table[i + 1] - table[i]) * (field - i as f64)
}
