//! One site through a span of time.

use super::observer::{Observer, check};
use super::orientation::{Pole, PoleTable};
use super::{EarthOrientation, PlaceError};
use crate::ephemeris::check_date;
use crate::{Air, Instant, Site};

/// One site through a span of time: makes an [`Observer`] for any instant in it at a fraction of the cost.
///
/// The precession-nutation is computed once a day of the span and interpolated, within 0.001″.
#[derive(Clone, Debug)]
pub struct Watch {
    site: Site,
    orientation: EarthOrientation,
    air: Option<Air>,
    poles: PoleTable,
}

impl Watch {
    /// Prepares the span; about 50 µs a day of it.
    ///
    /// # Errors
    /// As [`Observer::new`], for either end of the span.
    pub fn over(
        site: &Site,
        orientation: EarthOrientation,
        from: Instant,
        to: Instant,
    ) -> Result<Self, PlaceError> {
        check(site, orientation)?;
        check_date(from)?;
        check_date(to)?;
        Ok(Self {
            site: *site,
            orientation,
            air: None,
            poles: PoleTable::over(from, to),
        })
    }

    /// With this air instead of the standard one.
    #[must_use]
    pub fn with_air(mut self, air: Air) -> Self {
        self.air = Some(air);
        self
    }

    /// The site.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// The observer at an instant; outside the span too, but then as slow as [`Observer::new`].
    ///
    /// # Errors
    /// A date outside 1990 to 2060.
    pub fn at(&self, instant: Instant) -> Result<Observer, PlaceError> {
        let (tt, fraction) = instant.julian_date_tt();
        let pole = self
            .poles
            .at(tt, fraction)
            .unwrap_or_else(|| Pole::at(tt, fraction));
        let observer = Observer::with_pole(&self.site, instant, self.orientation, pole)?;
        Ok(match self.air {
            Some(air) => observer.with_air(air),
            None => observer,
        })
    }
}
