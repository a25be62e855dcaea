//! Gaussian blur.

use nightloom_raster::Plane;
use rayon::prelude::*;

/// A Gaussian's weights out to 3 σ, of sum 1; σ in pixels, above 0.
pub(crate) fn kernel(sigma: f32) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as isize;
    let weights: Vec<f32> = (-reach..=reach)
        .map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp())
        .collect();
    let total: f32 = weights.iter().sum();
    weights.iter().map(|k| k / total).collect()
}

/// The plane blurred by a Gaussian of σ pixels, the border repeated.
pub(crate) fn blurred(plane: &Plane, sigma: f32) -> Plane {
    let (w, h) = (plane.width(), plane.height());
    let kernel = kernel(sigma);
    let reach = kernel.len() / 2;
    let mut across = Plane::filled(w, h, 0.0);
    let rows = across.data_mut().par_chunks_mut(w.max(1)).enumerate();
    rows.for_each_init(Vec::new, |padded, (y, out)| {
        let row = plane.row(y);
        padded.clear();
        padded.extend(std::iter::repeat_n(row[0], reach));
        padded.extend_from_slice(row);
        padded.extend(std::iter::repeat_n(row[w - 1], reach));
        for (i, k) in kernel.iter().enumerate() {
            out.iter_mut().zip(&padded[i..]).for_each(|(o, f)| *o += k * f);
        }
    });
    let mut down = Plane::filled(w, h, 0.0);
    let rows = down.data_mut().par_chunks_mut(w.max(1)).enumerate();
    rows.for_each(|(y, out)| {
        for (i, k) in kernel.iter().enumerate() {
            let from = across.row((y + i).saturating_sub(reach).min(h - 1));
            out.iter_mut().zip(from).for_each(|(o, f)| *o += k * f);
        }
    });
    down
}
