//! One night with the ways of sun and moon through it.

use super::crossing::{Crossing, crossings};
use super::path::{Path, Timeline};
use super::region::{OverRidge, when_inside};
use super::span::Spans;
use super::{NightError, Nights, Window};
use crate::{Angle, SolarBody, Target};

/// Bound of the second derivative of a direction's component, per second squared: the square of the Earth's rate and
/// a tenth, which covers the moon's own motion and parallax.
const BEND: f64 = 7.292_115e-5 * 7.292_115e-5 * 1.1;
/// The sun's centre when night begins.
const NIGHT_DEG: f64 = -18.0;
/// Refraction at the horizon, by convention.
const HORIZON_LIFT: Angle = Angle::from_arcmin(34.0);

/// One night, ready to be asked about anything in it.
#[derive(Clone, Debug)]
pub struct NightSky<'a> {
    pub(super) nights: &'a Nights,
    pub(super) window: Window,
    pub(super) sun: Path,
    pub(super) moon: Path,
    /// Sun below −18°.
    pub(super) night: Spans,
    /// Sun below −18° and moon below the horizon.
    pub(super) dark: Spans,
    timeline: Timeline,
}

impl<'a> NightSky<'a> {
    pub(super) fn over(nights: &'a Nights, window: Window) -> Result<Self, NightError> {
        let timeline = Timeline::over(&nights.watch, window.from, window.to)?;
        let sun = timeline.path(&Target::Body(SolarBody::Sun));
        let moon = timeline.path(&Target::Body(SolarBody::Moon));
        let length = window.length_s();
        let down = |changes: &[Crossing], above_at_first: bool| {
            let at: Vec<f64> = changes.iter().map(|c| c.at).collect();
            Spans::from_changes(!above_at_first, 0.0, &at, length)
        };
        let night = down(
            &sun_crossings(&sun, NIGHT_DEG),
            sun.altitude(0.0).deg() >= NIGHT_DEG,
        );
        let moonless = down(&moon_crossings(&moon), limb_over_horizon(&moon, 0.0).0 >= 0.0);
        Ok(Self {
            dark: night.and(&moonless),
            night,
            nights,
            window,
            sun,
            moon,
            timeline,
        })
    }

    /// Noon to noon.
    pub fn window(&self) -> &Window {
        &self.window
    }

    /// The sun's way.
    pub fn sun(&self) -> &Path {
        &self.sun
    }

    /// The moon's way.
    pub fn moon(&self) -> &Path {
        &self.moon
    }

    /// The way of anything.
    pub fn path(&self, target: &Target) -> Path {
        self.timeline.path(target)
    }

    /// When what goes this way stands over the skyline, refraction in.
    pub(super) fn over_skyline(&self, path: &Path) -> Spans {
        self.over_skyline_within(path, 0.0, self.window.length_s())
    }

    /// The same of the part of the night only, and so for less work where the day does not matter.
    pub(super) fn over_skyline_at_night(&self, path: &Path) -> Spans {
        let first = self.night.iter().map(|(from, _)| from).next();
        let last = self.night.iter().map(|(_, to)| to).last();
        match (first, last) {
            (Some(from), Some(to)) => self.over_skyline_within(path, from, to),
            _ => Spans::default(),
        }
    }

    fn over_skyline_within(&self, path: &Path, from: f64, to: f64) -> Spans {
        let region = OverRidge {
            ridge: &self.nights.ridge,
            air: &self.nights.air,
        };
        when_inside(path, &region, from, to)
    }
}

/// When the sun's centre passes an airless altitude.
pub(super) fn sun_crossings(sun: &Path, altitude_deg: f64) -> Vec<Crossing> {
    let threshold = Angle::from_deg(altitude_deg).sin();
    let above = |at: f64| {
        let (value, rate) = sun.state(at);
        (value.z - threshold, rate.z)
    };
    crossings(&above, BEND, 0.0, sun.length_s())
}

/// When the moon's upper limb passes the horizon, lifted by 34′.
pub(super) fn moon_crossings(moon: &Path) -> Vec<Crossing> {
    crossings(&|at| limb_over_horizon(moon, at), BEND, 0.0, moon.length_s())
}

/// sin(altitude) − sin(−34′ − semidiameter) of the moon from the site, and its slope.
fn limb_over_horizon(moon: &Path, at: f64) -> (f64, f64) {
    let (value, rate) = moon.state(at);
    let radius = SolarBody::Moon.radius_km() / 1e3;
    let (sine, sine_rate) = (radius * value.w, radius * rate.w);
    let cosine = (1.0 - sine * sine).sqrt();
    let (sin_lift, cos_lift) = (HORIZON_LIFT.sin(), HORIZON_LIFT.cos());
    (
        value.z + sin_lift * cosine + cos_lift * sine,
        rate.z + sine_rate * (cos_lift - sin_lift * sine / cosine),
    )
}

/// When something passes the meridian; `up` where it does so on the zenith's side of the pole.
pub(super) fn transits(path: &Path) -> Vec<Crossing> {
    let west = |at: f64| {
        let (value, rate) = path.state(at);
        (-value.x, -rate.x)
    };
    crossings(&west, BEND, 0.0, path.length_s())
}
