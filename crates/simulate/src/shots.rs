//! The night as a list of exposures, and where the camera looks during each.

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};
use nightloom_optics::{Attitude, Exposure};
use nightloom_sky::{Angle, Instant};

use crate::role::ShotRole;
use crate::scenario::{Aim, Scenario};
use nightloom_fit::Random;

/// One exposure.
#[derive(Clone, Debug)]
pub(crate) struct Shot {
    pub(crate) role: ShotRole,
    /// Number within the role, from 0.
    pub(crate) index: usize,
    /// Name of the file.
    pub(crate) file: String,
    pub(crate) start: Instant,
    pub(crate) exposure: Exposure,
    motion: Motion,
}

/// How the camera stands in the ground frame while the shutter is open.
#[derive(Clone, Debug)]
enum Motion {
    Still(Rotation3<f64>),
    Tracked {
        /// Ground to camera at `from`, were the tracker perfect until then.
        camera: Rotation3<f64>,
        axis: Unit<Vector3<f64>>,
        from: Instant,
        periodic: (Angle, f64),
        /// Seconds into the exposure and the turn that the tripod takes then.
        bump: Option<(f64, Rotation3<f64>)>,
    },
}

/// Sidereal rate, radians a second (Earth rotation angle, IERS Conventions 2010, eq. 5.15).
const SIDEREAL: f64 = std::f64::consts::TAU * 1.002_737_811_911_354_6 / 86_400.0;

impl Shot {
    /// The turn from the ground frame to the camera frame, `seconds` after the start.
    pub(crate) fn camera_from_ground(&self, seconds: f64) -> Rotation3<f64> {
        match &self.motion {
            Motion::Still(camera) => *camera,
            Motion::Tracked {
                camera,
                axis,
                from,
                periodic: (amplitude, period),
                bump,
            } => {
                let t = self.start.plus_seconds(seconds).seconds_since(*from);
                let wave = |t: f64| amplitude.rad() * (std::f64::consts::TAU * t / period).sin();
                let turned = *camera * Rotation3::from_axis_angle(axis, SIDEREAL * t + wave(t));
                match bump {
                    Some((at, turn)) if seconds >= *at => turn * turned,
                    _ => turned,
                }
            }
        }
    }

    /// The attitude (ICRS to camera) `seconds` after the start.
    pub(crate) fn attitude(&self, scenario: &Scenario, seconds: f64) -> Attitude {
        self.camera_from_ground(seconds) * scenario.site.ground_from_icrs(self.start.plus_seconds(seconds))
    }

    pub(crate) fn middle(&self) -> Instant {
        self.start.plus_seconds(self.exposure.seconds / 2.0)
    }

    pub(crate) fn bumped(&self) -> Option<f64> {
        match &self.motion {
            Motion::Tracked { bump, .. } => bump.as_ref().map(|b| b.0),
            Motion::Still(_) => None,
        }
    }

    /// A number of its own for the chance in this frame.
    pub(crate) fn stream(&self) -> u64 {
        let role = match self.role {
            ShotRole::Sky => 1,
            ShotRole::Land => 2,
            ShotRole::Dark => 3,
            ShotRole::Flat => 4,
        };
        role * 10_000 + self.index as u64
    }
}

/// Ground to camera for a camera aimed so.
pub(crate) fn aimed(aim: Aim) -> Rotation3<f64> {
    let (sin_az, cos_az) = aim.azimuth.rad().sin_cos();
    let (sin_alt, cos_alt) = aim.altitude.rad().sin_cos();
    let forward = Vector3::new(sin_az * cos_alt, cos_az * cos_alt, sin_alt);
    let right = Vector3::new(cos_az, -sin_az, 0.0);
    let down = forward.cross(&right);
    let level = Matrix3::from_rows(&[right.transpose(), down.transpose(), forward.transpose()]);
    // A camera rolled clockwise sees the scene turned anticlockwise.
    Rotation3::from_axis_angle(&Vector3::z_axis(), -aim.roll.rad()) * Rotation3::from_matrix_unchecked(level)
}

/// The tracker's axis in the ground frame.
pub(crate) fn tracker_axis(scenario: &Scenario) -> Unit<Vector3<f64>> {
    let latitude = scenario.site.latitude.rad();
    let pole = Vector3::new(0.0, latitude.cos(), latitude.sin());
    let up = Vector3::new(0.0, -latitude.sin(), latitude.cos());
    let off = &scenario.tracker;
    Unit::new_normalize(
        pole + Vector3::x() * off.axis_off_east.rad().tan() + up * off.axis_off_up.rad().tan(),
    )
}

/// The whole night, in the order in which the frames are taken: sky, land, darks, flats.
pub(crate) fn night(scenario: &Scenario) -> Vec<Shot> {
    let mut shots = sky(scenario);
    let after = |shots: &[Shot], pause: f64| {
        shots.last().map_or(scenario.start, |s| {
            s.start.plus_seconds(s.exposure.seconds + pause)
        })
    };
    let still = aimed(scenario.land_aim);
    let rest = [
        (
            ShotRole::Land,
            scenario.counts.land,
            scenario.land_exposure,
            scenario.land_pause_s,
        ),
        (ShotRole::Dark, scenario.counts.dark, scenario.sky_exposure, 60.0),
        (
            ShotRole::Flat,
            scenario.counts.flat,
            scenario.flat_exposure,
            300.0,
        ),
    ];
    for (role, count, exposure, pause) in rest {
        for index in 0..count {
            let start = after(&shots, if index == 0 { pause } else { scenario.frame_pause_s });
            let camera = if role == ShotRole::Land {
                turned(scenario, index) * still
            } else {
                still
            };
            let file = file_name(shots.len());
            shots.push(Shot {
                role,
                index,
                file,
                start,
                exposure: scenario.exposure(role, index, exposure),
                motion: Motion::Still(camera),
            });
        }
    }
    shots
}

fn turned(scenario: &Scenario, index: usize) -> Rotation3<f64> {
    let part = index as f64 / (scenario.counts.land.max(2) - 1) as f64;
    let [x, y, z] = scenario.land_turn.map(|a| a.rad() * part);
    Rotation3::new(Vector3::new(x, y, z))
}

fn sky(scenario: &Scenario) -> Vec<Shot> {
    let axis = tracker_axis(scenario);
    let mut random = Random::stream(scenario.seed, 0x5a07, 0);
    let mut camera = aimed(scenario.sky_aim);
    let pixel = scenario.pitch_mm() / scenario.focal_mm;
    let nudge = scenario.nudge_px * scenario.size.pixels().0 as f64 / 6000.0 * pixel;
    let count = scenario.counts.sky;
    let mut shots = Vec::with_capacity(count);
    for index in 0..count {
        if index > 0 && scenario.nudge_every > 0 && index % scenario.nudge_every == 0 {
            let towards = random.uniform() * std::f64::consts::TAU;
            let far = nudge * random.between(0.6, 1.0);
            let by = Vector3::new(far * towards.cos(), far * towards.sin(), 0.003 * random.normal());
            camera = Rotation3::new(by) * camera;
        }
        let roll = scenario.roll_over_sky.rad() * index as f64 / (count.max(2) - 1) as f64;
        let bump = (scenario.mishaps.bump == Some(index)).then(|| bump(scenario));
        let motion = Motion::Tracked {
            camera: Rotation3::from_axis_angle(&Vector3::z_axis(), -roll) * camera,
            axis,
            from: scenario.start,
            periodic: (scenario.tracker.periodic_amplitude, scenario.tracker.periodic_s),
            bump,
        };
        let gap = scenario.sky_exposure.seconds + scenario.frame_pause_s;
        let start = scenario.start.plus_seconds(gap * index as f64);
        shots.push(Shot {
            role: ShotRole::Sky,
            index,
            file: file_name(index),
            start,
            exposure: scenario.exposure(ShotRole::Sky, index, scenario.sky_exposure),
            motion,
        });
    }
    shots
}

/// A knock two fifths into the exposure that moves the frame by some ten pixels of 6000.
fn bump(scenario: &Scenario) -> (f64, Rotation3<f64>) {
    let pixel = 36.0 / 6000.0 / scenario.focal_mm;
    let by = Vector3::new(9.0 * pixel, -11.0 * pixel, 4.0 * pixel);
    (scenario.sky_exposure.seconds * 0.4, Rotation3::new(by))
}

fn file_name(number: usize) -> String {
    format!("OWL_{:04}.dng", 4101 + number)
}

/// Middle of the land exposures, or of the sky exposures where there is no land frame.
pub(crate) fn default_instant(scenario: &Scenario, shots: &[Shot]) -> Instant {
    let role = if scenario.counts.land > 0 {
        ShotRole::Land
    } else {
        ShotRole::Sky
    };
    let mut of_role = shots.iter().filter(|s| s.role == role);
    let Some(first) = of_role.next() else {
        return scenario.start;
    };
    let last = of_role.next_back().unwrap_or(first);
    let end = last.start.plus_seconds(last.exposure.seconds);
    first.start.plus_seconds(end.seconds_since(first.start) / 2.0)
}
