//! Sharpening of a finished picture for the size at which it is shown.

use nightloom_raster::colour::luminance;
use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

/// Sharpens a display-encoded picture by its luminance's distance from that of its nearest surroundings (binomial, 3 × 3),
/// `amount` of it added.
///
/// What is sharpened stays within the least and most luminance of those nine pixels: stars get no dark rings and edges no
/// lines. Unsharp masking is common practice (no source); the bound is our own.
pub(super) fn sharpen(picture: &mut Rgb, amount: f32) {
    let (width, height) = (picture.width(), picture.height());
    if amount <= 0.0 || width < 3 || height < 3 {
        return;
    }
    let light = Plane::from_fn(width, height, |x, y| luminance(picture.at(x, y)));
    let more: Vec<f32> = (0..height)
        .into_par_iter()
        .flat_map_iter(|y| {
            let light = &light;
            (0..width).map(move |x| difference(light, x, y, amount))
        })
        .collect();
    for plane in picture.planes_mut() {
        let all = plane.data_mut().par_iter_mut().zip(&more);
        all.for_each(|(v, more)| *v = (*v + more).clamp(0.0, 1.0));
    }
}

/// What is added to a pixel.
fn difference(light: &Plane, x: usize, y: usize, amount: f32) -> f32 {
    let columns = [x.saturating_sub(1), x, (x + 1).min(light.width() - 1)];
    let rows = [y.saturating_sub(1), y, (y + 1).min(light.height() - 1)];
    let (mut mean, mut least, mut most) = (0.0, f32::INFINITY, f32::NEG_INFINITY);
    for (row, b) in rows.into_iter().zip([1.0, 2.0, 1.0]) {
        for (column, a) in columns.into_iter().zip([1.0, 2.0, 1.0]) {
            let v = light.at(column, row);
            mean += a * b * v / 16.0;
            least = least.min(v);
            most = most.max(v);
        }
    }
    let here = light.at(x, y);
    (here + amount * (here - mean)).clamp(least, most) - here
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_become_steeper_and_nothing_overshoots() {
        let ramp = [0.2, 0.2, 0.3, 0.5, 0.7, 0.8, 0.8];
        let plane = || Plane::from_fn(7, 7, |x, _| ramp[x]);
        let mut picture = Rgb::from_planes([plane(), plane(), plane()]);
        sharpen(&mut picture, 1.0);
        let row = picture.planes()[1].row(3);
        assert!(row[2] < 0.3 - 1e-3 && row[4] > 0.7 + 1e-3, "{row:?}");
        assert!(
            row.iter().all(|v| (0.2 - 1e-6..=0.8 + 1e-6).contains(v)),
            "{row:?}"
        );
        assert!((row[3] - 0.5).abs() < 1e-6);
        let before = picture.clone();
        sharpen(&mut picture, 0.0);
        assert_eq!(picture.planes()[0].data(), before.planes()[0].data());
    }
}
