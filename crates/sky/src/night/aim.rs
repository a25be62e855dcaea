//! Where to point: a subject's place at the beginning, the best moment and the end of each of its windows.

use serde::Serialize;

use super::path::{Path, altitude_of};
use super::show;
use super::sky::NightSky;
use super::span::{Span, Spans};
use crate::Instant;
use crate::magnetic::declination;
use crate::subjects::milky_way::Arch;

/// Farther than this from the Milky Way's middle, degrees, its lean says nothing of the picture (common practice, no
/// source).
const NEAR_BAND_DEG: f64 = 25.0;

/// Where something stands at one moment, and what is round it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Aim {
    /// When.
    #[serde(serialize_with = "show::instant")]
    pub at: Instant,
    /// Azimuth from true north through east, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub azimuth_deg: f64,
    /// The same as a compass shows it there, degrees; none outside the years of the field's model, or where a compass
    /// cannot be relied on.
    #[serde(serialize_with = "show::maybe_coarse")]
    pub compass_deg: Option<f64>,
    /// Altitude as seen through the air, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub altitude_deg: f64,
    /// How the Milky Way's band leans where it passes the subject, degrees clockwise from upright as one faces it, −90
    /// to 90; none for what is far from the band.
    #[serde(serialize_with = "show::maybe_coarse")]
    pub milky_way_lean_deg: Option<f64>,
    /// The moon's azimuth, degrees.
    #[serde(serialize_with = "show::coarse")]
    pub moon_azimuth_deg: f64,
    /// The moon's altitude, airless, degrees; below the horizon negative.
    #[serde(serialize_with = "show::coarse")]
    pub moon_altitude_deg: f64,
}

/// Where to point through one window.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pointing {
    /// The window.
    #[serde(flatten)]
    pub span: Span,
    /// Whether the moon is up in it: such windows stand here when there is no other.
    pub moonlit: bool,
    /// At its beginning.
    pub start: Aim,
    /// When a minute is worth most.
    pub best: Aim,
    /// At its end.
    pub end: Aim,
}

impl NightSky<'_> {
    /// Where to point through each of these windows.
    pub(super) fn pointing(&self, path: &Path, windows: &Spans, moonlit: bool) -> Vec<Pointing> {
        let of = |(from, to): (f64, f64)| {
            let alone = Spans::from_changes(true, from, &[], to);
            let best = self.worth(path, &alone).best;
            let best = best.map_or((from + to) / 2.0, |(at, _)| at);
            Pointing {
                span: Span {
                    from: self.window.from.plus_seconds(from),
                    to: self.window.from.plus_seconds(to),
                },
                moonlit,
                start: self.aim(path, from),
                best: self.aim(path, best),
                end: self.aim(path, to),
            }
        };
        windows.iter().map(of).collect()
    }

    /// Where what goes this way stands at seconds after the window's beginning.
    pub fn aim(&self, path: &Path, seconds: f64) -> Aim {
        let at = self.window.from.plus_seconds(seconds);
        let site = &self.nights.standpoint.site;
        let direction = path.direction(seconds);
        let azimuth = path.azimuth(seconds);
        let field = declination(site.latitude.deg(), site.longitude.deg(), site.elevation_m, at).ok();
        let compass = field
            .filter(|f| !f.unreliable)
            .map(|f| (azimuth - f.angle).wrapped_360());
        let arch = Arch::new(&site.ground_from_icrs(at));
        let (longitude, latitude) = arch.galactic(&direction);
        let near = latitude.deg().abs() <= NEAR_BAND_DEG;
        Aim {
            at,
            azimuth_deg: azimuth.deg(),
            compass_deg: compass.map(|c| c.deg()),
            altitude_deg: self.nights.air.lifted_altitude(altitude_of(&direction)).deg(),
            milky_way_lean_deg: near.then(|| 90.0 - arch.lean(longitude).deg()),
            moon_azimuth_deg: self.moon.azimuth(seconds).deg(),
            moon_altitude_deg: self.moon.altitude(seconds).deg(),
        }
    }
}
