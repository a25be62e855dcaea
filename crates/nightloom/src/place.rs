//! Where and when: the options that every question about a place shares.

use std::path::{Path, PathBuf};

use clap::Args;
use nightloom_outing::evening::{Evening, EveningTold, PlaceTold};
use nightloom_outing::{World, offset_seconds};
use nightloom_sky::{Air, EarthOrientation, Instant, Observer, Site};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::told::need;

/// Coordinates; what of them can be is [`Site::check`]'s to say.
#[derive(Args, Clone, Debug)]
pub(crate) struct SpotArgs {
    /// Latitude in degrees, north positive; the outing's or the frames' when not given.
    #[arg(long, value_name = "DEG", value_parser = degrees, allow_negative_numbers = true)]
    pub(crate) lat: Option<f64>,
    /// Longitude in degrees, east positive.
    #[arg(long, value_name = "DEG", value_parser = degrees, allow_negative_numbers = true, requires = "lat")]
    lon: Option<f64>,
    /// Elevation in metres.
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    pub(crate) elevation: Option<f64>,
}

/// A place: an outing's folder, or coordinates.
#[derive(Args, Clone, Debug)]
pub(crate) struct PlaceArgs {
    /// An outing's folder: its outing.toml tells what is not given here.
    pub(crate) folder: Option<PathBuf>,
    #[command(flatten)]
    spot: SpotArgs,
}

/// A place and how the Earth is turned under it.
#[derive(Args, Clone, Debug)]
pub(crate) struct StandpointArgs {
    #[command(flatten)]
    pub(crate) place: PlaceArgs,
    /// UT1 - UTC in seconds, as the IERS publishes it; without it every time is good to 0.9 s only.
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    dut1: f64,
}

/// A standpoint and its sky, for questions about nights.
#[derive(Args, Clone, Debug)]
pub(crate) struct EveningArgs {
    #[command(flatten)]
    pub(crate) standpoint: StandpointArgs,
    /// Time zone by its IANA name; found from the coordinates when not given.
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
    /// A CSV of azimuth (from true north) and altitude of the land's edge; the outing's own when not given.
    #[arg(long, value_name = "CSV")]
    skyline: Option<PathBuf>,
    /// Brightness of the moonless zenith there, V magnitudes per square arcsecond; a natural sky's 22 when not given.
    #[arg(long, value_name = "MAG", value_parser = sky_mag)]
    sky_mag: Option<f64>,
}

/// One moment, and the air then.
#[derive(Args, Clone, Debug)]
pub(crate) struct MomentArgs {
    /// The instant in UTC, as 2026-08-12T20:30:00Z, or with another offset from UTC; now when not given.
    #[arg(long, value_name = "T")]
    at: Option<Instant>,
    #[command(flatten)]
    air: AirArgs,
}

/// The air at the place, for refraction.
#[derive(Args, Clone, Debug)]
pub(crate) struct AirArgs {
    /// Air pressure there in hPa, for refraction; the standard atmosphere's when not given.
    #[arg(long, value_name = "HPA", value_parser = pressure)]
    pub(crate) pressure: Option<f64>,
    /// Air temperature in degrees Celsius, for refraction; 10 when not given.
    #[arg(long, value_name = "C", value_parser = temperature, allow_negative_numbers = true)]
    pub(crate) temperature: Option<f64>,
}

impl SpotArgs {
    fn coordinates_deg(&self) -> Result<Option<(f64, f64)>, Failure> {
        match (self.lat, self.lon) {
            (Some(lat), Some(lon)) => Ok(Some((lat, lon))),
            (Some(_), None) => need(None, "--lon", "8"),
            _ => Ok(None),
        }
    }

    /// The place on Earth, if one is told.
    pub(crate) fn site(&self) -> Result<Option<Site>, Failure> {
        let site = |(lat, lon)| Site::new(lat, lon, self.elevation.unwrap_or(0.0));
        Ok(self.coordinates_deg()?.map(site).transpose()?)
    }

    /// As it is told, beside an outing's folder or without one.
    pub(crate) fn told(&self, folder: Option<&Path>) -> Result<PlaceTold, Failure> {
        Ok(PlaceTold {
            folder: folder.map(Path::to_owned),
            coordinates_deg: self.coordinates_deg()?,
            elevation_m: self.elevation,
        })
    }
}

impl StandpointArgs {
    pub(crate) fn orientation(&self) -> EarthOrientation {
        EarthOrientation::with_ut1_minus_utc(self.dut1)
    }

    /// The observer there at a moment.
    pub(crate) fn observer(&self, moment: &MomentArgs, context: &Context) -> Result<Observer, Failure> {
        let place = self.place.spot.told(self.place.folder.as_deref())?;
        let site = place.site(&place.settings()?)?;
        let at = moment.at.unwrap_or_else(|| context.door.now());
        let observer = Observer::new(&site, at, self.orientation())?;
        let usual = *observer.air();
        Ok(observer.with_air(Air {
            pressure_hpa: moment.air.pressure.unwrap_or(usual.pressure_hpa),
            temperature_c: moment.air.temperature.unwrap_or(usual.temperature_c),
        }))
    }
}

impl EveningArgs {
    /// Place, zone, skyline and sky.
    pub(crate) fn resolve(&self, context: &Context) -> Result<Evening, Failure> {
        let place = &self.standpoint.place;
        let evening = Evening::of(&EveningTold {
            place: place.spot.told(place.folder.as_deref())?,
            zone: self.zone.clone(),
            ut1_minus_utc_s: self.standpoint.dut1,
            skyline: self.skyline.clone(),
            sky_mag: self.sky_mag,
            shows: context.shows,
        })?;
        if let Some(doubt) = &evening.doubt {
            out::say(&format!("nightloom: {doubt}"));
        }
        Ok(evening)
    }
}

/// What refraction was reckoned with.
pub(crate) fn refraction_json(observer: &Observer) -> Value {
    json!({
        "model": "Bennett 1982, pressure and temperature after Meeus 1998, ch. 16",
        "pressure_hpa": observer.air().pressure_hpa,
        "temperature_c": observer.air().temperature_c,
    })
}

/// An offset from UTC.
pub(crate) fn offset(text: &str) -> Result<i32, String> {
    offset_seconds(text).ok_or_else(|| "expected an offset from UTC like +02:00 or -09:30".into())
}

fn degrees(text: &str) -> Result<f64, String> {
    within(text, -360.0, 360.0, "degrees, like 46.5")
}

fn pressure(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1100.0, "a pressure from 0 to 1100 hPa")
}

fn temperature(text: &str) -> Result<f64, String> {
    within(text, -90.0, 60.0, "a temperature from -90 to 60 degrees Celsius")
}

fn sky_mag(text: &str) -> Result<f64, String> {
    let expected = "14 (a city) to 22.5 (the darkest sky) magnitudes per square arcsecond";
    within(text, 14.0, 22.5, expected)
}

/// A number within bounds.
pub(crate) fn within(text: &str, low: f64, high: f64, expected: &str) -> Result<f64, String> {
    match text.trim().parse() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("expected {expected}")),
    }
}
