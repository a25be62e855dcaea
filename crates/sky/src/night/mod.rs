//! Questions about nights: one night's events, each night of a year, the nights when a subject stands right.
//!
//! [`Nights`] holds the standpoint and what is computed once for a span of dates; it answers with a [`Night`], a
//! [`Year`] or the [`Chance`]s of [`Nights::when`]. A night goes from noon to noon of the site's clock.

mod aim;
mod crossing;
mod events;
mod grade;
mod one;
mod path;
mod region;
mod ridge;
mod show;
mod shower;
mod sky;
mod span;
mod subject;
mod when;
mod window;
mod year;

use jiff::civil::Date;
use jiff::tz::TimeZone;

pub use aim::{Aim, Pointing};
pub use events::{Culmination, MoonEvents, SunEvents};
pub use grade::NightSample;
pub use one::Night;
pub use path::{Path, Timeline};
pub use region::SkyBox;
pub use shower::ShowerRate;
pub use sky::NightSky;
pub use span::Span;
pub use subject::SubjectNight;
pub use when::{Chance, WhenQuestion};
pub use window::{Window, WindowError, YEARS};
pub use year::{Year, YearNight};

use crate::brightness::SkyOverSite;
use crate::{Air, Angle, EarthOrientation, PlaceError, Site, Skyline, Watch};
use ridge::Ridge;

/// The sun's centre when night begins, unless told otherwise: the end of astronomical twilight.
pub const DARK_LIMIT: Angle = Angle::from_deg(-18.0);

/// Where one stands: the place, its land and its air.
#[derive(Clone, Debug)]
pub struct Standpoint {
    /// The place.
    pub site: Site,
    /// What is known of the Earth's rotation.
    pub orientation: EarthOrientation,
    /// The land's edge; the astronomical horizon when nothing is known.
    pub skyline: Skyline,
    /// The air that lifts the subject over the land's edge; typical air at this elevation and 10 °C if not given.
    pub air: Option<Air>,
    /// How bright the sky is.
    pub sky: SkyOverSite,
    /// The altitude of the sun's centre below which it is night: −18° for the end of astronomical twilight.
    pub dark_limit: Angle,
}

impl Standpoint {
    /// A place with a flat horizon under a natural sky.
    pub fn at(site: Site) -> Self {
        Self {
            site,
            orientation: EarthOrientation::default(),
            skyline: Skyline::flat(),
            air: None,
            sky: SkyOverSite::default(),
            dark_limit: DARK_LIMIT,
        }
    }

    /// The air there: what is given, or what is typical at this elevation and 10 °C.
    pub fn air_there(&self) -> Air {
        let usual = || Air::at_elevation(self.site.elevation_m, USUAL_C);
        self.air.unwrap_or_else(usual)
    }
}

/// A question about nights that has no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NightError {
    /// The evening is none.
    #[error(transparent)]
    Window(#[from] WindowError),
    /// The site is none, or the date is out of reach.
    #[error(transparent)]
    Place(#[from] PlaceError),
    /// A span of dates that ends before it begins, or reaches outside the years.
    #[error(
        "the dates {from} to {to} hold no night; expected a first date, then a later one, within 1990 to 2060"
    )]
    Dates {
        /// The first date.
        from: Date,
        /// The last date.
        to: Date,
    },
    /// A box that nothing can be in.
    #[error(
        "the box has altitudes from {least_deg}° to {greatest_deg}°; expected the lower one first, both between -90° and 90°"
    )]
    Box {
        /// Its lower edge, degrees.
        least_deg: f64,
        /// Its upper edge, degrees.
        greatest_deg: f64,
    },
}

/// A standpoint through a span of evenings.
#[derive(Clone, Debug)]
pub struct Nights {
    standpoint: Standpoint,
    zone: TimeZone,
    first: Date,
    last: Date,
    watch: Watch,
    ridge: Ridge,
    air: Air,
}

impl Nights {
    /// Prepares the evenings `first` to `last`, both in; about 50 µs each.
    ///
    /// # Errors
    /// A site that is none, dates the wrong way round or outside 1990 to 2060.
    pub fn new(standpoint: Standpoint, zone: TimeZone, first: Date, last: Date) -> Result<Self, NightError> {
        if first > last {
            return Err(NightError::Dates {
                from: first,
                to: last,
            });
        }
        let (begin, end) = (outermost(first, &zone)?.from, outermost(last, &zone)?.to);
        let air = standpoint.air_there();
        let watch = Watch::over(&standpoint.site, standpoint.orientation, begin, end)?.with_air(air);
        Ok(Self {
            ridge: Ridge::new(&standpoint.skyline),
            standpoint,
            zone,
            first,
            last,
            watch,
            air,
        })
    }

    /// Where one stands.
    pub fn standpoint(&self) -> &Standpoint {
        &self.standpoint
    }

    /// The air that lifts the subject.
    pub fn air(&self) -> Air {
        self.air
    }

    /// Its evenings, but for dates that the zone left out.
    pub fn windows(&self) -> impl Iterator<Item = Window> + '_ {
        let evenings = self.first.series(jiff::Span::new().days(1));
        evenings
            .take_while(|date| *date <= self.last)
            .filter_map(|date| Window::of(date, &self.zone).ok())
            .filter(|window| window.length_s() > 0.0)
    }

    /// The night of an evening, ready to be asked.
    ///
    /// # Errors
    /// An evening that the zone left out, or outside 1990 to 2060.
    pub fn sky(&self, evening: Date) -> Result<NightSky<'_>, NightError> {
        NightSky::over(self, Window::of(evening, &self.zone)?)
    }
}

/// Temperature of the air when none is given, degrees Celsius.
const USUAL_C: f64 = 10.0;

/// The window of a date, or of the date before where the zone left that one out.
fn outermost(date: Date, zone: &TimeZone) -> Result<Window, WindowError> {
    Window::of(date, zone).or_else(|error| match (&error, date.yesterday()) {
        (WindowError::LeftOut { .. }, Ok(before)) => Window::of(before, zone),
        _ => Err(error),
    })
}
