//! The lens as settings and EXIF tell it, before any star was seen.

use nightloom_optics::{Lens, Projection};
use nightloom_raster::FrameMeta;

use nightloom_outing::RigSettings;

/// Width of the frame that 35 mm equivalent focal lengths refer to, millimetres (CIPA DCG-001).
const FULL_FRAME_MM: f64 = 36.0;
/// Focal length over frame width where nothing is told: that of a 24 mm lens on full frame.
const UNTOLD: f64 = 24.0 / FULL_FRAME_MM;

/// A first lens and whether anything spoke for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LensGuess {
    /// Undistorted, centred on the frame.
    pub(super) lens: Lens,
    /// Whether the focal length is told; otherwise it is a mere start.
    pub(super) told: bool,
}

/// Settings go before the file, focal length and pixel pitch before the 35 mm equivalent.
pub(super) fn guess_lens(rig: &RigSettings, meta: &FrameMeta, width: usize, height: usize) -> LensGuess {
    let focal_mm = rig.focal_mm.or(meta.focal_mm).filter(|f| *f > 0.0);
    let pixel_um = rig.pixel_um.or(meta.pixel_um).filter(|p| *p > 0.0);
    let long = width.max(height) as f64;
    let by_pitch = focal_mm.zip(pixel_um).map(|(f, p)| f * 1000.0 / p);
    let by_equivalent = meta
        .focal_35mm
        .filter(|f| *f > 0.0)
        .map(|f| f / FULL_FRAME_MM * long);
    // A pitch that makes the sensor wider than 60 mm or narrower than 3 mm is a mistaken EXIF unit;
    // what the photographer says stands (a crop may be narrow).
    let said = rig.focal_mm.is_some() && rig.pixel_um.is_some();
    let plausible = |px: &f64| said || focal_mm.is_none_or(|f| (3.0..60.0).contains(&(f * long / px)));
    let by_full_frame = focal_mm.map(|f| f / FULL_FRAME_MM * long);
    let told = by_pitch.filter(plausible).or(by_equivalent).or(by_full_frame);
    let lens = Lens::rectilinear(told.unwrap_or(UNTOLD * long), width, height);
    LensGuess {
        lens: Lens {
            projection: rig.projection,
            ..lens
        },
        told: told.is_some() || rig.projection != Projection::Rectilinear,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn focal_px(meta: FrameMeta) -> f64 {
        guess_lens(&RigSettings::default(), &meta, 6000, 4000)
            .lens
            .focal_px
    }

    #[test]
    fn pitch_goes_before_the_equivalent() {
        let meta = FrameMeta {
            focal_mm: Some(24.0),
            pixel_um: Some(6.0),
            focal_35mm: Some(36.0),
            ..FrameMeta::default()
        };
        assert_eq!(focal_px(meta), 4000.0);
    }

    #[test]
    fn an_impossible_pitch_is_passed_over() {
        let meta = FrameMeta {
            focal_mm: Some(24.0),
            pixel_um: Some(600.0),
            focal_35mm: Some(24.0),
            ..FrameMeta::default()
        };
        assert_eq!(focal_px(meta), 4000.0);
    }

    #[test]
    fn nothing_told_is_said() {
        assert!(!guess_lens(&RigSettings::default(), &FrameMeta::default(), 600, 400).told);
    }
}
