//! The picture's grid, and the ways from its pixels into the frames.
//!
//! The canvas lies in the land camera's geometry, so that the land is never resampled; each
//! tracked frame is resampled once, straight onto it.

use nalgebra::Rotation3;
use nightloom_optics::Lens;

use super::report::CanvasReport;

/// The picture's grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Canvas {
    /// Pixels across.
    pub(super) width: usize,
    /// Pixels down.
    pub(super) height: usize,
    /// Where the first pixel of the land frame lies in the picture.
    pub(super) origin: [i64; 2],
    /// Lens of the land camera, in land frame pixels.
    pub(super) lens: Lens,
    /// Reference sky camera to land camera at the chosen instant.
    pub(super) from_reference: Rotation3<f64>,
    /// Shift of the sky asked for.
    pub(super) offset_px: [f64; 2],
}

impl Canvas {
    /// A canvas that is just one frame of `width` × `height`.
    pub(super) fn of_frame(width: usize, height: usize, lens: Lens, from_reference: Rotation3<f64>) -> Self {
        Self { width, height, origin: [0, 0], lens, from_reference, offset_px: [0.0; 2] }
    }

    /// The land frame pixel under a canvas pixel.
    pub(super) fn land_pixel(&self, pixel: [f64; 2]) -> [f64; 2] {
        [pixel[0] - self.origin[0] as f64, pixel[1] - self.origin[1] as f64]
    }

    /// Where the sky shown at a canvas pixel stands in a tracked frame.
    ///
    /// `rotation` leads from the reference camera to that frame's, `lens` is its lens.
    pub(super) fn to_sky_frame(&self, rotation: &Rotation3<f64>, lens: &Lens, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let turn = rotation * self.from_reference.inverse();
        let seen = self.lens.unproject(self.sky_pixel(pixel))?;
        lens.project(&(turn * seen.into_inner()))
    }

    /// Where the sky shown at a canvas pixel stood in the land frame when the land camera had
    /// another rotation against the reference.
    pub(super) fn to_land_frame(&self, then: &Rotation3<f64>, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let turn = then * self.from_reference.inverse();
        let seen = self.lens.unproject(self.sky_pixel(pixel))?;
        self.lens.project(&(turn * seen.into_inner()))
    }

    /// The canvas pixel that a pixel of a tracked frame is shown at.
    pub(super) fn of_sky_frame(&self, rotation: &Rotation3<f64>, lens: &Lens, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let turn = self.from_reference * rotation.inverse();
        let [x, y] = self.lens.project(&(turn * lens.unproject(pixel)?.into_inner()))?;
        Some([
            x + self.origin[0] as f64 + self.offset_px[0],
            y + self.origin[1] as f64 + self.offset_px[1],
        ])
    }

    /// The same canvas with rows added on top.
    pub(super) fn grown(self, rows_above: usize) -> Self {
        let origin = [self.origin[0], self.origin[1] + rows_above as i64];
        Self { height: self.height + rows_above, origin, ..self }
    }

    /// As the report shows it.
    pub(super) fn report(&self) -> CanvasReport {
        CanvasReport { width_px: self.width, height_px: self.height, land_origin_px: self.origin }
    }

    fn sky_pixel(&self, pixel: [f64; 2]) -> [f64; 2] {
        let [x, y] = self.land_pixel(pixel);
        [x - self.offset_px[0], y - self.offset_px[1]]
    }
}

/// Rows by which the canvas grows upwards: as far as the tracked frames fill whole rows above the
/// land frame, if that is at least a tenth of its height (less is no deliberate reframing), at
/// most half of it.
pub(super) fn rows_to_grow(canvas: &Canvas, rotations: &[Rotation3<f64>], lens: &Lens, size: (usize, usize)) -> usize {
    let step = (canvas.height / 100).max(1);
    let most = canvas.height / 2;
    let seen = |pixel: [f64; 2]| {
        let inside = |[x, y]: [f64; 2]| x >= 3.0 && y >= 3.0 && x <= size.0 as f64 - 4.0 && y <= size.1 as f64 - 4.0;
        let frames = rotations.iter().filter(|r| canvas.to_sky_frame(r, lens, pixel).is_some_and(inside)).count();
        2 * frames >= rotations.len().max(1)
    };
    let full_row = |above: usize| {
        (0..=32).all(|i| seen([(canvas.width - 1) as f64 * f64::from(i) / 32.0, -(above as f64)]))
    };
    let rows = (1..).map(|i| i * step).take_while(|&above| above <= most && full_row(above)).last().unwrap_or(0);
    if rows * 10 >= canvas.height { rows } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn canvas() -> Canvas {
        let lens = Lens { radial: [-0.03, 0.004, 0.0], ..Lens::rectilinear(700.0, 1000, 660) };
        let turn = Rotation3::from_euler_angles(0.02, -0.05, 0.1);
        Canvas { offset_px: [12.0, -7.0], ..Canvas::of_frame(1000, 660, lens, turn) }.grown(100)
    }

    #[test]
    fn there_and_back() {
        let (canvas, frame) = (canvas(), Rotation3::from_euler_angles(-0.03, 0.02, 0.2));
        let there = canvas.to_sky_frame(&frame, &canvas.lens, [321.0, 456.0]).expect("in view");
        let back = canvas.of_sky_frame(&frame, &canvas.lens, there).expect("in view");
        assert!((back[0] - 321.0).abs() < 1e-8 && (back[1] - 456.0).abs() < 1e-8, "{back:?}");
    }

    #[test]
    fn the_sky_moves_by_the_offset() {
        let moved = canvas();
        let still = Canvas { offset_px: [0.0; 2], ..moved };
        let frame = Rotation3::identity();
        assert_eq!(
            moved.to_sky_frame(&frame, &moved.lens, [112.0, 93.0]),
            still.to_sky_frame(&frame, &moved.lens, [100.0, 100.0])
        );
    }

    #[test]
    fn the_land_keeps_its_pixels() {
        assert_eq!(canvas().land_pixel([5.0, 100.0]), [5.0, 0.0]);
    }

    #[test]
    fn growth_follows_frames_aimed_higher_and_ignores_a_few_rows() {
        let lens = Lens::rectilinear(700.0, 1000, 660);
        let land = Canvas::of_frame(1000, 660, lens, Rotation3::identity());
        let aimed_up = |deg: f64| Rotation3::from_axis_angle(&nalgebra::Vector3::x_axis(), -deg.to_radians());
        assert_eq!(rows_to_grow(&land, &[aimed_up(0.5)], &lens, (1000, 660)), 0);
        let wide = Lens::rectilinear(500.0, 1000, 660);
        let high = rows_to_grow(&land, &[aimed_up(-12.0)], &wide, (1000, 660));
        let low = rows_to_grow(&land, &[aimed_up(12.0)], &wide, (1000, 660));
        assert!(high.max(low) >= 66 && high.min(low) == 0, "{high} {low}");
    }
}
