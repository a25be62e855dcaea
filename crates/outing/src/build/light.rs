//! Brightness planes and quick looks of single frames.

use nightloom_raster::colour::{apply_matrix, encode_srgb, rec2020_to_srgb, srgb_decode, to_working};
use nightloom_raster::write::jpeg_bytes;
use nightloom_raster::{CameraColour, Mosaic, Pixels, Plane, Rgb, icc, resize_area};

/// Longest side of a thumbnail.
const THUMB_PX: usize = 220;
/// Level of the median in a quick look, display-encoded (common practice, no source).
const QUICK_LEVEL: f32 = 0.16;

/// (R + 2G + B)/4 of a picture; saturates where all three do.
pub(super) fn luminance_of(picture: &Rgb) -> Plane {
    let [r, g, b] = picture.planes();
    let data = r
        .data()
        .iter()
        .zip(g.data())
        .zip(b.data())
        .map(|((r, g), b)| 0.25 * (r + b) + 0.5 * g)
        .collect();
    Plane::from_vec(picture.width(), picture.height(), data)
}

/// A full-size brightness plane of whatever a frame holds; a mosaic is averaged over its 2 × 2 cell.
pub(crate) fn luminance(pixels: &Pixels) -> Plane {
    match pixels {
        Pixels::Mosaic(mosaic) => cell_means(mosaic),
        Pixels::Rgb(picture) => luminance_of(picture),
        Pixels::Grey(plane) => plane.clone(),
    }
}

fn cell_means(mosaic: &Mosaic) -> Plane {
    let plane = &mosaic.plane;
    let (width, height) = (plane.width(), plane.height());
    Plane::from_fn(width, height, |x, y| {
        let (x2, y2) = ((x + 1).min(width - 1), (y + 1).min(height - 1));
        0.25 * (plane.at(x, y) + plane.at(x2, y) + plane.at(x, y2) + plane.at(x2, y2))
    })
}

/// A thumbnail for the report: white-balanced, brought to a common level. JPEG.
pub(super) fn thumbnail(camera: &Rgb, colour: &CameraColour) -> Option<Vec<u8>> {
    let mut small = resize_area(camera, THUMB_PX);
    to_working(&mut small, colour);
    apply_matrix(&mut small, &rec2020_to_srgb().map(|row| row.map(|v| v as f32)));
    let mut greens: Vec<f32> = small.planes()[1].data().to_vec();
    greens.sort_unstable_by(f32::total_cmp);
    let median = greens.get(greens.len() / 2).copied().unwrap_or(0.0).max(1e-5);
    let gain = srgb_decode(QUICK_LEVEL) / median;
    for plane in small.planes_mut() {
        plane
            .data_mut()
            .iter_mut()
            .for_each(|v| *v = (*v * gain).clamp(0.0, 1.0));
    }
    encode_srgb(&mut small);
    jpeg_bytes(&small, 80, &icc::srgb()).ok()
}
