//! Where the sky stood over the land: the land camera against the turning sky.
//!
//! Directions are given in the camera frame of the *reference* sky frame, which stands still
//! among the stars. A camera fixed to the ground then turns about the celestial pole:
//! with the pole p known, its rotation obeys R(t + Δ) = R(t)·Rot(p, −ωΔ), because in the
//! ground's view the stars go round the north pole clockwise as time goes on, seen from outside.

use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Air, Instant};
use nightloom_stars::AirPath;

/// The Earth's rotation against the stars, rad/s (IERS Conventions 2010: 7.292115e-5).
pub(super) const EARTH_RATE: f64 = 7.292_115e-5;

/// One land frame matched to the reference sky frame.
#[derive(Clone, Copy, Debug)]
pub(super) struct LandSighting {
    /// Middle of the exposure.
    pub(super) middle: Instant,
    /// Reference camera to land camera.
    pub(super) rotation: Rotation3<f64>,
    /// Residual of the match.
    pub(super) rms_px: f64,
    /// Index among the prepared land frames, and stars that it rests on.
    pub(super) frame: usize,
    pub(super) stars: usize,
}

impl LandSighting {
    /// How far the camera that took another frame looked aside, in pixels of its lens where that is most in a frame of this
    /// size, and the error of that: a tripod that stands turns with the Earth and with nothing else. A turn about the line of
    /// sight shows away from the middle alone.
    pub(super) fn moved_px(
        &self,
        other: &Self,
        pole: &Unit<Vector3<f64>>,
        lens: &Lens,
        (width, height): (usize, usize),
    ) -> Option<[f64; 2]> {
        let then = turned(&other.rotation, pole, self.middle.seconds_since(other.middle));
        let between = self.rotation * then.inverse();
        let moved = |[u, v]: [f64; 2]| {
            let [x, y] = [u * width as f64, v * height as f64];
            let [to_x, to_y] = lens.project(&(between * lens.unproject([x, y])?.into_inner()))?;
            Some((to_x - x).hypot(to_y - y))
        };
        let most = LOOKED_AT.into_iter().filter_map(moved).reduce(f64::max)?;
        let error = |s: &Self| s.rms_px / (s.stars.max(1) as f64).sqrt();
        Some([most, error(self).hypot(error(other))])
    }
}

/// Parts of a frame's width and height at which a move is looked for: the middle and a quarter in from each corner.
const LOOKED_AT: [[f64; 2]; 5] = [[0.5, 0.5], [0.25, 0.25], [0.75, 0.25], [0.25, 0.75], [0.75, 0.75]];

/// The land camera among the stars at one instant.
#[derive(Clone, Debug)]
pub(super) struct Placement {
    /// The moment.
    pub(super) instant: Instant,
    /// Reference camera to land camera at that moment.
    pub(super) rotation: Rotation3<f64>,
    /// North celestial pole in the reference camera's frame, where known.
    pub(super) pole: Option<Unit<Vector3<f64>>>,
    /// Mean residual of the land frames' stars.
    pub(super) rms_px: f64,
    /// The air and where the zenith stood, where site and times are known.
    pub(super) overhead: Option<Overhead>,
}

/// The zenith among the stars: where it stood at one moment, and the pole it goes round.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct Overhead {
    /// The air that refracts.
    pub(super) air: Air,
    /// The moment.
    pub(super) instant: Instant,
    /// Direction of the zenith then, in the reference camera's axes.
    pub(super) zenith: Vector3<f64>,
    /// North celestial pole in the same axes.
    pub(super) pole: Unit<Vector3<f64>>,
}

impl Overhead {
    /// The air with the zenith of a moment: the zenith goes east among the stars.
    pub(super) fn at(&self, moment: Instant) -> AirPath {
        let turn = Rotation3::from_axis_angle(&self.pole, EARTH_RATE * moment.seconds_since(self.instant));
        AirPath {
            air: self.air,
            zeniths: vec![turn * self.zenith],
        }
    }
}

impl Placement {
    /// Reference camera to land camera at another moment; `None` when the pole is not known.
    pub(super) fn rotation_at(&self, moment: Instant) -> Option<Rotation3<f64>> {
        self.pole
            .map(|pole| turned(&self.rotation, &pole, moment.seconds_since(self.instant)))
    }
    /// The same camera at another moment; `None` when the pole is not known.
    pub(super) fn moved_to(&self, moment: Instant) -> Option<Self> {
        Some(Self {
            instant: moment,
            rotation: self.rotation_at(moment)?,
            ..self.clone()
        })
    }
    /// The air at a moment.
    pub(super) fn air_at(&self, moment: Instant) -> Option<AirPath> {
        self.overhead.map(|o| o.at(moment))
    }
}

/// A ground-fixed camera's rotation `seconds` later.
fn turned(rotation: &Rotation3<f64>, pole: &Unit<Vector3<f64>>, seconds: f64) -> Rotation3<f64> {
    rotation * Rotation3::from_axis_angle(pole, -EARTH_RATE * seconds)
}

/// Places the land camera at `wanted`, by default the middle of the sightings.
///
/// `pole` from identification wins over the one that several sightings at different times give.
/// Without either, the sky is placed at the middle sighting, or by turning between the first and
/// last one. `None` without sightings.
pub(super) fn place(
    sightings: &[LandSighting],
    pole: Option<Unit<Vector3<f64>>>,
    wanted: Option<Instant>,
) -> Option<Placement> {
    let first = sightings.iter().min_by_key(|s| s.middle)?;
    let last = sightings.iter().max_by_key(|s| s.middle)?;
    let pole = pole.or_else(|| pole_from(first, last));
    let span = last.middle.seconds_since(first.middle);
    let middle = first.middle.plus_seconds(span / 2.0);
    let rms_px = sightings.iter().map(|s| s.rms_px).sum::<f64>() / sightings.len() as f64;
    let Some(axis) = pole else {
        let nearest = sightings.iter().min_by(|a, b| {
            let away = |s: &LandSighting| s.middle.seconds_since(middle).abs();
            away(a).total_cmp(&away(b))
        })?;
        return Some(Placement {
            instant: nearest.middle,
            rotation: nearest.rotation,
            pole: None,
            rms_px,
            overhead: None,
        });
    };
    let instant = wanted.unwrap_or(middle);
    let brought: Vec<_> = sightings
        .iter()
        .map(|s| turned(&s.rotation, &axis, instant.seconds_since(s.middle)))
        .collect();
    Some(Placement {
        instant,
        rotation: mean_rotation(&brought),
        pole,
        rms_px,
        overhead: None,
    })
}

/// The pole about which the sky turned between two sightings, if it turned at the Earth's rate.
fn pole_from(first: &LandSighting, last: &LandSighting) -> Option<Unit<Vector3<f64>>> {
    let seconds = last.middle.seconds_since(first.middle);
    let (axis, angle) = (first.rotation.inverse() * last.rotation).axis_angle()?;
    let expected = EARTH_RATE * seconds;
    // Under half a degree the axis is lost in the star residuals; a wrong rate means that the
    // tripod moved or that a clock is wrong.
    let plausible = expected > 0.5f64.to_radians() && (angle - expected).abs() < 0.05 * expected;
    plausible.then(|| Unit::new_unchecked(-axis.into_inner()))
}

/// The mean of nearly equal rotations, by averaging rotation vectors about the first.
fn mean_rotation(rotations: &[Rotation3<f64>]) -> Rotation3<f64> {
    let base = rotations[0];
    let mean = rotations
        .iter()
        .map(|r| (r * base.inverse()).scaled_axis())
        .sum::<Vector3<f64>>()
        / rotations.len() as f64;
    Rotation3::from_scaled_axis(mean) * base
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Instant {
        "2026-08-14T22:00:00Z"
            .parse::<Instant>()
            .expect("a valid instant")
            .plus_seconds(seconds)
    }

    fn sightings(pole: &Unit<Vector3<f64>>, start: &Rotation3<f64>, times: &[f64]) -> Vec<LandSighting> {
        times
            .iter()
            .map(|&t| LandSighting {
                middle: at(t),
                rotation: turned(start, pole, t),
                rms_px: 0.2,
                frame: 0,
                stars: 100,
            })
            .collect()
    }

    #[test]
    fn a_tripod_that_was_turned_or_rolled_did_not_stand() {
        let pole = Unit::new_normalize(Vector3::new(0.2, -0.9, 0.4));
        let lens = Lens::rectilinear(4000.0, 6000, 4000);
        let two = sightings(&pole, &Rotation3::from_euler_angles(0.3, 0.1, 0.2), &[0.0, 300.0]);
        let moved = |turn: Rotation3<f64>| {
            let other = LandSighting {
                rotation: turn * two[1].rotation,
                ..two[1]
            };
            two[0]
                .moved_px(&other, &pole, &lens, (6000, 4000))
                .expect("they are seen")
        };
        let [still, error] = moved(Rotation3::identity());
        assert!(
            still < 1e-6 && (error - 0.2 * 0.02f64.sqrt()).abs() < 1e-12,
            "{still} {error}"
        );
        // A pixel at the middle is 1/4000 rad; a roll by as much moves a place a quarter in by √(1500² + 1000²)/4000 px.
        let aside = moved(Rotation3::from_axis_angle(&Vector3::y_axis(), 1.0 / 4000.0))[0];
        assert!((1.0..1.2).contains(&aside), "{aside}");
        let rolled = moved(Rotation3::from_axis_angle(&Vector3::z_axis(), 1.0 / 4000.0))[0];
        assert!((rolled - 0.4507).abs() < 1e-3, "{rolled}");
    }

    #[test]
    fn sky_turns_as_the_ground_frame_says() {
        // The ground's rotation from `sky` is the outside reference for the sense of turning.
        let site = nightloom_sky::Site {
            latitude: nightloom_sky::Angle::from_deg(46.0),
            longitude: nightloom_sky::Angle::from_deg(8.0),
            elevation_m: 0.0,
        };
        let camera = Rotation3::from_euler_angles(0.3, -0.8, 1.1);
        let attitude = |t: f64| camera * site.ground_from_icrs(at(t));
        let reference = attitude(0.0);
        let truth = attitude(1800.0) * reference.inverse();
        // The true pole of date in ICRS moves by 0.15° from ICRS z until 2026; take it from the ground.
        let up = site.ground_from_icrs(at(0.0)).inverse()
            * Vector3::new(0.0, 46f64.to_radians().cos(), 46f64.to_radians().sin());
        let pole = Unit::new_normalize(reference * up);
        let ours = turned(&Rotation3::identity(), &pole, 1800.0);
        assert!(
            (truth * ours.inverse()).angle().to_degrees() * 3600.0 < 1.0,
            "within one arcsecond"
        );
    }

    #[test]
    fn the_zenith_goes_where_the_ground_frame_says() {
        let site = nightloom_sky::Site {
            latitude: nightloom_sky::Angle::from_deg(46.0),
            longitude: nightloom_sky::Angle::from_deg(8.0),
            elevation_m: 0.0,
        };
        let reference = Rotation3::from_euler_angles(0.3, -0.8, 1.1);
        let up = |t: f64| reference * (site.ground_from_icrs(at(t)).inverse() * Vector3::z());
        let north = Vector3::new(0.0, 46f64.to_radians().cos(), 46f64.to_radians().sin());
        let pole = Unit::new_normalize(reference * (site.ground_from_icrs(at(0.0)).inverse() * north));
        let overhead = Overhead {
            air: Air::default(),
            instant: at(0.0),
            zenith: up(0.0),
            pole,
        };
        let later = overhead.at(at(3600.0)).zeniths[0];
        assert!(
            later.angle(&up(3600.0)).to_degrees() * 3600.0 < 1.0,
            "within one arcsecond"
        );
    }

    #[test]
    fn pole_is_found_from_two_sightings() {
        let pole = Unit::new_normalize(Vector3::new(0.2, -0.7, 0.4));
        let start = Rotation3::from_euler_angles(0.1, 0.2, 0.3);
        let seen = sightings(&pole, &start, &[0.0, 400.0]);
        let placed = place(&seen, None, Some(at(1000.0))).expect("placed");
        let truth = turned(&start, &pole, 1000.0);
        assert!((placed.rotation * truth.inverse()).angle() < 1e-9);
    }

    #[test]
    fn one_sighting_without_pole_stays_at_its_own_instant() {
        let pole = Unit::new_normalize(Vector3::new(0.2, -0.7, 0.4));
        let seen = sightings(&pole, &Rotation3::identity(), &[120.0]);
        let placed = place(&seen, None, Some(at(1000.0))).expect("placed");
        assert_eq!(placed.instant, at(120.0));
        assert!(placed.rotation_at(at(0.0)).is_none());
    }

    #[test]
    fn a_moved_tripod_gives_no_pole() {
        let pole = Unit::new_normalize(Vector3::new(0.2, -0.7, 0.4));
        let mut seen = sightings(&pole, &Rotation3::identity(), &[0.0, 400.0]);
        seen[1].rotation = Rotation3::from_euler_angles(0.05, 0.0, 0.0) * seen[1].rotation;
        assert!(place(&seen, None, None).expect("placed").pole.is_none());
    }

    #[test]
    fn nothing_seen_is_nothing_placed() {
        assert!(place(&[], None, None).is_none());
    }
}
