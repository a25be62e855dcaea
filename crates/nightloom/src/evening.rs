//! Place, zone, skyline and sky: the options that every question about nights shares, and what they come to.

mod shows;

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_outing::{
    FolderError, OUTING_TOML, Settings, SettingsError, SiteZone, SkylineFileError, ZoneError, likelier_place,
    measured_skyline, outing_skyline, read_settings, site_zone,
};
use nightloom_sky::brightness::{Background, SkyModel};
use nightloom_sky::night::{NightError, Nights, Standpoint};
use nightloom_sky::skyline::North;
use nightloom_sky::subjects::{self, Subject, SubjectError};
use nightloom_sky::{EarthOrientation, Instant, Site, SiteError, Skyline};
use serde_json::{Value, json};

use crate::out;
pub(crate) use shows::Shows;

/// Where one stands and under which sky.
#[derive(Args, Clone, Debug)]
pub(crate) struct PlaceArgs {
    /// An outing's folder: its outing.toml tells what is not given here.
    pub(crate) folder: Option<PathBuf>,
    /// Latitude in degrees, north positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lon")]
    pub(crate) lat: Option<f64>,
    /// Longitude in degrees, east positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lat")]
    pub(crate) lon: Option<f64>,
    /// Elevation in metres.
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub(crate) elevation: Option<f64>,
    /// Time zone by its IANA name; found from the coordinates when not given.
    #[arg(long, value_name = "ZONE")]
    pub(crate) zone: Option<String>,
    /// UT1 - UTC in seconds, as the IERS publishes it; without it every time is good to 0.9 s only.
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) dut1: f64,
    /// A CSV of azimuth (from true north) and altitude of the land's edge; the outing's own when not given.
    #[arg(long, value_name = "CSV")]
    pub(crate) skyline: Option<PathBuf>,
    /// Brightness of the moonless zenith there, V magnitudes per square arcsecond; a natural sky's 22 when not given.
    #[arg(long, value_name = "MAG", value_parser = sky_mag)]
    pub(crate) sky_mag: Option<f64>,
    /// How it is told; the pages ask for it.
    #[arg(skip)]
    pub(crate) shows: Shows,
}

/// No answer about nights.
#[derive(Debug, thiserror::Error)]
pub(crate) enum EveningError {
    #[error(transparent)]
    Site(#[from] SiteError),
    #[error(transparent)]
    Zone(#[from] ZoneError),
    #[error(transparent)]
    Subject(#[from] SubjectError),
    #[error(transparent)]
    Night(#[from] NightError),
    #[error(transparent)]
    Settings(#[from] SettingsError),
    #[error(transparent)]
    Folder(#[from] FolderError),
    #[error(transparent)]
    Skyline(#[from] SkylineFileError),
    /// Nobody said where.
    #[error(
        "the place is not known; give --lat and --lon, or the folder of an outing whose {OUTING_TOML} has site.latitude_deg and site.longitude_deg"
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
    /// A year that cannot be answered.
    #[error("the year is {year}; expected 1990 to 2060, the years whose positions are built in")]
    Year {
        /// What was asked for.
        year: i16,
    },
}

/// What the options come to.
pub(crate) struct Evening {
    pub(crate) standpoint: Standpoint,
    pub(crate) zone: SiteZone,
    /// Whether a skyline was given; the horizon is flat if not.
    pub(crate) skyline_known: bool,
    pub(crate) settings: Settings,
    pub(crate) shows: Shows,
    /// The zone in whose time hours are told.
    pub(crate) hours: TimeZone,
}

impl PlaceArgs {
    pub(crate) fn resolve(&self) -> Result<Evening, EveningError> {
        let settings = match &self.folder {
            Some(folder) => settings_of(folder)?,
            None => Settings::default(),
        };
        let known = settings.site.place;
        let (latitude, longitude) = match (self.lat, self.lon, known) {
            (Some(lat), Some(lon), _) => (lat, lon),
            (_, _, Some(site)) => (site.latitude.deg(), site.longitude.deg()),
            _ => return Err(EveningError::NoPlace),
        };
        let elevation = self.elevation.or(known.map(|s| s.elevation_m));
        let site = Site::new(latitude, longitude, elevation.unwrap_or(0.0))?;
        // A place of one's own is not in the outing's zone.
        let outing_zone = settings.site.zone.as_deref().filter(|_| self.lat.is_none());
        let zone = site_zone(self.zone.as_deref().or(outing_zone), &site)?;
        if let Some((latitude, longitude)) = likelier_place(&zone, &site) {
            out::say(&format!(
                "nightloom: {} is far from latitude {:.4}, longitude {:.4} (degrees, north and east positive); if {latitude}, {longitude} is meant, give that",
                zone.name,
                site.latitude.deg(),
                site.longitude.deg()
            ));
        }
        let mut standpoint = Standpoint::at(site);
        standpoint.orientation = EarthOrientation::with_ut1_minus_utc(self.dut1);
        let skyline = self.skyline(&settings)?;
        let skyline_known = skyline.is_some();
        standpoint.skyline = skyline.unwrap_or_default();
        if let Some(mag) = self.sky_mag {
            standpoint.sky = SkyModel {
                background: Background::measured(mag),
                ..SkyModel::default()
            };
        }
        Ok(Evening {
            shows: self.shows,
            hours: self.shows.zone(&zone.zone),
            standpoint,
            zone,
            skyline_known,
            settings,
        })
    }

    /// The file that is named, or the outing's; that of an outing is not for another place.
    fn skyline(&self, settings: &Settings) -> Result<Option<Skyline>, SkylineFileError> {
        match (&self.skyline, &self.folder) {
            (Some(csv), _) => measured_skyline(csv, North::True).map(Some),
            (None, Some(folder)) if self.lat.is_none() => outing_skyline(folder, &settings.site),
            _ => Ok(None),
        }
    }
}

fn settings_of(folder: &Path) -> Result<Settings, EveningError> {
    let missing = std::fs::metadata(folder).err();
    if missing.is_some_and(|e| e.kind() == std::io::ErrorKind::NotFound) {
        return Err(FolderError::Missing { path: folder.into() }.into());
    }
    Ok(read_settings(folder)?)
}

impl Evening {
    /// The subjects asked for, or else the outing's.
    pub(crate) fn subjects(&self, asked: &[String]) -> Result<Vec<Subject>, SubjectError> {
        let of_outing = self.settings.outing.subject.iter();
        let names: Vec<&String> = if asked.is_empty() {
            of_outing.collect()
        } else {
            asked.iter().collect()
        };
        names.into_iter().map(|name| subjects::find(name)).collect()
    }

    /// Ready for the evenings from `first` to `last`.
    pub(crate) fn nights(&self, first: Date, last: Date) -> Result<Nights, NightError> {
        Nights::new(self.standpoint.clone(), self.zone.zone.clone(), first, last)
    }

    /// For the JSON: where, and what was assumed.
    pub(crate) fn json(&self) -> Value {
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
    pub(crate) fn told(&self) -> String {
        let site = &self.standpoint.site;
        let sided =
            |value: f64, sides: [char; 2]| format!("{:.4}° {}", value.abs(), sides[usize::from(value < 0.0)]);
        format!(
            "{} {}, {}",
            sided(site.latitude.deg(), ['N', 'S']),
            sided(site.longitude.deg(), ['E', 'W']),
            self.shows.height(site.elevation_m)
        )
    }

    /// The zone in words, with the offsets in use between two instants.
    pub(crate) fn zone_told(&self, from: Instant, to: Instant) -> String {
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

/// `EEST = UTC+03:00`, or the offset alone where the zone has no letters for it.
pub(crate) fn offset(zone: &TimeZone, at: Instant) -> String {
    let info = zone.to_offset_info(at.timestamp());
    let seconds = info.offset().seconds();
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    let offset = format!("UTC{sign}{:02}:{:02}", minutes / 60, minutes % 60);
    match letters(info.abbreviation()) {
        Some(abbreviation) => format!("{abbreviation} = {offset}"),
        None => offset,
    }
}

/// The tz database writes bare figures where a zone has no letters of its own.
fn letters(abbreviation: &str) -> Option<&str> {
    abbreviation
        .chars()
        .all(char::is_alphabetic)
        .then_some(abbreviation)
}

/// Clock time to the second with the zone's letters: `21:04:12 EEST`.
pub(crate) fn clock(zone: &TimeZone, at: Instant) -> String {
    let near = at.plus_seconds(0.5).timestamp();
    let time = zone.to_datetime(near).strftime("%H:%M:%S").to_string();
    match letters(zone.to_offset_info(near).abbreviation()) {
        Some(abbreviation) => format!("{time} {abbreviation}"),
        None => time,
    }
}

/// Clock time to the minute.
pub(crate) fn clock_short(zone: &TimeZone, at: Instant) -> String {
    let near = at.plus_seconds(30.0).timestamp();
    zone.to_datetime(near).strftime("%H:%M").to_string()
}

/// Minutes as hours and minutes: `5 h 07`.
pub(crate) fn hours(minutes: f64) -> String {
    let whole = minutes.round().max(0.0) as u32;
    format!("{} h {:02}", whole / 60, whole % 60)
}

/// A line of the answer.
pub(crate) fn line(text: &str) {
    out::result(text, false);
}

fn sky_mag(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(mag) if (14.0..=22.5).contains(&mag) => Ok(mag),
        _ => Err("expected 14 (a city) to 22.5 (the darkest sky) magnitudes per square arcsecond".into()),
    }
}
