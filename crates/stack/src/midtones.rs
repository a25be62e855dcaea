//! Contrast in the sky's large forms: the Milky Way against its surroundings.

use nightloom_fit::median;
use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::blur::blurred;

/// Side of a cell whose median is the sky without stars, as a part of the picture's longer side, and pixels at least.
const CELLS: usize = 150;
const LEAST_CELL: usize = 8;
/// Forms between these widths are raised (standard deviations, parts of the longer side).
const FORMS: [f32; 2] = [0.008, 0.12];
/// No pixel is made darker or brighter than by these factors.
const GAIN: std::ops::RangeInclusive<f32> = 0.6..=2.0;

/// Raises the contrast of the sky's forms that are wider than stars and narrower than the sky, in place, by one factor for
/// all channels, so that hues stay.
///
/// `is_sky(x, y)` says which pixels tell; the others are treated like their surroundings. `level` is the background's
/// luminance; `strength` 0 changes nothing, 1 doubles the distance of a form from its surroundings.
pub fn raise_midtones(
    sky: &mut Rgb,
    is_sky: impl Fn(usize, usize) -> bool + Sync,
    level: f32,
    strength: f32,
) {
    let (width, height) = (sky.width(), sky.height());
    if strength <= 0.0 || level <= 0.0 || width == 0 || height == 0 {
        return;
    }
    let cell = (width.max(height) / CELLS).max(LEAST_CELL);
    let long = width.max(height) as f32 / cell as f32;
    let (light, weight) = star_free(sky, &is_sky, cell);
    let smooth = |sigma: f32| {
        let sums = blurred(&light, sigma);
        let weights = blurred(&weight, sigma);
        let mut out = sums;
        let pairs = out.data_mut().iter_mut().zip(weights.data());
        pairs.for_each(|(v, w)| *v = if *w > 1e-4 { *v / w } else { level });
        out
    };
    let [fine, coarse] = FORMS.map(|part| smooth((part * long).max(0.5)));
    let gains: Vec<f32> = fine
        .data()
        .iter()
        .zip(coarse.data())
        .map(|(f, c)| (1.0 + strength * (f - c) / c.max(level)).clamp(*GAIN.start(), *GAIN.end()))
        .collect();
    let gains = Plane::from_vec(fine.width(), fine.height(), gains);
    for plane in sky.planes_mut() {
        plane
            .data_mut()
            .par_chunks_mut(width)
            .enumerate()
            .for_each(|(y, row)| {
                row.iter_mut()
                    .enumerate()
                    .for_each(|(x, v)| *v *= between(&gains, cell, x, y));
            });
    }
}

/// Luminance of cells without their stars, times their weight; and the weight: the share of the cell that tells.
fn star_free(sky: &Rgb, is_sky: &(impl Fn(usize, usize) -> bool + Sync), cell: usize) -> (Plane, Plane) {
    let (width, height) = (sky.width(), sky.height());
    let (columns, rows) = (width.div_ceil(cell), height.div_ceil(cell));
    let step = (cell / 12).max(1);
    let cells: Vec<[f32; 2]> = (0..columns * rows)
        .into_par_iter()
        .map(|k| {
            let (x0, y0) = (k % columns * cell, k / columns * cell);
            let (mut values, mut all) = (Vec::new(), 0);
            for y in (y0..(y0 + cell).min(height)).step_by(step) {
                for x in (x0..(x0 + cell).min(width)).step_by(step) {
                    all += 1;
                    let v = luminance(sky.at(x, y));
                    if v.is_finite() && is_sky(x, y) {
                        values.push(v);
                    }
                }
            }
            let share = values.len() as f32 / all.max(1) as f32;
            median(&mut values).map_or([0.0; 2], |v| [v * share, share])
        })
        .collect();
    let plane = |i: usize| Plane::from_vec(columns, rows, cells.iter().map(|c| c[i]).collect());
    (plane(0), plane(1))
}

/// The value at a pixel, straight between the middles of cells.
fn between(cells: &Plane, cell: usize, x: usize, y: usize) -> f32 {
    let place = |v: usize, n: usize| {
        let at = ((v as f32 + 0.5) / cell as f32 - 0.5).clamp(0.0, (n - 1) as f32);
        let low = at as usize;
        (low, (low + 1).min(n - 1), at - low as f32)
    };
    let (i, i1, u) = place(x, cells.width());
    let (j, j1, v) = place(y, cells.height());
    let row = |j: usize| cells.at(i, j) + u * (cells.at(i1, j) - cells.at(i, j));
    row(j) + v * (row(j1) - row(j))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_band_gains_contrast_and_a_slope_and_a_star_do_not() {
        let (w, h) = (600, 400);
        let band = |x: usize| 0.3 * (-0.5 * ((x as f32 - 300.0) / 30.0).powi(2)).exp();
        let value = |x: usize, y: usize| 1.0 + 0.0005 * y as f32 + band(x);
        let mut sky = Rgb::from_planes([(); 3].map(|()| Plane::from_fn(w, h, value)));
        for plane in sky.planes_mut() {
            *plane.at_mut(100, 200) = 50.0;
        }
        let before = sky.clone();
        raise_midtones(&mut sky, |_, _| true, 1.0, 1.0);
        let green = |p: &Rgb, x: usize, y: usize| p.planes()[1].at(x, y);
        let contrast = |p: &Rgb| green(p, 300, 200) / green(p, 180, 200);
        assert!(
            contrast(&sky) - 1.0 > 1.5 * (contrast(&before) - 1.0),
            "{}",
            contrast(&sky)
        );
        let slope = |p: &Rgb| green(p, 40, 380) - green(p, 40, 20);
        assert!((slope(&sky) / slope(&before) - 1.0).abs() < 0.15);
        assert!(
            (green(&sky, 100, 200) / green(&sky, 100, 230) - 50.0 / green(&before, 100, 230)).abs() < 0.5
        );
    }
}
