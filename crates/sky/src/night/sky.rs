//! One night with the ways of sun and moon through it.

use super::crossing::{Crossing, crossings};
use super::path::{Path, Timeline};
use super::region::{OverRidge, when_inside};
use super::span::{Span, Spans};
use super::{NightError, Nights, Window};
use crate::subjects::milky_way::Arch;
use crate::{Angle, DateError, SolarBody, Target};

/// Bound of the second derivative of a direction's component, per second squared: the square of the Earth's rate and
/// a tenth, which covers the moon's own motion and parallax.
const BEND: f64 = 7.292_115e-5 * 7.292_115e-5 * 1.1;
/// Refraction at the horizon, by convention.
const HORIZON_LIFT: Angle = Angle::from_arcmin(34.0);

/// One night, ready to be asked about anything in it.
#[derive(Clone, Debug)]
pub struct NightSky<'a> {
    pub(super) nights: &'a Nights,
    pub(super) window: Window,
    pub(super) sun: Path,
    pub(super) moon: Path,
    /// Sun below the limit of darkness.
    pub(super) night: Spans,
    /// Sun below that limit and moon below the horizon.
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
        let night_deg = nights.standpoint.dark_limit.deg();
        let night = down(
            &sun_crossings(&sun, night_deg),
            sun.altitude(0.0).deg() >= night_deg,
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

    /// When it is dark: the sun below the limit, the moon below the horizon.
    pub fn dark(&self) -> Vec<Span> {
        self.dark.after(self.window.from)
    }

    /// When the sun is below the limit, moon or not.
    pub fn dark_hours(&self) -> Vec<Span> {
        self.night.after(self.window.from)
    }

    /// When the sun's centre is between two airless altitudes, degrees.
    pub fn sun_between(&self, low_deg: f64, high_deg: f64) -> Vec<Span> {
        let below = |limit: f64| {
            let at: Vec<f64> = sun_crossings(&self.sun, limit).iter().map(|c| c.at).collect();
            Spans::from_changes(
                self.sun.altitude(0.0).deg() < limit,
                0.0,
                &at,
                self.window.length_s(),
            )
        };
        let above = |limit: f64| {
            let at: Vec<f64> = sun_crossings(&self.sun, limit).iter().map(|c| c.at).collect();
            Spans::from_changes(
                self.sun.altitude(0.0).deg() >= limit,
                0.0,
                &at,
                self.window.length_s(),
            )
        };
        below(high_deg).and(&above(low_deg)).after(self.window.from)
    }

    /// The lit part of the moon's disc at the window's midnight, 0 to 1.
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn moon_lit(&self) -> Result<f64, DateError> {
        crate::moon_illuminated_fraction(self.window.midnight)
    }

    /// The Milky Way's arch at seconds after the window's beginning.
    pub fn arch(&self, seconds: f64) -> Arch {
        let at = self.window.from.plus_seconds(seconds);
        Arch::new(&self.nights.standpoint.site.ground_from_icrs(at))
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
