//! Focus breathing: what changing the focus does to the picture's scale.

use nalgebra::{Vector2, Vector4};
use nightloom_raster::Plane;

use crate::align::{Fit, Freedom, pyramid, settle};

/// A corner known worse than this is not worth moving pixels for.
const WORST_CORNER_PX: f64 = 0.5;

/// How one focus maps on another: scale about the frame's centre, then a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breathing {
    /// What is at a distance r from the centre in `a` is at `scale` · r in `b`.
    pub scale: f64,
    /// Shift at the centre, pixels; a scale about the principal point away from the centre is a scale
    /// about the centre and a shift.
    pub shift_px: [f64; 2],
    /// Standard error of the place of a corner, pixels.
    pub corner_sigma_px: f64,
    /// Width and height of the frames.
    pub size: [usize; 2],
}

impl Breathing {
    /// Where in `b` lies what is at `point` in `a`. Pixel (0, 0) is the centre of the first pixel.
    pub fn moved(&self, point: [f64; 2]) -> [f64; 2] {
        std::array::from_fn(|i| {
            let centre = (self.size[i] as f64 - 1.0) / 2.0;
            centre + self.scale * (point[i] - centre) + self.shift_px[i]
        })
    }
}

/// Scale and shift between two frames of one tripod at different focus, by Lucas & Kanade (1981) in blocks
/// on a pyramid and a redescending mean over the blocks, as in [`crate::tripod_shift`]. Blocks where one
/// of them is too blurred to look like the other have no say. `land` tells which pixels of `a` are
/// thought to be land. Tried with scales of up to 2 %.
///
/// Measured: see `tests/all/focus_groups.rs`.
///
/// `None` where the sizes differ or a corner's place is not known to half a pixel.
pub fn breathing(a: &Plane, b: &Plane, land: &(dyn Fn(usize, usize) -> bool + Sync)) -> Option<Breathing> {
    if (a.width(), a.height()) != (b.width(), b.height()) {
        return None;
    }
    let freedom = Freedom {
        turn: false,
        zoom: true,
    };
    let mut model = Vector4::zeros();
    let mut last: Option<(Fit, f64)> = None;
    for level in pyramid(a, b, land).iter().rev() {
        if let Some(fit) = settle(level, model, freedom) {
            model = fit.model;
            last = Some((fit, level.scale as f64));
        } else if last.is_some() {
            // What a coarse level saw and a finer one does not is not known to a pixel.
            return None;
        }
        model.x *= 2.0;
        model.y *= 2.0;
    }
    let (fit, scale) = last?;
    let half = Vector2::new(a.width() as f64, a.height() as f64) / 2.0;
    let shift_variance = fit.covariance[(0, 0)].max(fit.covariance[(1, 1)]) * scale * scale;
    let corner = (shift_variance + fit.covariance[(3, 3)] * half.norm_squared()).sqrt();
    let zoom = 0.5 * fit.model.w;
    (corner < WORST_CORNER_PX).then(|| Breathing {
        // Half the zoom taken off a, half put on b.
        scale: (1.0 + zoom) / (1.0 - zoom),
        shift_px: [fit.model.x, fit.model.y].map(|s| s * scale / (1.0 - zoom)),
        corner_sigma_px: corner,
        size: [a.width(), a.height()],
    })
}
