//! What a star does on the camera's screen while the axis is brought to the pole.

use nalgebra::{Rotation3, Vector3};

use crate::Camera;

/// The shift of a star in the picture: right and down positive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScreenShift {
    /// Where the star is now, pixels.
    pub from_px: [f64; 2],
    /// Pixels.
    pub shift_px: [f64; 2],
    /// Of the frame's width, both.
    pub share: [f64; 2],
}

/// What turning the mount by `turn` (ground frame) does to the star that is at `pixel` now.
///
/// `camera_from_ground` is how the camera stands now. The picture as the sensor has it: a screen that shows it
/// upright shows this. `None` where the star leaves what the lens can show.
pub fn screen_shift(
    camera: &Camera,
    camera_from_ground: &Rotation3<f64>,
    turn: &Rotation3<f64>,
    pixel: [f64; 2],
) -> Option<ScreenShift> {
    let seen: Vector3<f64> = camera.lens.unproject(pixel)?.into_inner();
    // The mount turns, the star stays: the camera sees it turned back.
    let star = camera_from_ground.inverse() * seen;
    let to = camera
        .lens
        .project(&(camera_from_ground * (turn.inverse() * star)))?;
    let shift_px = [to[0] - pixel[0], to[1] - pixel[1]];
    Some(ScreenShift {
        from_px: pixel,
        shift_px,
        share: shift_px.map(|s| s / camera.width_px),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Projection, level};
    use nalgebra::Unit;

    /// A level camera facing north: raising the mount lets stars sink, turning it east (clockwise from above)
    /// lets them go left.
    #[test]
    fn stars_go_the_other_way() {
        let camera = Camera::new(Projection::Rectilinear, 50.0, 6.0, [36.0, 24.0]).expect("a camera");
        let aimed = level(&Vector3::new(0.0, 1.0, 0.0));
        let turned = |axis: Vector3<f64>, deg: f64| {
            Rotation3::from_axis_angle(&Unit::new_normalize(axis), f64::to_radians(deg))
        };
        let centre = camera.lens.centre_px;
        let raised = screen_shift(&camera, &aimed, &turned(Vector3::x(), 0.1), centre).expect("in view");
        assert!(
            raised.shift_px[1] > 10.0 && raised.shift_px[0].abs() < 1e-6,
            "{raised:?}"
        );
        let east = screen_shift(&camera, &aimed, &turned(Vector3::z(), -0.1), centre).expect("in view");
        assert!(
            east.shift_px[0] < -10.0 && east.shift_px[1].abs() < 1e-6,
            "{east:?}"
        );
        // 0.1° at 50 mm on 6 µm is 14.5 px of 6000.
        assert!((east.share[0] * 6000.0 + 14.54).abs() < 0.01);
    }
}
