//! The evening asked about: place, zone, skyline and sky, from what is told and what the outing's folder says.
//!
//! Every question about nights begins here, whoever asks: [`Evening::of`] takes a [`PlaceTold`] with what is told beside
//! it.

mod aim;
mod chances;
mod clock;
mod reason;
mod shows;

use std::path::PathBuf;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_sky::brightness::{SkyBackground, SkyOverSite};
use nightloom_sky::night::{NightError, Nights, Standpoint};
use nightloom_sky::skyline::North;
use nightloom_sky::subjects::{self, Subject, SubjectError};
use nightloom_sky::{Angle, EarthOrientation, Instant, Site, SiteError, Skyline};
use serde_json::{Value, json};

use crate::{
    FolderError, OUTING_TOML, Settings, SettingsError, SiteZone, SkylineFileError, ZoneError, likelier_place,
    measured_skyline, outing_skyline, read_settings, site_zone,
};
pub use aim::{aim_words, compass_point};
pub use chances::{ShowerPeak, never, shower_peak};
pub use clock::{clock, clock_short, hours, offset, offset_words};
pub use reason::{SunAlways, sun_always, why_no_dark, why_no_window};
pub use shows::Shows;

/// Where the camera stands, as far as it is told.
#[derive(Clone, Debug, Default)]
pub struct PlaceTold {
    /// An outing's folder, whose settings tell what is not told here.
    pub folder: Option<PathBuf>,
    /// Latitude and longitude in degrees, north and east positive; goes before the outing's.
    pub coordinates_deg: Option<(f64, f64)>,
    /// Elevation in metres; goes before the outing's.
    pub elevation_m: Option<f64>,
    /// The zone that is kept with these coordinates, by its IANA name.
    pub zone: Option<String>,
    /// The land's edge that is kept with them.
    pub skyline: Option<PathBuf>,
}

/// What is told of an evening beside its place.
#[derive(Clone, Debug, Default)]
pub struct EveningTold {
    /// Where.
    pub place: PlaceTold,
    /// The time zone by its IANA name; the outing's, or found from the coordinates, when not given.
    pub zone: Option<String>,
    /// UT1 − UTC, seconds.
    pub ut1_minus_utc_s: f64,
    /// A file with the land's edge; the outing's own when not given.
    pub skyline: Option<PathBuf>,
    /// V magnitudes per square arcsecond of the moonless zenith; a natural sky's when not given.
    pub sky_mag: Option<f64>,
    /// The sun's altitude below which it is dark, degrees; −18 when not given.
    pub dark_limit_deg: Option<f64>,
    /// In which units and whose time things are told.
    pub shows: Shows,
}

/// No answer about nights.
#[derive(Debug, thiserror::Error)]
pub enum EveningError {
    /// No place on Earth.
    #[error(transparent)]
    Site(#[from] SiteError),
    /// No zone there.
    #[error(transparent)]
    Zone(#[from] ZoneError),
    /// No such subject.
    #[error(transparent)]
    Subject(#[from] SubjectError),
    /// No such night.
    #[error(transparent)]
    Night(#[from] NightError),
    /// The outing's settings are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// There is no such folder.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The skyline cannot be read.
    #[error(transparent)]
    Skyline(#[from] SkylineFileError),
    /// Nobody said where.
    #[error(
        "the place is not known; give --lat and --lon, --site and a name, or the folder of an outing whose {OUTING_TOML} has site.latitude_deg and site.longitude_deg"
    )]
    NoPlace,
    /// Nobody said when.
    #[error(
        "the evening is not known; give --date YYYY-MM-DD, or outing.evening in the folder's {OUTING_TOML}"
    )]
    NoDate,
    /// Nobody said of what.
    #[error("the subject is not known; give --subject, or outing.subject in the folder's {OUTING_TOML}")]
    NoSubject,
}

impl PlaceTold {
    /// The outing's settings; the usual ones without an outing.
    ///
    /// # Errors
    /// A folder that is not there, or settings with faults.
    pub fn settings(&self) -> Result<Settings, EveningError> {
        let Some(folder) = &self.folder else {
            return Ok(Settings::default());
        };
        let missing = std::fs::metadata(folder).err();
        if missing.is_some_and(|e| e.kind() == std::io::ErrorKind::NotFound) {
            return Err(FolderError::Missing { path: folder.into() }.into());
        }
        Ok(read_settings(folder)?)
    }

    /// The site: what is told, or else what the outing's settings say.
    ///
    /// # Errors
    /// Nobody said where, or it is no place on Earth.
    pub fn site(&self, settings: &Settings) -> Result<Site, EveningError> {
        let known = settings.site.place;
        let of_outing = known.map(|site| (site.latitude.deg(), site.longitude.deg()));
        let (latitude, longitude) = self.coordinates_deg.or(of_outing).ok_or(EveningError::NoPlace)?;
        let elevation_m = self.elevation_m.or(known.map(|site| site.elevation_m));
        Ok(Site::new(latitude, longitude, elevation_m.unwrap_or(0.0))?)
    }

    /// The zone there: the one that is `named`, the place's own, or the one that its coordinates lie in.
    ///
    /// # Errors
    /// As [`PlaceTold::site`], and a name that no zone has.
    pub fn zone(&self, settings: &Settings, named: Option<&str>) -> Result<SiteZone, EveningError> {
        // A place of one's own is not in the outing's zone.
        let of_outing = settings
            .site
            .zone
            .as_deref()
            .filter(|_| self.coordinates_deg.is_none());
        let name = named.or(self.zone.as_deref()).or(of_outing);
        Ok(site_zone(name, &self.site(settings)?)?)
    }
}

/// A place and its sky, ready for questions about its nights.
pub struct Evening {
    /// Site, skyline, air and sky.
    pub standpoint: Standpoint,
    /// The site's zone.
    pub zone: SiteZone,
    /// Whether a skyline was given; the horizon is flat if not.
    pub skyline_known: bool,
    /// The outing's settings.
    pub settings: Settings,
    /// In which units and whose time things are told.
    pub shows: Shows,
    /// The zone in whose time hours are told.
    pub hours: TimeZone,
    /// That the place may be meant otherwise, if its zone makes that likely.
    pub doubt: Option<String>,
}

impl Evening {
    /// Brings together what is told and what the outing's folder says.
    ///
    /// # Errors
    /// A place that nobody told or that cannot be, a folder or a skyline that cannot be read.
    pub fn of(told: &EveningTold) -> Result<Self, EveningError> {
        let place = &told.place;
        let settings = place.settings()?;
        let site = place.site(&settings)?;
        let own = place.coordinates_deg.is_some();
        let zone = place.zone(&settings, told.zone.as_deref())?;
        let mut standpoint = Standpoint::at(site);
        standpoint.orientation = EarthOrientation::with_ut1_minus_utc(told.ut1_minus_utc_s);
        // Nor is the outing's skyline for another place.
        let skyline: Option<Skyline> = match (told.skyline.as_ref().or(place.skyline.as_ref()), &place.folder)
        {
            (Some(csv), _) => Some(measured_skyline(csv, North::True)?),
            (None, Some(folder)) if !own => outing_skyline(folder, &settings.site)?,
            _ => None,
        };
        let skyline_known = skyline.is_some();
        standpoint.skyline = skyline.unwrap_or_default();
        if let Some(deg) = told.dark_limit_deg {
            standpoint.dark_limit = Angle::from_deg(deg);
        }
        if let Some(mag) = told.sky_mag {
            standpoint.sky = SkyOverSite {
                background: SkyBackground::measured(mag),
                ..SkyOverSite::default()
            };
        }
        Ok(Self {
            shows: told.shows,
            hours: told.shows.zone(&zone.zone),
            doubt: doubt(&zone, &site),
            standpoint,
            zone,
            skyline_known,
            settings,
        })
    }

    /// The evening that is asked for, or else the outing's.
    ///
    /// # Errors
    /// Neither is known.
    pub fn date(&self, asked: Option<Date>) -> Result<Date, EveningError> {
        asked.or(self.settings.outing.evening).ok_or(EveningError::NoDate)
    }

    /// The subjects asked for, or else the outing's.
    ///
    /// # Errors
    /// A name that nothing has.
    pub fn subjects<'a>(
        &'a self,
        asked: impl IntoIterator<Item = &'a String>,
    ) -> Result<Vec<Subject>, EveningError> {
        let mut texts: Vec<&String> = asked.into_iter().collect();
        if texts.is_empty() {
            texts.extend(&self.settings.outing.subject);
        }
        let names = texts.into_iter().flat_map(|text| subject_names(text));
        let found = names.map(subjects::find);
        Ok(found.collect::<Result<_, _>>()?)
    }

    /// Ready for the evenings from `first` to `last`.
    ///
    /// # Errors
    /// Dates outside the years whose positions are known.
    pub fn nights(&self, first: Date, last: Date) -> Result<Nights, EveningError> {
        Ok(Nights::new(
            self.standpoint.clone(),
            self.zone.zone.clone(),
            first,
            last,
        )?)
    }

    /// For the JSON: where, and what was assumed.
    pub fn json(&self) -> Value {
        let site = &self.standpoint.site;
        json!({
            "latitude_deg": site.latitude.deg(),
            "longitude_deg": site.longitude.deg(),
            "elevation_m": site.elevation_m,
            "zone": self.zone.name,
            "zone_from_coordinates": self.zone.from_place,
            "skyline_known": self.skyline_known,
            "ut1_minus_utc_s": self.standpoint.orientation.ut1_minus_utc_s,
            "sky_mag": self.standpoint.sky.background.zenith().mag(),
        })
    }

    /// The place in words.
    pub fn told(&self) -> String {
        self.shows.place(&self.standpoint.site)
    }

    /// The zone in words, with the offsets in use between two instants.
    pub fn zone_told(&self, from: Instant, to: Instant) -> String {
        let zone = &self.zone.zone;
        let mut offsets = vec![offset(zone, from)];
        if offsets[0] != offset(zone, to) {
            offsets.push(offset(zone, to));
        }
        let how = if self.zone.from_place {
            ", found from the coordinates"
        } else {
            ""
        };
        format!("Times in {} ({}{how})", offsets.join(" and "), self.zone.name)
    }
}

/// The names in a text, semicolons between them.
pub fn subject_names(text: &str) -> impl Iterator<Item = &str> {
    text.split(';').map(str::trim).filter(|name| !name.is_empty())
}

fn doubt(zone: &SiteZone, site: &Site) -> Option<String> {
    let (latitude, longitude) = likelier_place(zone, site)?;
    Some(format!(
        "{} is far from latitude {:.4}, longitude {:.4} (degrees, north and east positive); if {latitude}, {longitude} is meant, give that",
        zone.name,
        site.latitude.deg(),
        site.longitude.deg()
    ))
}
