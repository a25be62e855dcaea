//! The fallback: two frames whose stars nobody has to know.
//!
//! What turns in the camera between two frames is the sky less the tracker. With the camera's aim roughly known
//! (hour angle, declination, how it is held), that turn gives the axis error, to the tenth or so that the aim is
//! off by.

use std::path::PathBuf;

use nalgebra::{Rotation3, Vector3};
use nightloom_optics::polar::AxisError;
use nightloom_optics::{Lens, Scene, level};
use nightloom_sky::Angle;
use nightloom_stars::{DetectSettings, MatchSettings, match_fields, measure};
use serde::Serialize;

use super::AxisTrouble;
use super::words::turn_words;
use crate::LensTold;
use crate::single::brightness;
use nightloom_outing::World;

/// The sky's turn, radians a second.
const SKY_RAD_S: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6 / 86_400.0;

/// What is asked.
#[derive(Clone, Debug)]
pub struct DriftAsk {
    /// Two frames of a running tracker, the camera not touched in between.
    pub frames: [PathBuf; 2],
    /// What the middle of the picture shows, roughly.
    pub scene: Scene,
    /// Clockwise turn of the camera about its axis as the photographer sees it, 0 level.
    pub roll: Angle,
    /// Focal length and pitch.
    pub lens: LensTold,
    /// Between the beginnings of the two exposures, seconds; the files tell when not given.
    pub seconds: Option<f64>,
}

/// The answer by drift.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DriftReport {
    /// How the star in the middle of the picture moved, pixels right and down.
    pub shift_px: [f64; 2],
    /// Its drift towards the north celestial pole, arcseconds.
    pub north_arcsec: f64,
    /// Time between the frames.
    pub seconds: f64,
    /// Stars that both frames have.
    pub pairs: usize,
    /// Axis too high: positive.
    pub altitude_arcmin: f64,
    /// Axis east of the pole: positive.
    pub azimuth_arcmin: f64,
    /// From pole to axis.
    pub total_arcmin: f64,
    /// What to do.
    pub advice: String,
}

/// Reads the axis error off two frames without identifying them; the sentence of a “no” where they do not match.
///
/// Good to about a tenth of the error where the aim is known to 5°.
///
/// # Errors
/// A file that cannot be read; a lens that is not known.
pub fn axis_by_drift(ask: &DriftAsk, world: &dyn World) -> Result<Result<DriftReport, String>, AxisTrouble> {
    let (first, first_frame) = brightness(&ask.frames[0], world)?;
    let (second, second_frame) = brightness(&ask.frames[1], world)?;
    let (first_meta, second_meta) = (first_frame.meta, second_frame.meta);
    let size = [first.width(), first.height()];
    let Some(focal_px) = crate::single::focal_px(&ask.lens, &first_meta, size) else {
        return Ok(Err(
            "nothing tells the focal length; give --focal and --pitch".into()
        ));
    };
    let seconds = match (
        ask.seconds,
        crate::single::taken(&first_meta),
        crate::single::taken(&second_meta),
    ) {
        (Some(s), ..) => s,
        (None, Some(a), Some(b)) => b.seconds_since(a),
        _ => {
            return Ok(Err(
                "the frames do not tell when they were taken; give --seconds".into()
            ));
        }
    };
    if seconds < 1.0 {
        return Ok(Err(
            "the frames are of the same instant, so nothing can have drifted; give the earlier first".into(),
        ));
    }
    let lens = Lens::rectilinear(focal_px, size[0], size[1]);
    let settings = DetectSettings::default();
    let (a, b) = (measure(&first, &settings), measure(&second, &settings));
    let Some(found) = match_fields(&a.stars, &lens, &b.stars, &lens, &MatchSettings::default()) else {
        return Ok(Err(format!(
            "the stars of {} and {} cannot be matched; the camera was aimed anew between them, or cloud came",
            ask.frames[0].display(),
            ask.frames[1].display()
        )));
    };
    let turn = found.rotation.scaled_axis() / seconds;
    let mut report = by_turn(&turn, ask, &lens, seconds);
    report.pairs = found.pairs.len();
    Ok(Ok(report))
}

/// From the stars' turn in the camera, radians a second.
fn by_turn(turn: &Vector3<f64>, ask: &DriftAsk, lens: &Lens, seconds: f64) -> DriftReport {
    let north_pole = ask.scene.north_pole().into_inner();
    let north = ask.scene.latitude().rad() >= 0.0;
    let camera = Rotation3::from_axis_angle(&Vector3::z_axis(), -ask.roll.rad()) * level(&ask.scene.target());
    let ground = camera.inverse() * turn;
    // The stars turn by Ω sky − Ω tracker = −s ω (p − a) about the visible pole p, s = 1 in the north.
    let (sense, pole) = if north {
        (1.0, north_pole)
    } else {
        (-1.0, -north_pole)
    };
    let off = ground * (sense / SKY_RAD_S);
    let across = off - pole * off.dot(&pole);
    let axis = (pole + across).normalize();
    let error = AxisError::of(&axis, &pole);
    let middle = lens.centre_px;
    let moved = Rotation3::new(turn * seconds) * Vector3::z();
    let to = lens.project(&moved).unwrap_or(middle);
    let drift = ground.cross(&ask.scene.target());
    let target = ask.scene.target();
    let towards_north = north_pole - target * target.dot(&north_pole);
    let north_rad = drift.dot(&towards_north) / towards_north.norm().max(1e-9) * seconds;
    DriftReport {
        shift_px: [to[0] - middle[0], to[1] - middle[1]],
        north_arcsec: Angle::from_rad(north_rad).arcsec(),
        seconds,
        pairs: 0,
        altitude_arcmin: error.altitude.arcmin(),
        azimuth_arcmin: error.azimuth.arcmin(),
        total_arcmin: error.total.arcmin(),
        advice: turn_words(&error, north),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_optics::polar::north_drift;

    /// A tracker off the pole in all four quadrants and both hemispheres: the turn of the stars in the camera,
    /// made from the vectors, gives the error back.
    #[test]
    fn turns_give_the_error_back() {
        for (latitude, declination, hours) in [(47.0, 10.0, -1.5), (-33.0, -40.0, 2.0)] {
            let scene = Scene::new(
                Angle::from_deg(latitude),
                Angle::from_deg(declination),
                Angle::from_deg(15.0 * hours),
            )
            .expect("a scene");
            let north_pole = scene.north_pole().into_inner();
            let (sense, pole) = if latitude > 0.0 {
                (1.0, north_pole)
            } else {
                (-1.0, -north_pole)
            };
            for (up, east) in [(22.0, 9.0), (-22.0, 9.0), (22.0, -9.0), (-22.0, -9.0)] {
                let towards_zenith = (Vector3::z() - pole * pole.z).normalize();
                let way = |arcmin: f64| Angle::from_arcmin(arcmin).rad();
                let axis = (pole + towards_zenith * way(up) + Vector3::x() * way(east)).normalize();
                let ask = DriftAsk {
                    frames: [PathBuf::new(), PathBuf::new()],
                    scene,
                    roll: Angle::from_deg(12.0),
                    lens: LensTold::Nothing,
                    seconds: Some(240.0),
                };
                let camera =
                    Rotation3::from_axis_angle(&Vector3::z_axis(), -ask.roll.rad()) * level(&scene.target());
                let turn = camera * (pole - axis) * (-sense * SKY_RAD_S);
                let found = by_turn(&turn, &ask, &Lens::rectilinear(4000.0, 6000, 4000), 240.0);
                assert!((found.altitude_arcmin - up).abs() < 0.3, "{found:?}");
                assert!((found.azimuth_arcmin - east).abs() < 0.3, "{found:?}");
                let error = AxisError::of(&axis, &pole);
                let classical = north_drift(&error, latitude > 0.0, Angle::from_deg(15.0 * hours), 240.0);
                assert!(
                    (found.north_arcsec - classical.arcsec()).abs() < 0.3,
                    "{found:?} {classical:?}"
                );
            }
        }
    }
}
