//! Contrast in the sky's large forms: the Milky Way against its surroundings.

use nightloom_fit::median;
use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::along::{Run, along};
use crate::blur::blurred;

/// Side of a cell whose median is the sky without stars, as a part of the picture's longer side, and pixels at least.
const CELLS: usize = 150;
const LEAST_CELL: usize = 8;
/// Forms between these widths are raised (standard deviations, parts of the longer side).
const FORMS: [f32; 2] = [0.008, 0.12];
/// No pixel is made darker or brighter than by these factors.
const GAIN: std::ops::RangeInclusive<f32> = 0.6..=2.0;

/// The sky's light without its stars, in cells: what its forms are told from.
#[derive(Clone, Debug, PartialEq)]
pub struct StarFree {
    cell: usize,
    /// Luminance of each cell times its weight.
    light: Plane,
    /// The share of the cell that tells.
    weight: Plane,
}

/// A factor for every pixel, by which the sky's forms are raised.
#[derive(Clone, Debug, PartialEq)]
pub struct FormGains {
    cell: usize,
    /// `None` if nothing is raised.
    gains: Option<Plane>,
}

impl StarFree {
    /// Of a picture; `is_sky(x, y)` says which pixels tell.
    pub fn of(sky: &Rgb, is_sky: impl Fn(usize, usize) -> bool + Sync) -> Self {
        let cell = (sky.width().max(sky.height()) / CELLS).max(LEAST_CELL);
        let (light, weight) = star_free(sky, &is_sky, cell);
        Self { cell, light, weight }
    }

    /// As they were taken apart by [`StarFree::planes`].
    pub fn of_planes(light: Plane, weight: Plane, cell_px: usize) -> Self {
        Self {
            cell: cell_px.max(1),
            light,
            weight,
        }
    }

    /// Light times weight, and weight, of each cell.
    pub fn planes(&self) -> [&Plane; 2] {
        [&self.light, &self.weight]
    }

    /// Side of a cell, pixels.
    pub fn cell_px(&self) -> usize {
        self.cell
    }

    /// The same sky with something smooth taken off: `taken(x, y)` is its luminance at a pixel.
    #[must_use]
    pub fn less(&self, taken: impl Fn(usize, usize) -> f32) -> Self {
        let middle = |k: usize| k * self.cell + self.cell / 2;
        let light = Plane::from_fn(self.light.width(), self.light.height(), |i, j| {
            let weight = self.weight.at(i, j);
            match weight > 0.0 {
                true => self.light.at(i, j) - weight * taken(middle(i), middle(j)),
                false => 0.0,
            }
        });
        Self {
            light,
            ..self.clone()
        }
    }

    /// Gains that raise the contrast of the sky's forms that are wider than stars and narrower than the sky: one factor for
    /// all channels, so that hues stay. Where nothing tells, pixels are treated like their surroundings.
    ///
    /// `level` is the background's luminance; `strength` 0 changes nothing, 1 doubles the distance of a form from its
    /// surroundings.
    pub fn gains(&self, level: f32, strength: f32) -> FormGains {
        let (columns, rows) = (self.light.width(), self.light.height());
        let raised = strength > 0.0 && level > 0.0 && columns * rows > 0;
        FormGains {
            cell: self.cell,
            gains: raised.then(|| self.raised(level, strength)),
        }
    }

    fn raised(&self, level: f32, strength: f32) -> Plane {
        let long = self.light.width().max(self.light.height()) as f32;
        let smooth = |sigma: f32| {
            let weights = blurred(&self.weight, sigma);
            let mut out = blurred(&self.light, sigma);
            let pairs = out.data_mut().iter_mut().zip(weights.data());
            pairs.for_each(|(v, w)| *v = if *w > 1e-4 { *v / w } else { level });
            out
        };
        let [fine, coarse] = FORMS.map(|part| smooth((part * long).max(0.5)));
        let pairs = fine.data().iter().zip(coarse.data());
        let gains =
            pairs.map(|(f, c)| (1.0 + strength * (f - c) / c.max(level)).clamp(*GAIN.start(), *GAIN.end()));
        Plane::from_vec(fine.width(), fine.height(), gains.collect())
    }
}

impl FormGains {
    /// The factors along a row.
    pub fn run(&self, run: Run, out: &mut [f32]) {
        let cells = |v: f32| (v + 0.5) / self.cell as f32 - 0.5;
        match &self.gains {
            Some(gains) => along(gains, [run.x, run.y].map(cells), run.step / self.cell as f32, out),
            None => out.fill(1.0),
        }
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
        let gains = StarFree::of(&sky, |_, _| true).gains(1.0, 1.0);
        let mut row = vec![0.0; w];
        for y in 0..h {
            gains.run(Run::at_level(0, 0, y), &mut row);
            for plane in sky.planes_mut() {
                plane.row_mut(y).iter_mut().zip(&row).for_each(|(v, g)| *v *= g);
            }
        }
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
