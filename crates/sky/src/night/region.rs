//! Parts of the sky, and when something on its way is in them.

use nalgebra::{UnitVector3, Vector3};
use serde::{Deserialize, Serialize};

use super::path::{Path, altitude_of};
use super::ridge::Ridge;
use super::span::Spans;
use crate::{Air, Angle};

/// Nothing in the sky turns faster about the site, radians a second: the Earth's rate and a twentieth, which covers
/// the moon's own motion and its parallax.
const FASTEST_RAD_S: f64 = 7.292_115e-5 * 1.05;
/// Spans and gaps shorter than this may be missed, seconds.
const LEAST_S: f64 = 1.0;
/// Ends of spans are found to this, seconds.
const CLOSE_S: f64 = 1e-3;
/// Air lifts nothing that is above −1° by more than this.
const MOST_LIFT: Angle = Angle::from_deg(1.5);

/// A part of the sky.
pub(super) trait Region {
    /// Whether all directions within `radius` of this airless one are in (`Some(true)`) or out (`Some(false)`).
    /// With a radius of 0 there is always an answer.
    fn judge(&self, direction: &UnitVector3<f64>, radius: Angle) -> Option<bool>;
}

/// A box in azimuth and *apparent* altitude.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SkyBox {
    /// Azimuth of its left edge.
    pub from_azimuth: Angle,
    /// Azimuth of its right edge, clockwise from the left; as far as the left edge or a turn further is all round.
    pub to_azimuth: Angle,
    /// Its lower edge.
    pub least_altitude: Angle,
    /// Its upper edge.
    pub greatest_altitude: Angle,
}

impl Default for SkyBox {
    /// The whole sky.
    fn default() -> Self {
        Self {
            from_azimuth: Angle::from_deg(0.0),
            to_azimuth: Angle::from_deg(360.0),
            least_altitude: Angle::from_deg(-90.0),
            greatest_altitude: Angle::from_deg(90.0),
        }
    }
}

impl SkyBox {
    /// Its width, above 0° to 360°.
    pub fn width(&self) -> Angle {
        let width = (self.to_azimuth - self.from_azimuth).wrapped_360();
        if width.rad() > 0.0 {
            width
        } else {
            Angle::from_deg(360.0)
        }
    }

    fn judge_azimuth(&self, azimuth: Angle, slack: Angle) -> Option<bool> {
        let full = Angle::from_deg(360.0);
        let width = self.width();
        if width >= full {
            return Some(true);
        }
        // How far inside the nearer edge; negative outside.
        let past_left = (azimuth - self.from_azimuth).wrapped_360();
        let inside = if past_left <= width {
            past_left.rad().min((width - past_left).rad())
        } else {
            -(past_left - width).rad().min((full - past_left).rad())
        };
        (inside.abs() >= slack.rad()).then_some(inside >= 0.0)
    }

    fn judge_altitude(&self, low: Angle, high: Angle) -> Option<bool> {
        if low >= self.least_altitude && high <= self.greatest_altitude {
            Some(true)
        } else if high < self.least_altitude || low > self.greatest_altitude {
            Some(false)
        } else {
            None
        }
    }
}

/// A box seen through the air.
pub(super) struct Boxed<'a> {
    pub(super) sky_box: &'a SkyBox,
    pub(super) air: &'a Air,
}

impl Region for Boxed<'_> {
    fn judge(&self, direction: &UnitVector3<f64>, radius: Angle) -> Option<bool> {
        let altitude = altitude_of(direction);
        let azimuth = azimuth_of(direction);
        let low = self.air.lifted_altitude(altitude - radius);
        let high = if radius.rad() > 0.0 {
            self.air.lifted_altitude(altitude + radius)
        } else {
            low
        };
        let tall = self.sky_box.judge_altitude(low, high);
        let wide = match azimuth_slack(altitude, radius) {
            Some(slack) => self.sky_box.judge_azimuth(azimuth, slack),
            None if self.sky_box.width().deg() >= 360.0 => Some(true),
            None => None,
        };
        both(tall, wide)
    }
}

/// What stands over the land's edge.
pub(super) struct OverRidge<'a> {
    pub(super) ridge: &'a Ridge,
    pub(super) air: &'a Air,
}

impl Region for OverRidge<'_> {
    fn judge(&self, direction: &UnitVector3<f64>, radius: Angle) -> Option<bool> {
        let altitude = altitude_of(direction);
        let azimuth = azimuth_of(direction);
        if radius.rad() == 0.0 {
            return Some(self.air.lifted_altitude(altitude) >= self.ridge.altitude(azimuth));
        }
        let (lowest, highest) = match azimuth_slack(altitude, radius) {
            Some(slack) => self.ridge.range(azimuth - slack, azimuth + slack),
            None => self.ridge.whole(),
        };
        let (low, high) = (altitude - radius, altitude + radius);
        if high + MOST_LIFT < lowest {
            return Some(false);
        }
        if self.air.lifted_altitude(low) >= highest {
            Some(true)
        } else if self.air.lifted_altitude(high) < lowest {
            Some(false)
        } else {
            None
        }
    }
}

/// Two regions at once.
impl<A: Region, B: Region> Region for (A, B) {
    fn judge(&self, direction: &UnitVector3<f64>, radius: Angle) -> Option<bool> {
        match self.0.judge(direction, radius) {
            Some(false) => Some(false),
            first => both(first, self.1.judge(direction, radius)),
        }
    }
}

fn both(a: Option<bool>, b: Option<bool>) -> Option<bool> {
    match (a, b) {
        (Some(false), _) | (_, Some(false)) => Some(false),
        (Some(true), Some(true)) => Some(true),
        _ => None,
    }
}

fn azimuth_of(direction: &Vector3<f64>) -> Angle {
    Angle::from_rad(direction.x.atan2(direction.y)).wrapped_360()
}

/// How far in azimuth a circle of `radius` about something at `altitude` reaches; `None` if it holds the zenith.
fn azimuth_slack(altitude: Angle, radius: Angle) -> Option<Angle> {
    let sine = radius.sin() / altitude.cos().abs();
    (sine < 1.0 && radius.deg() < 90.0).then(|| Angle::from_rad(sine.asin()))
}

/// When what goes this way is in the region, between two times.
///
/// A cell of time about m of half width h is settled when the region holds all, or nothing, of what can be reached
/// from the direction at m within h; else it is halved, down to one second. So no span longer than that is missed.
pub(super) fn when_inside(path: &Path, region: &impl Region, from: f64, to: f64) -> Spans {
    let inside = |at: f64| region.judge(&path.direction(at), Angle::default()) == Some(true);
    let first = inside(from);
    let mut search = Search {
        path,
        region,
        changes: Vec::new(),
    };
    search.cell((from, first), (to, inside(to)));
    Spans::from_changes(first, from, &search.changes, to)
}

struct Search<'a, R> {
    path: &'a Path,
    region: &'a R,
    changes: Vec<f64>,
}

type End = (f64, bool);

impl<R: Region> Search<'_, R> {
    fn cell(&mut self, left: End, right: End) {
        let half = (right.0 - left.0) / 2.0;
        let middle = left.0 + half;
        if half * 2.0 <= LEAST_S {
            if left.1 != right.1 {
                self.changes.push(self.closer(left, right));
            }
            return;
        }
        let direction = self.path.direction(middle);
        let reach = Angle::from_rad(FASTEST_RAD_S * half);
        if self.region.judge(&direction, reach).is_some() {
            return;
        }
        let middle = (
            middle,
            self.region.judge(&direction, Angle::default()) == Some(true),
        );
        self.cell(left, middle);
        self.cell(middle, right);
    }

    fn closer(&self, left: End, right: End) -> f64 {
        let (mut a, mut b) = (left.0, right.0);
        while b - a > CLOSE_S {
            let middle = a + (b - a) / 2.0;
            let inside = self.region.judge(&self.path.direction(middle), Angle::default()) == Some(true);
            if inside == left.1 {
                a = middle
            } else {
                b = middle
            };
        }
        a + (b - a) / 2.0
    }
}
