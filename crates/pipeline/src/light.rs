//! Brightness planes and quick looks of single frames.

use nightloom_raster::colour::{apply_matrix, encode_srgb, rec2020_to_srgb, srgb_decode, to_working};
use nightloom_raster::write::jpeg_bytes;
use nightloom_raster::{CameraColour, Rgb, icc, resize_area};

/// Longest side of a thumbnail.
const THUMB_PX: usize = 220;
/// Level of the median in a quick look, display-encoded (common practice, no source).
const QUICK_LEVEL: f32 = 0.16;

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
