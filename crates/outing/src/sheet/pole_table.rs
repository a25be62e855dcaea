//! The pole star's place through the night, for a page that computes no astronomy.

use nightloom_sky::night::{NightError, Span, Standpoint};
use nightloom_sky::{Instant, PoleStar, Watch, pole_star};
use serde::Serialize;

/// From row to row, seconds. Between rows the clock angle runs straight within 0.01°, except where the pole is low.
const EVERY_S: f64 = 600.0;

/// Lower than this the air plays with the star, and the land hides it (common practice, no source).
const LOW_DEG: f64 = 10.0;

/// Clock angle and separation at equal steps, as the eye sees them.
#[derive(Clone, Debug, Serialize)]
pub struct PoleTable {
    /// The pole star.
    pub star: &'static str,
    /// Whether it is the southern pole.
    pub south: bool,
    /// Altitude at which the pole is seen, degrees.
    pub pole_altitude_deg: f64,
    /// The first row.
    pub from: Instant,
    /// From row to row, seconds.
    pub every_s: f64,
    /// The rows.
    pub rows: Vec<PoleRow>,
}

/// One instant.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct PoleRow {
    /// 0° straight up, clockwise as one faces the pole; refraction in.
    pub clock_angle_deg: f64,
    /// From the pole, refraction in.
    pub separation_arcmin: f64,
}

impl PoleTable {
    /// Over a span, its end included.
    ///
    /// # Errors
    /// Instants whose sky is not known.
    pub fn over(standpoint: &Standpoint, span: Span) -> Result<Self, NightError> {
        let site = &standpoint.site;
        let watch = Watch::over(site, standpoint.orientation, span.from, span.to)?;
        let watch = match standpoint.air {
            Some(air) => watch.with_air(air),
            None => watch,
        };
        let seconds = span.to.seconds_since(span.from);
        let count = (seconds / EVERY_S).ceil() as usize;
        let mut rows = Vec::with_capacity(count + 1);
        let mut pole_altitude_deg = 0.0;
        for row in 0..=count {
            let observer = watch.at(span.from.plus_seconds(EVERY_S * row as f64))?;
            let (_, view) = pole_star(&observer);
            pole_altitude_deg = view.refracted_pole_altitude.deg();
            rows.push(PoleRow {
                clock_angle_deg: rounded(view.refracted.clock_angle.deg(), 1e3),
                separation_arcmin: rounded(view.refracted.separation.arcmin(), 1e3),
            });
        }
        let star = PoleStar::over(site.latitude);
        Ok(Self {
            star: star.name,
            south: *star == PoleStar::SIGMA_OCTANTIS,
            pole_altitude_deg: rounded(pole_altitude_deg, 1e3),
            from: span.from,
            every_s: EVERY_S,
            rows,
        })
    }

    /// Whether the pole stands too low for sighting.
    pub fn is_low(&self) -> bool {
        self.pole_altitude_deg < LOW_DEG
    }

    /// When a row is.
    pub fn at(&self, row: usize) -> Instant {
        self.from.plus_seconds(self.every_s * row as f64)
    }

    /// Every third row, each half-hour, that lies in a span or next to it.
    pub fn half_hours(&self, span: Span) -> impl Iterator<Item = (Instant, PoleRow)> + '_ {
        let rows = self.rows.iter().enumerate().step_by(3);
        rows.map(|(row, place)| (self.at(row), *place))
            .filter(move |(at, _)| at.plus_seconds(1800.0) > span.from && at.plus_seconds(-1800.0) < span.to)
    }
}

fn rounded(value: f64, scale: f64) -> f64 {
    (value * scale).round() / scale
}

impl PoleRow {
    /// As the hour hand of a clock would stand: `4:22`.
    pub fn hand(&self) -> String {
        let minutes = (self.clock_angle_deg * 2.0).round() as u32 % 720;
        let hour = if minutes < 60 { 12 } else { minutes / 60 };
        format!("{hour}:{:02}", minutes % 60)
    }
}
