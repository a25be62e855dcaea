//! The picture's grid, and the ways from its pixels into the frames.
//!
//! The canvas lies in the land camera's geometry, so that the land is never resampled; each
//! tracked frame is resampled once, straight onto it.

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::Lens;
use nightloom_stars::AirPath;

use super::report::CanvasReport;

/// The air's part in where things are seen: directions of the zenith in the reference camera's
/// axes, which stand still among the stars while the zenith moves.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct CanvasAir {
    /// The air, and the zenith of each tracked frame.
    pub(super) frames: AirPath,
    /// The same air with the one zenith of the moment shown.
    pub(super) shown: AirPath,
}

/// The picture's grid.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Canvas {
    /// Pixels across.
    pub(super) width: usize,
    /// Pixels down.
    pub(super) height: usize,
    /// Where the first pixel of the land frame lies in the picture.
    pub(super) origin: [i64; 2],
    /// Lens of the land camera, in land frame pixels.
    pub(super) lens: Lens,
    /// Reference camera's axes to land camera at the chosen instant.
    pub(super) from_reference: Rotation3<f64>,
    /// Shift of the sky asked for.
    pub(super) offset_px: [f64; 2],
    /// Refraction, where site and times are known.
    pub(super) air: Option<CanvasAir>,
}

/// A tracked frame's camera.
#[derive(Clone, Copy, Debug)]
pub(super) struct SkyCamera<'a> {
    /// Index among the tracked frames.
    pub(super) frame: usize,
    /// Reference camera's axes to this camera.
    pub(super) rotation: Rotation3<f64>,
    /// Its lens.
    pub(super) lens: &'a Lens,
}

impl SkyCamera<'_> {
    /// Whether a pixel lies so far inside a frame of this size that it can be sampled.
    pub(super) fn well_inside([x, y]: [f64; 2], size: (usize, usize)) -> bool {
        x >= 3.0 && y >= 3.0 && x <= size.0 as f64 - 4.0 && y <= size.1 as f64 - 4.0
    }
}

impl Canvas {
    /// A canvas that is just one frame of `width` × `height`.
    pub(super) fn of_frame(width: usize, height: usize, lens: Lens, from_reference: Rotation3<f64>) -> Self {
        Self {
            width,
            height,
            origin: [0, 0],
            lens,
            from_reference,
            offset_px: [0.0; 2],
            air: None,
        }
    }

    /// The land frame pixel under a canvas pixel.
    pub(super) fn land_pixel(&self, pixel: [f64; 2]) -> [f64; 2] {
        [pixel[0] - self.origin[0] as f64, pixel[1] - self.origin[1] as f64]
    }

    /// The turn that would make it level, degrees clockwise: what the zenith leans from straight up on the lens's axis. `None`
    /// where no zenith is known, or too near the axis.
    ///
    /// On the axis, wherever the crop's middle is: a straight lens draws the horizon as one line, and this is its slope. What
    /// stands beside the axis leans besides where the camera looks up, and no turn mends that.
    pub(super) fn level_deg(&self) -> Option<f64> {
        let air = self.air.as_ref()?;
        let up = self.from_reference * air.shown.zeniths.first()?;
        (up.x.hypot(up.y) >= 0.1).then(|| (-up.x).atan2(-up.y).to_degrees())
    }

    /// The direction that land at a pixel of the canvas is seen in; in the reference camera's axes, as they stand at the
    /// moment shown.
    pub(super) fn seen_direction(&self, pixel: [f64; 2]) -> Option<Vector3<f64>> {
        let camera = self.lens.unproject(self.land_pixel(pixel))?;
        Some(self.from_reference.inverse() * camera.into_inner())
    }

    /// The direction among the stars, free of refraction, shown at a canvas pixel; in the reference
    /// camera's axes.
    pub(super) fn star_direction(&self, pixel: [f64; 2]) -> Option<Vector3<f64>> {
        let [x, y] = self.land_pixel(pixel);
        let sky_pixel = [x - self.offset_px[0], y - self.offset_px[1]];
        let seen = self.from_reference.inverse() * self.lens.unproject(sky_pixel)?.into_inner();
        Some(self.air.as_ref().map_or(seen, |air| air.shown.lower(0, &seen)))
    }

    /// Where the sky shown at a canvas pixel stands in a tracked frame.
    pub(super) fn to_sky_frame(&self, camera: &SkyCamera<'_>, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let star = self.star_direction(pixel)?;
        let seen = self
            .air
            .as_ref()
            .map_or(star, |air| air.frames.lift(camera.frame, &star));
        camera.lens.project(&(camera.rotation * seen))
    }

    /// Where the sky shown at a canvas pixel stood in the land frame at another moment: the land
    /// camera then had the rotation `then` against the reference, and the zenith stood at `zenith`.
    pub(super) fn to_land_frame(
        &self,
        then: &Rotation3<f64>,
        zenith: Option<&AirPath>,
        pixel: [f64; 2],
    ) -> Option<[f64; 2]> {
        let star = self.star_direction(pixel)?;
        let seen = zenith.map_or(star, |air| air.lift(0, &star));
        self.lens.project(&(then * seen))
    }

    /// The canvas pixel that a pixel of a tracked frame is shown at.
    pub(super) fn shown_at(&self, camera: &SkyCamera<'_>, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let seen = camera.rotation.inverse() * camera.lens.unproject(pixel)?.into_inner();
        let lowered = self.air.as_ref().map(|air| air.frames.lower(camera.frame, &seen));
        self.shown_star(&lowered.unwrap_or(seen))
    }

    /// Whether a direction in the reference camera's axes lies before the land camera and not beside or behind it.
    pub(super) fn before_camera(&self, star: &Vector3<f64>) -> bool {
        (self.from_reference * star).z > 0.2
    }

    /// The canvas pixel at which a direction among the stars, free of refraction and in the reference camera's axes, is
    /// shown.
    pub(super) fn shown_star(&self, star: &Vector3<f64>) -> Option<[f64; 2]> {
        let shown = match &self.air {
            Some(air) => air.shown.lift(0, star),
            None => *star,
        };
        let [x, y] = self.lens.project(&(self.from_reference * shown))?;
        Some([
            x + self.origin[0] as f64 + self.offset_px[0],
            y + self.origin[1] as f64 + self.offset_px[1],
        ])
    }

    /// The same canvas with rows added on top.
    pub(super) fn grown(self, rows_above: usize) -> Self {
        let origin = [self.origin[0], self.origin[1] + rows_above as i64];
        Self {
            height: self.height + rows_above,
            origin,
            ..self
        }
    }

    /// The part of this canvas in a box `[left, top, right, bottom]`.
    pub(super) fn cropped(self, [left, top, right, bottom]: [usize; 4]) -> Self {
        Self {
            width: right - left,
            height: bottom - top,
            origin: [self.origin[0] - left as i64, self.origin[1] - top as i64],
            ..self
        }
    }

    /// As the report shows it, a box of a full canvas.
    pub(super) fn report(&self, crop_px: [usize; 4], full_px: [usize; 2]) -> CanvasReport {
        CanvasReport {
            width_px: self.width,
            height_px: self.height,
            land_origin_px: self.origin,
            crop_px,
            full_px,
        }
    }
}

/// Rows by which the canvas grows upwards: as far as the tracked frames fill whole rows above the
/// land frame, if that is at least a tenth of its height (less is no deliberate reframing), at
/// most half of it.
pub(super) fn rows_to_grow(canvas: &Canvas, cameras: &[SkyCamera<'_>], size: (usize, usize)) -> usize {
    let step = (canvas.height / 100).max(1);
    let most = canvas.height / 2;
    let seen = |pixel: [f64; 2]| {
        let inside = |p| SkyCamera::well_inside(p, size);
        let frames = cameras
            .iter()
            .filter(|c| canvas.to_sky_frame(c, pixel).is_some_and(inside))
            .count();
        2 * frames >= cameras.len().max(1)
    };
    let full_row = |above: usize| {
        (0..=32).all(|i| seen([(canvas.width - 1) as f64 * f64::from(i) / 32.0, -(above as f64)]))
    };
    let rows = (1..)
        .map(|i| i * step)
        .take_while(|&above| above <= most && full_row(above))
        .last()
        .unwrap_or(0);
    if rows * 10 >= canvas.height { rows } else { 0 }
}

#[cfg(test)]
mod tests {
    use nightloom_raster::Plane;
    use nightloom_stack::Turn;

    use super::*;

    fn canvas() -> Canvas {
        let lens = Lens {
            radial: [-0.03, 0.004, 0.0],
            ..Lens::rectilinear(700.0, 1000, 660)
        };
        let turn = Rotation3::from_euler_angles(0.02, -0.05, 0.1);
        Canvas {
            offset_px: [12.0, -7.0],
            ..Canvas::of_frame(1000, 660, lens, turn)
        }
        .grown(100)
    }

    fn camera(canvas: &Canvas) -> SkyCamera<'_> {
        SkyCamera {
            frame: 1,
            rotation: Rotation3::from_euler_angles(-0.03, 0.02, 0.2),
            lens: &canvas.lens,
        }
    }

    #[test]
    fn there_and_back() {
        let air = |zeniths: Vec<Vector3<f64>>| AirPath {
            air: nightloom_sky::Air::default(),
            zeniths,
        };
        let up = |x: f64| Vector3::new(x, -0.8, 0.6).normalize();
        let refracted = CanvasAir {
            frames: air(vec![up(0.0), up(0.1)]),
            shown: air(vec![up(-0.1)]),
        };
        for air in [None, Some(refracted)] {
            let canvas = Canvas { air, ..canvas() };
            let there = canvas
                .to_sky_frame(&camera(&canvas), [321.0, 456.0])
                .expect("in view");
            let back = canvas.shown_at(&camera(&canvas), there).expect("in view");
            assert!(
                (back[0] - 321.0).abs() < 1e-5 && (back[1] - 456.0).abs() < 1e-5,
                "{back:?}"
            );
        }
    }

    #[test]
    fn the_sky_moves_by_the_offset() {
        let moved = canvas();
        let still = Canvas {
            offset_px: [0.0; 2],
            ..moved.clone()
        };
        assert_eq!(
            moved.to_sky_frame(&camera(&moved), [112.0, 93.0]),
            still.to_sky_frame(&camera(&moved), [100.0, 100.0])
        );
    }

    #[test]
    fn the_land_keeps_its_pixels() {
        assert_eq!(canvas().land_pixel([5.0, 100.0]), [5.0, 0.0]);
    }

    /// The horizon of a leaning camera lies level once the picture is turned as it is told, whatever was cut off.
    #[test]
    fn a_picture_turned_by_what_the_zenith_tells_is_level() {
        let (width, height) = (600, 400);
        for (roll_deg, aimed_deg, left) in [
            (-12.0f64, 0.0f64, 0),
            (4.0, 12.0, 0),
            (4.0, 12.0, 150),
            (15.0, -9.0, 90),
        ] {
            // The camera's top leans to the right of who stands behind it, so all that stands leans to the left.
            let (sin, cos) = roll_deg.to_radians().sin_cos();
            let (up, ahead) = aimed_deg.to_radians().sin_cos();
            let zenith = Vector3::new(-sin * ahead, -cos * ahead, up);
            let path = AirPath {
                air: nightloom_sky::Air::default(),
                zeniths: vec![zenith],
            };
            let lens = Lens::rectilinear(500.0, width, height);
            let canvas = Canvas {
                width: width - left,
                origin: [-(left as i64), 0],
                air: Some(CanvasAir {
                    frames: path.clone(),
                    shown: path,
                }),
                ..Canvas::of_frame(width, height, lens, Rotation3::identity())
            };
            // A pixel is bright in the row in which the horizon passes below its column.
            let mut picture = Plane::filled(canvas.width, height, 0.0);
            for x in 0..canvas.width {
                let above = |y: usize| {
                    let seen = canvas.lens.unproject(canvas.land_pixel([x as f64, y as f64]));
                    seen.expect("in view").dot(&zenith) > 0.0
                };
                if let Some(y) = (1..height).find(|y| above(y - 1) && !above(*y)) {
                    *picture.at_mut(x, y) = 1.0;
                }
            }
            let level = canvas.level_deg().expect("a zenith");
            assert!((level - roll_deg).abs() < 0.01, "{level} for {roll_deg}");
            let turn = Turn::new([canvas.width, height], level);
            let turned = nightloom_develop::turned(&turn, &picture);
            let row = |x: usize| {
                let all: f32 = (0..turned.height()).map(|y| turned.at(x, y)).sum();
                (0..turned.height())
                    .map(|y| y as f32 * turned.at(x, y))
                    .sum::<f32>()
                    / all
            };
            let (one, other) = (row(turned.width() / 5), row(turned.width() * 4 / 5));
            assert!((one - other).abs() < 1.5, "{roll_deg}°: {one} and {other}");
        }
    }

    #[test]
    fn growth_follows_frames_aimed_higher_and_ignores_a_few_rows() {
        let lens = Lens::rectilinear(700.0, 1000, 660);
        let wide = Lens::rectilinear(500.0, 1000, 660);
        let land = Canvas::of_frame(1000, 660, lens, Rotation3::identity());
        let rows = |deg: f64, lens: &Lens| {
            let rotation = Rotation3::from_axis_angle(&Vector3::x_axis(), -deg.to_radians());
            rows_to_grow(
                &land,
                &[SkyCamera {
                    frame: 0,
                    rotation,
                    lens,
                }],
                (1000, 660),
            )
        };
        assert_eq!(rows(0.5, &lens), 0);
        let (high, low) = (rows(-12.0, &wide), rows(12.0, &wide));
        assert!(high.max(low) >= 66 && high.min(low) == 0, "{high} {low}");
    }
}
