//! The path of one star, or of a stone, on the sensor.

use nalgebra::{Rotation3, Vector3};
use nightloom_sky::{Air, Angle};

use super::{Scene, Tracker, TrailError, longest_night_s};
use crate::field::{Range, check};
use crate::{Camera, level};

/// The path is followed in steps no larger than this turn of the sky, and in no fewer than
/// `FEWEST_STEPS`, `STEPS_PER_PERIOD` to a period of the gear.
const STEP_DEG: f64 = 1.0;
const FEWEST_STEPS: usize = 16;
const STEPS_PER_PERIOD: f64 = 48.0;
/// A gear of a few seconds over hours is no longer followed turn by turn.
const MOST_STEPS: usize = 2000;

/// What moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trailing {
    /// The stars.
    Sky,
    /// The ground.
    Land,
}

/// The trail of one point.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Trail {
    /// Length of the path on the sensor, pixels.
    pub length_px: f64,
    /// Length of the path in the camera's frame of directions.
    pub length: Angle,
    /// Largest distance between two points of the path, pixels.
    pub extent_px: f64,
    /// From the beginning to the end of the path, pixels right and down.
    pub shift_px: [f64; 2],
}

/// One exposure: the target at the middle of the picture and the camera level when the shutter opens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shot {
    /// Place and target.
    pub scene: Scene,
    /// Lens and sensor.
    pub camera: Camera,
    /// What turns the camera; `None` where it is fixed.
    pub tracker: Option<Tracker>,
    /// Refracting air; `None` for the geometry alone. With air the middle of the picture is the
    /// target's apparent place.
    pub air: Option<Air>,
    /// Exposure, seconds.
    pub seconds: f64,
}

impl Shot {
    /// The exposure, if it is one.
    ///
    /// # Errors
    /// Where it is not above zero, or longer than the longest night at the latitude.
    pub fn checked(self) -> Result<Self, TrailError> {
        check("the exposure in seconds", self.seconds, Range::Positive, "120")?;
        let night_s = longest_night_s(self.scene.latitude());
        if self.seconds > night_s {
            return Err(TrailError::LongerThanNight {
                seconds: self.seconds,
                latitude_deg: self.scene.latitude().deg(),
                night_s,
            });
        }
        Ok(self)
    }

    /// The rotation from the ground frame to the camera's when the shutter opens.
    pub fn camera_from_ground(&self) -> Rotation3<f64> {
        let target = self.scene.target();
        level(&self.air.map_or(target, |air| air.lift(&target)))
    }

    /// The motion, sampled in time.
    pub(super) fn motion(&self) -> Motion {
        Motion::new(self, self.steps())
    }

    fn steps(&self) -> usize {
        let turn = Angle::from_arcsec(super::SIDEREAL_ARCSEC_PER_S * self.seconds).deg() / STEP_DEG;
        let periodic = self.tracker.and_then(|t| t.periodic);
        let gear = periodic.map_or(0.0, |p| self.seconds / p.period_s * STEPS_PER_PERIOD);
        let steps = turn.max(gear).ceil().min(MOST_STEPS as f64) as usize;
        // Even, for the extrapolation from two step lengths.
        steps.max(FEWEST_STEPS).next_multiple_of(2)
    }

    /// The trail of what is at `pixel` when the shutter opens.
    ///
    /// The path is followed beyond the edges of the sensor. `None` where the lens makes no picture at
    /// `pixel`, or where the path leaves what the lens can show.
    pub fn trail(&self, pixel: [f64; 2], subject: Trailing) -> Option<Trail> {
        self.motion().trail(&self.camera, pixel, subject)
    }
}

/// Rotations at equal steps of time.
pub(super) struct Motion {
    start: Rotation3<f64>,
    air: Option<Air>,
    /// The turning of the sky in the ground frame, and from the ground to the camera then.
    moments: Vec<(Rotation3<f64>, Rotation3<f64>)>,
}

impl Motion {
    pub(super) fn new(shot: &Shot, steps: usize) -> Self {
        let start = shot.camera_from_ground();
        let pole = shot.scene.north_pole();
        let moment = |n: usize| {
            let seconds = shot.seconds * n as f64 / steps as f64;
            let camera = match &shot.tracker {
                Some(tracker) => start * tracker.turn(&pole, seconds).inverse(),
                None => start,
            };
            (shot.scene.sky_turn(seconds), camera)
        };
        Self {
            start,
            air: shot.air,
            moments: (0..=steps).map(moment).collect(),
        }
    }

    /// Directions in the camera's frame, one for each moment.
    fn directions(&self, first: &Vector3<f64>, subject: Trailing) -> impl Iterator<Item = Vector3<f64>> {
        let ground = self.start.inverse() * first;
        let air = self.air.filter(|_| subject == Trailing::Sky);
        let airless = air.map_or(ground, |air| air.lower(&ground));
        self.moments
            .iter()
            .map(move |(sky, camera)| match (subject, air) {
                (Trailing::Land, _) => camera * ground,
                (Trailing::Sky, None) => camera * (sky * airless),
                (Trailing::Sky, Some(air)) => camera * air.lift(&(sky * airless)),
            })
    }

    /// Length of the path in pixels only: what searches over the frame need.
    pub(super) fn length_px(&self, camera: &Camera, pixel: [f64; 2], subject: Trailing) -> Reach {
        let Some(first) = camera.lens.unproject(pixel) else {
            return Reach::Dark;
        };
        let mut length = PathLength::default();
        let mut before: [Option<[f64; 2]>; 2] = [None; 2];
        for direction in self.directions(&first, subject) {
            let Some(here) = camera.lens.project(&direction) else {
                return Reach::Leaves;
            };
            length.add(before.map(|b| b.map(|b| distance(b, here))));
            before = [Some(here), before[0]];
        }
        Reach::Length(length.total())
    }

    pub(super) fn trail(&self, camera: &Camera, pixel: [f64; 2], subject: Trailing) -> Option<Trail> {
        let first = camera.lens.unproject(pixel)?;
        let directions: Vec<Vector3<f64>> = self.directions(&first, subject).collect();
        let places = directions
            .iter()
            .map(|d| camera.lens.project(d))
            .collect::<Option<Vec<_>>>()?;
        let (begin, end) = (places.first()?, places.last()?);
        Some(Trail {
            length_px: path_length(&places, |a, b| distance(*a, *b)),
            length: Angle::from_rad(path_length(&directions, separation)),
            extent_px: extent(&places),
            shift_px: [end[0] - begin[0], end[1] - begin[1]],
        })
    }

    /// Extent of the path, pixels.
    pub(super) fn extent_px(&self, camera: &Camera, pixel: [f64; 2]) -> Option<f64> {
        let first = camera.lens.unproject(pixel)?;
        let places = self
            .directions(&first, Trailing::Sky)
            .map(|d| camera.lens.project(&d))
            .collect::<Option<Vec<_>>>()?;
        Some(extent(&places))
    }
}

/// Where the path of a point goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Reach {
    /// The lens makes no picture there.
    Dark,
    /// The path leaves what the lens can show.
    Leaves,
    /// Pixels.
    Length(f64),
}

impl Reach {
    /// For comparing: no picture is shorter than any path, a path without end longer.
    pub(super) fn px(self) -> f64 {
        match self {
            Self::Dark => f64::NEG_INFINITY,
            Self::Leaves => f64::INFINITY,
            Self::Length(px) => px,
        }
    }
}

/// Sums of chords over single and double steps.
#[derive(Default)]
struct PathLength {
    single: f64,
    double: f64,
    count: usize,
}

impl PathLength {
    /// Adds a moment by its distances from the one before and the one before that.
    fn add(&mut self, from: [Option<f64>; 2]) {
        self.single += from[0].unwrap_or(0.0);
        if self.count.is_multiple_of(2) {
            self.double += from[1].unwrap_or(0.0);
        }
        self.count += 1;
    }

    /// A chord is short of its arc by a term in the square of the step, which two step lengths
    /// take out (Richardson 1911).
    fn total(&self) -> f64 {
        self.single + (self.single - self.double) / 3.0
    }
}

fn path_length<T>(points: &[T], apart: impl Fn(&T, &T) -> f64) -> f64 {
    let mut length = PathLength::default();
    for (n, here) in points.iter().enumerate() {
        let back = |k: usize| n.checked_sub(k).map(|m| apart(&points[m], here));
        length.add([back(1), back(2)]);
    }
    length.total()
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn separation(a: &Vector3<f64>, b: &Vector3<f64>) -> f64 {
    2.0 * ((a - b).norm() / 2.0).min(1.0).asin()
}

/// Largest distance between two of at most about a hundred points of the path.
fn extent(places: &[[f64; 2]]) -> f64 {
    let stride = places.len().div_ceil(100).max(1);
    let some: Vec<[f64; 2]> = places
        .iter()
        .step_by(stride)
        .chain(places.last())
        .copied()
        .collect();
    let mut most: f64 = 0.0;
    for (n, a) in some.iter().enumerate() {
        for b in &some[n + 1..] {
            most = most.max((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2));
        }
    }
    most.sqrt()
}
