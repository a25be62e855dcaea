//! From directions in the camera frame to pixels and back.

use nalgebra::{Unit, Vector3};
use nightloom_sky::Angle;

/// How the angle θ from the optical axis becomes a distance r from the principal point,
/// before distortion, in focal lengths.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Projection {
    /// r = tan θ.
    #[default]
    Rectilinear,
    /// r = θ.
    Equidistant,
    /// r = 2 sin(θ/2).
    Equisolid,
    /// r = 2 tan(θ/2).
    Stereographic,
    /// r = sin θ.
    Orthographic,
}

/// The sky that one pixel covers.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct PixelScale {
    /// Along the radius from the principal point.
    pub radial: Angle,
    /// Across the radius.
    pub tangential: Angle,
}

/// A lens on a sensor: projection, focal length, principal point and radial distortion.
///
/// # Units
/// Pixels: x right, y down, centre of the first pixel (0, 0). Camera frame: x right, y down,
/// z forward. Distortion after Brown (1966), forward from ideal to seen:
/// r_seen = r (1 + k₁r² + k₂r⁴ + k₃r⁶), r in focal lengths.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Lens {
    /// The undistorted projection.
    pub projection: Projection,
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Principal point in pixels.
    pub centre_px: [f64; 2],
    /// Radial coefficients k₁, k₂, k₃.
    pub radial: [f64; 3],
}

/// tan θ where a rectilinear lens ends, at 0.999 of a right angle.
const STEEPEST: f64 = 636.619;

impl Lens {
    /// An undistorted rectilinear lens centred on a sensor of `width` × `height` pixels.
    pub fn rectilinear(focal_px: f64, width: usize, height: usize) -> Self {
        Self {
            projection: Projection::Rectilinear,
            focal_px,
            centre_px: [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0],
            radial: [0.0; 3],
        }
    }

    /// The pixel that a direction in the camera frame falls on, or `None` where the projection
    /// does not reach (behind a rectilinear lens) or the distortion polynomial has folded back.
    #[inline]
    pub fn project(&self, direction: &Vector3<f64>) -> Option<[f64; 2]> {
        // Not `hypot`: directions are neither huge nor tiny, and this is asked millions of times.
        let across = (direction.x * direction.x + direction.y * direction.y).sqrt();
        let ideal = self.ideal_of(across, direction.z)?;
        let (scale, slope) = self.stretch(ideal);
        if slope <= 0.0 {
            return None;
        }
        let seen = ideal * scale * self.focal_px;
        let (ux, uy) = if across > 0.0 {
            (direction.x / across, direction.y / across)
        } else {
            (0.0, 0.0)
        };
        Some([self.centre_px[0] + seen * ux, self.centre_px[1] + seen * uy])
    }

    /// The direction in the camera frame that a pixel looks along.
    ///
    /// `None` outside the image circle of the projection.
    #[inline]
    pub fn unproject(&self, pixel: [f64; 2]) -> Option<Unit<Vector3<f64>>> {
        let x = (pixel[0] - self.centre_px[0]) / self.focal_px;
        let y = (pixel[1] - self.centre_px[1]) / self.focal_px;
        let seen = (x * x + y * y).sqrt();
        if seen == 0.0 {
            return Some(Vector3::z_axis());
        }
        let ideal = self.undistort(seen)?;
        let (sin, cos) = match self.projection {
            Projection::Rectilinear => {
                let cos = 1.0 / (1.0 + ideal * ideal).sqrt();
                (ideal * cos, cos)
            }
            _ => self.angle_of(ideal)?.sin_cos(),
        };
        Some(Unit::new_unchecked(Vector3::new(
            sin * x / seen,
            sin * y / seen,
            cos,
        )))
    }

    /// The same lens on a part of the sensor whose first pixel was at `left`, `top`.
    pub fn cropped(&self, left: f64, top: f64) -> Self {
        Self {
            centre_px: [self.centre_px[0] - left, self.centre_px[1] - top],
            ..*self
        }
    }

    /// How much sky a pixel covers where it stands, along the radius and across it.
    ///
    /// `None` outside the image circle of the projection. From the derivatives of projection and
    /// distortion, not from differences.
    pub fn scale_at(&self, pixel: [f64; 2]) -> Option<PixelScale> {
        let seen = self.seen_radius(pixel);
        let ideal = self.undistort(seen)?;
        let theta = self.angle_of(ideal)?;
        let (_, slope) = self.stretch(ideal);
        let per_angle = slope * self.growth(theta);
        if per_angle <= 0.0 {
            return None;
        }
        let across = if seen > 0.0 { theta.sin() / seen } else { 1.0 };
        Some(PixelScale {
            radial: Angle::from_rad(1.0 / (per_angle * self.focal_px)),
            tangential: Angle::from_rad(across / self.focal_px),
        })
    }

    /// The angle between the optical axis and what a pixel sees; `None` outside the image circle.
    pub fn angle_off_axis(&self, pixel: [f64; 2]) -> Option<Angle> {
        let theta = self.angle_of(self.undistort(self.seen_radius(pixel))?)?;
        Some(Angle::from_rad(theta))
    }

    fn seen_radius(&self, pixel: [f64; 2]) -> f64 {
        (pixel[0] - self.centre_px[0]).hypot(pixel[1] - self.centre_px[1]) / self.focal_px
    }

    /// d r_ideal / d θ.
    fn growth(&self, theta: f64) -> f64 {
        match self.projection {
            Projection::Rectilinear => theta.cos().powi(-2),
            Projection::Equidistant => 1.0,
            Projection::Equisolid => (theta / 2.0).cos(),
            Projection::Stereographic => (theta / 2.0).cos().powi(-2),
            Projection::Orthographic => theta.cos(),
        }
    }

    /// Ideal radius of a direction by its parts across and along the axis.
    fn ideal_of(&self, across: f64, along: f64) -> Option<f64> {
        use std::f64::consts::{FRAC_PI_2, PI};
        if self.projection == Projection::Rectilinear {
            // tan θ without θ, as far as 0.999 of a right angle.
            return (across < STEEPEST * along).then(|| across / along);
        }
        let theta = across.atan2(along);
        match self.projection {
            Projection::Rectilinear | Projection::Equidistant => Some(theta),
            Projection::Equisolid => Some(2.0 * (theta / 2.0).sin()),
            Projection::Stereographic => (theta < PI * 0.999).then(|| 2.0 * (theta / 2.0).tan()),
            Projection::Orthographic => (theta <= FRAC_PI_2).then(|| theta.sin()),
        }
    }

    fn angle_of(&self, ideal: f64) -> Option<f64> {
        match self.projection {
            Projection::Rectilinear => Some(ideal.atan()),
            Projection::Equidistant => (ideal <= std::f64::consts::PI).then_some(ideal),
            Projection::Equisolid => (ideal <= 2.0).then(|| 2.0 * (ideal / 2.0).asin()),
            Projection::Stereographic => Some(2.0 * (ideal / 2.0).atan()),
            Projection::Orthographic => (ideal <= 1.0).then(|| ideal.asin()),
        }
    }

    /// r_seen / r and d r_seen / d r at the ideal radius r.
    fn stretch(&self, r: f64) -> (f64, f64) {
        let [k1, k2, k3] = self.radial;
        let r2 = r * r;
        let scale = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
        let slope = 1.0 + r2 * (3.0 * k1 + r2 * (5.0 * k2 + r2 * 7.0 * k3));
        (scale, slope)
    }

    /// Inverts the radial polynomial by Newton's method.
    fn undistort(&self, seen: f64) -> Option<f64> {
        let mut r = seen;
        for _ in 0..20 {
            let (scale, slope) = self.stretch(r);
            if slope <= 0.05 {
                return None;
            }
            let step = (r * scale - seen) / slope;
            r -= step;
            if step.abs() < 1e-13 {
                return Some(r);
            }
        }
        None
    }
}
