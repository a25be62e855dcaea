//! What this lens and exposure forgive, and whether the axis is good enough tonight.

use nalgebra::{Rotation3, Unit, UnitVector3, Vector3};
use nightloom_optics::{
    Camera, FieldError, Lens, Rate, Scene, Shot, Tracker, Trailing, axis_allowance, longest_exposure_s,
};
use nightloom_sky::{Air, Angle};
use nightloom_stars::axis::Pole;
use serde::Serialize;

use super::AxisAsk;
use super::frames::Known;

/// What is forgiven.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Tolerance {
    /// The exposure it is reckoned for.
    pub exposure_s: f64,
    /// Longest trail that is still a point.
    pub tolerance_px: f64,
    /// Axis error that keeps the whole frame within it, in the worst direction; none where anything does.
    pub allowed_arcmin: Option<f64>,
    /// Longest trail in this frame with the axis as it is, refraction in it; none where it leaves the lens.
    pub trail_px: Option<f64>,
    /// The same with the axis on the pole: refraction alone.
    pub trail_on_pole_px: Option<f64>,
    /// The longest exposure that this axis allows, seconds; none where 12 hours do.
    pub longest_s: Option<f64>,
    /// Whether the exposure is safe as the axis is: its longest trail with the axis's uncertainty and the air in it is
    /// within the limit.
    pub safe: bool,
}

/// The camera as it stands in one frame.
pub(super) struct Stance<'a> {
    pub(super) known: &'a Known,
    pub(super) lens: &'a Lens,
    pub(super) camera_from_ground: &'a Rotation3<f64>,
    pub(super) pole: &'a Pole,
    pub(super) air: &'a Air,
}

/// Exposure where neither the frames nor the photographer tell one, seconds.
const USUAL_S: f64 = 120.0;

impl Stance<'_> {
    pub(super) fn camera(&self) -> Camera {
        self.known.camera(self.lens)
    }

    /// What the picture's middle shows: latitude, declination, hour angle, airless.
    pub(super) fn scene(&self) -> Result<Scene, FieldError> {
        let camera = self.camera();
        let seen = camera
            .lens
            .unproject(camera.at(0.5, 0.5))
            .unwrap_or_else(Vector3::z_axis);
        let ground = self
            .air
            .lower(&(self.camera_from_ground.inverse() * seen.into_inner()));
        scene(&self.pole.airless, self.pole.north, &ground)
    }

    pub(super) fn tolerance(
        &self,
        ask: &AxisAsk,
        axis: &UnitVector3<f64>,
        sigma: Angle,
    ) -> Result<Tolerance, FieldError> {
        let own = Some(self.known.time.exposure_s).filter(|s| *s > 0.0);
        let exposure_s = ask.exposure_s.or(own).unwrap_or(USUAL_S);
        let (scene, camera) = (self.scene()?, self.camera());
        let allowed = axis_allowance(&scene, &camera, exposure_s, ask.tolerance_px)?.frame;
        let shot = |axis: Vector3<f64>| Shot {
            scene,
            camera,
            tracker: Some(Tracker {
                axis: Unit::new_normalize(axis),
                rate: Rate::Sidereal,
                periodic: None,
            }),
            air: Some(*self.air),
            seconds: exposure_s,
        };
        let trail = |axis| shot(axis).worst(Trailing::Sky).map(|w| w.length_px);
        let now = trail(axis.into_inner());
        let per_arcmin = allowed.map_or(0.0, |a| ask.tolerance_px / a.arcmin());
        let by_trail = now.is_some_and(|px| px + per_arcmin * sigma.arcmin() <= ask.tolerance_px);
        Ok(Tolerance {
            exposure_s,
            tolerance_px: ask.tolerance_px,
            allowed_arcmin: allowed.map(|a| a.arcmin()),
            trail_px: now,
            trail_on_pole_px: trail(self.pole.refracted.into_inner()),
            longest_s: longest_exposure_s(&shot(axis.into_inner()), ask.tolerance_px)?,
            safe: by_trail,
        })
    }
}

/// Declination and hour angle of an airless direction under the pole above the horizon.
pub(super) fn scene(pole: &Vector3<f64>, north: bool, ground: &Vector3<f64>) -> Result<Scene, FieldError> {
    let north_pole = if north { *pole } else { -pole };
    let latitude = north_pole.z.clamp(-1.0, 1.0).asin();
    let meridian = Vector3::new(0.0, -latitude.sin(), latitude.cos());
    let declination = ground.dot(&north_pole).clamp(-1.0, 1.0).asin();
    let hour_angle = (-ground.x).atan2(ground.dot(&meridian));
    Scene::new(
        Angle::from_rad(latitude),
        Angle::from_rad(declination),
        Angle::from_rad(hour_angle),
    )
}
