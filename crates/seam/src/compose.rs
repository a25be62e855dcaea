//! Land over sky, and how well the join hides.

use nightloom_raster::{Plane, Rgb};
use rayon::prelude::*;

use crate::SeamError;

/// Luminance weights of linear Rec. 2020 (ITU-R BT.2020-2, table 4).
pub(crate) const LUMA: [f32; 3] = nightloom_raster::colour::LUMINANCE;

/// Lays land over sky: `alpha·sky + (1 − alpha)·land`, linear, per channel.
///
/// `land` is what [`crate::foreground`] returned. A side whose share is zero is not read, so NaN
/// there does no harm.
///
/// # Errors
/// [`SeamError::Size`] if the three are not of one size.
pub fn compose(land: &Rgb, sky: &Rgb, alpha: &Plane) -> Result<Rgb, SeamError> {
    let (width, height) = (alpha.width(), alpha.height());
    SeamError::check_size("land layer", (width, height), (land.width(), land.height()))?;
    SeamError::check_size("sky layer", (width, height), (sky.width(), sky.height()))?;
    let mut out = Rgb::filled(width, height, [0.0; 3]);
    for (c, plane) in out.planes_mut().iter_mut().enumerate() {
        plane
            .data_mut()
            .par_chunks_mut(width.max(1))
            .enumerate()
            .for_each(|(y, row)| {
                compose_row(land.planes()[c].row(y), sky.planes()[c].row(y), alpha.row(y), row);
            });
    }
    Ok(out)
}

/// One row of one channel of [`compose`], for those who stream. The shortest slice counts.
pub fn compose_row(land: &[f32], sky: &[f32], alpha: &[f32], out: &mut [f32]) {
    for (((o, &f), &s), &a) in out.iter_mut().zip(land).zip(sky).zip(alpha) {
        *o = match a {
            a if a >= 1.0 => s,
            a if a <= 0.0 => f,
            a => a * s + (1.0 - a) * f,
        };
    }
}

/// Luminance of a linear Rec. 2020 picture (ITU-R BT.2020-2, table 4).
pub fn luminance(picture: &Rgb) -> Plane {
    let [r, g, b] = picture.planes();
    let (width, height) = (picture.width(), picture.height());
    let mut out = Plane::filled(width, height, 0.0);
    out.data_mut()
        .par_chunks_mut(width.max(1))
        .enumerate()
        .for_each(|(y, row)| {
            for (((o, &r), &g), &b) in row.iter_mut().zip(r.row(y)).zip(g.row(y)).zip(b.row(y)) {
                *o = LUMA[0] * r + LUMA[1] * g + LUMA[2] * b;
            }
        });
    out
}

/// Mean luminance on the sky side minus that on the land side of the seam, `band_px` wide each.
///
/// The seam runs where `alpha` crosses one half. A pixel counts when the nearest pixel of the
/// other side is at most `band_px` away. Not finite pixels are left out. `None` where there is no seam.
/// To judge a picture against the truth, measure both with the same `alpha`.
pub fn join_step(luminance: &Plane, alpha: &Plane, band_px: usize) -> Option<f64> {
    let (width, height) = (alpha.width(), alpha.height());
    if (luminance.width(), luminance.height()) != (width, height) {
        return None;
    }
    let (mut sums, mut counts) = ([0.0f64; 2], [0u64; 2]);
    let near = crate::resample::near_edge(alpha, band_px);
    for ((&v, &a), &near) in luminance.data().iter().zip(alpha.data()).zip(&near) {
        if near && v.is_finite() {
            let side = usize::from(a >= 0.5);
            sums[side] += f64::from(v);
            counts[side] += 1;
        }
    }
    (counts[0] > 0 && counts[1] > 0).then(|| sums[1] / counts[1] as f64 - sums[0] / counts[0] as f64)
}
