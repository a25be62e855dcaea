//! The skyline itself: altitudes at equal steps of azimuth.

use serde::{Deserialize, Serialize};

use crate::Angle;

/// The most points a skyline may have: one every 0.001°.
const MOST_POINTS: usize = 360_000;

/// The altitude of the terrain's edge all round, as seen from the camera.
///
/// Altitudes are *apparent*: above the astronomical horizon, with the terrestrial refraction that
/// lifts the land in them. Compare them with the refracted altitude of a star, never with an
/// airless one. Points stand at equal steps of azimuth, the first at north, the others on through
/// east; between two points the edge is straight.
///
/// ```
/// use nightloom_sky::{Angle, Skyline};
/// let wall = Skyline::new([10.0, 20.0, 10.0, 0.0].map(Angle::from_deg).to_vec())?;
/// assert!((wall.altitude(Angle::from_deg(315.0)).deg() - 5.0).abs() < 1e-9);
/// # Ok::<(), nightloom_sky::SkylineError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Stored", into = "Stored")]
pub struct Skyline {
    altitudes_deg: Vec<f64>,
    /// As many as altitudes, or none at all. Infinite where the edge is no land.
    edges_m: Vec<f64>,
}

/// What cannot be a skyline.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SkylineError {
    /// No point, or too many.
    #[error(
        "a skyline has from 1 to {MOST_POINTS} points, found {found}; give one altitude per step of azimuth"
    )]
    Count {
        /// How many there were.
        found: usize,
    },
    /// An altitude that no edge can have.
    #[error(
        "a skyline's altitudes lie between -90° and 90°, found {found_deg} at azimuth {azimuth_deg}°; correct that point"
    )]
    Altitude {
        /// Where, degrees.
        azimuth_deg: f64,
        /// What was found, degrees.
        found_deg: f64,
    },
    /// Distances that do not fit.
    #[error(
        "a skyline has one distance of its edge per altitude ({needed}), each above 0 m or none at all, found {found} that fit"
    )]
    Distances {
        /// How many altitudes there are.
        needed: usize,
        /// How many fitting distances there were.
        found: usize,
    },
}

impl Default for Skyline {
    fn default() -> Self {
        Self::flat()
    }
}

impl Skyline {
    /// The astronomical horizon: 0° all round.
    pub fn flat() -> Self {
        Self {
            altitudes_deg: vec![0.0],
            edges_m: Vec::new(),
        }
    }

    /// From apparent altitudes at equal steps of azimuth, the first at north, on through east. The
    /// point after the last would be north again and is not given.
    ///
    /// # Errors
    /// No points or more than 360 000; an altitude that is no number or beyond ±90°.
    pub fn new(altitudes: Vec<Angle>) -> Result<Self, SkylineError> {
        let altitudes_deg: Vec<f64> = altitudes.into_iter().map(Angle::deg).collect();
        let count = altitudes_deg.len();
        if !(1..=MOST_POINTS).contains(&count) {
            return Err(SkylineError::Count { found: count });
        }
        match altitudes_deg.iter().position(|a| a.is_nan() || a.abs() > 90.0) {
            Some(at) => Err(SkylineError::Altitude {
                azimuth_deg: at as f64 * 360.0 / count as f64,
                found_deg: altitudes_deg[at],
            }),
            None => Ok(Self {
                altitudes_deg,
                edges_m: Vec::new(),
            }),
        }
    }

    /// The same skyline with the distance of its edge in metres at each point, infinite where the
    /// edge is no land.
    ///
    /// # Errors
    /// Not one distance per altitude, or one that is not above 0.
    pub fn with_edges_m(self, edges_m: Vec<f64>) -> Result<Self, SkylineError> {
        let needed = self.altitudes_deg.len();
        let found = edges_m.iter().filter(|d| **d > 0.0).count();
        if found != needed || edges_m.len() != needed {
            return Err(SkylineError::Distances { needed, found });
        }
        Ok(Self { edges_m, ..self })
    }

    /// Apparent altitude of the edge at any azimuth.
    ///
    /// # Units
    /// Azimuth from true north through east, any number of turns.
    pub fn altitude(&self, azimuth: Angle) -> Angle {
        let (here, next, part) = self.between(azimuth);
        let (a, b) = (self.altitudes_deg[here], self.altitudes_deg[next]);
        Angle::from_deg(a + (b - a) * part)
    }

    /// Distance of the edge at the nearest point, metres; `None` where it is not known or no land.
    pub fn edge_m(&self, azimuth: Angle) -> Option<f64> {
        let (here, next, part) = self.between(azimuth);
        let nearest = if part < 0.5 { here } else { next };
        self.edges_m.get(nearest).copied().filter(|d| d.is_finite())
    }

    /// The step from point to point.
    pub fn step(&self) -> Angle {
        Angle::from_deg(360.0 / self.altitudes_deg.len() as f64)
    }

    /// All points in order: azimuth and apparent altitude.
    pub fn points(&self) -> impl ExactSizeIterator<Item = (Angle, Angle)> + '_ {
        let count = self.altitudes_deg.len() as f64;
        let place = move |n: usize| Angle::from_deg(n as f64 * 360.0 / count);
        let altitudes = self.altitudes_deg.iter().enumerate();
        altitudes.map(move |(n, a)| (place(n), Angle::from_deg(*a)))
    }

    /// The highest point: azimuth and apparent altitude; the first of equal ones.
    pub fn highest(&self) -> (Angle, Angle) {
        self.extreme(|a, best| a > best)
    }

    /// The lowest point: azimuth and apparent altitude; the first of equal ones.
    pub fn lowest(&self) -> (Angle, Angle) {
        self.extreme(|a, best| a < best)
    }

    fn extreme(&self, better: impl Fn(Angle, Angle) -> bool) -> (Angle, Angle) {
        let first = (Angle::default(), Angle::from_deg(self.altitudes_deg[0]));
        self.points()
            .fold(first, |best, p| if better(p.1, best.1) { p } else { best })
    }

    /// The points on both sides of an azimuth, and how far it is from the first to the second.
    fn between(&self, azimuth: Angle) -> (usize, usize, f64) {
        let count = self.altitudes_deg.len();
        let place = azimuth.deg().rem_euclid(360.0) * (count as f64 / 360.0);
        // An azimuth just below 0 wraps to 360 itself, and one that is no number is taken as north.
        let here = (place as usize).min(count - 1);
        let part = (place - here as f64).clamp(0.0, 1.0);
        let next = if here + 1 == count { 0 } else { here + 1 };
        (here, next, if part.is_nan() { 0.0 } else { part })
    }
}

/// The stored form: numbers in degrees and metres.
#[derive(Serialize, Deserialize)]
struct Stored {
    altitudes_deg: Vec<f64>,
    /// `null` where the edge is no land.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    edges_m: Vec<Option<f64>>,
}

impl From<Skyline> for Stored {
    fn from(skyline: Skyline) -> Self {
        let distance = |d: f64| d.is_finite().then_some(d);
        Self {
            altitudes_deg: skyline.altitudes_deg,
            edges_m: skyline.edges_m.into_iter().map(distance).collect(),
        }
    }
}

impl TryFrom<Stored> for Skyline {
    type Error = SkylineError;
    fn try_from(stored: Stored) -> Result<Self, SkylineError> {
        let altitudes = stored.altitudes_deg.into_iter().map(Angle::from_deg);
        let skyline = Self::new(altitudes.collect())?;
        if stored.edges_m.is_empty() {
            return Ok(skyline);
        }
        let edges = stored.edges_m.into_iter();
        skyline.with_edges_m(edges.map(|d| d.unwrap_or(f64::INFINITY)).collect())
    }
}
