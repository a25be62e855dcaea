//! Where and when: the options that every question about the sky shares.

use clap::Args;
use nightloom_outing::World;
use nightloom_sky::{Air, EarthOrientation, Instant, Observer, PlaceError, Site, SiteError};
use serde_json::{Value, json};

use crate::evening::Shows;

/// A place on Earth and how it is turned.
#[derive(Args, Clone, Debug)]
pub(crate) struct StandpointArgs {
    /// Latitude in degrees, north positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub(crate) lat: f64,
    /// Longitude in degrees, east positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    pub(crate) lon: f64,
    /// Elevation in metres.
    #[arg(long, value_name = "M", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) elevation: f64,
    /// UT1 - UTC in seconds, as the IERS publishes it; without it every time is good to 0.9 s only.
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    pub(crate) dut1: f64,
    /// How it is told; the pages ask for it.
    #[arg(skip)]
    pub(crate) shows: Shows,
}

impl StandpointArgs {
    pub(crate) fn site(&self) -> Result<Site, SiteError> {
        Site::new(self.lat, self.lon, self.elevation)
    }

    pub(crate) fn orientation(&self) -> EarthOrientation {
        EarthOrientation::with_ut1_minus_utc(self.dut1)
    }

    /// For the first line of an answer.
    pub(crate) fn told(&self) -> String {
        let sided =
            |value: f64, sides: [char; 2]| format!("{:.4}° {}", value.abs(), sides[usize::from(value < 0.0)]);
        format!(
            "{} {}, {}",
            sided(self.lat, ['N', 'S']),
            sided(self.lon, ['E', 'W']),
            self.shows.height(self.elevation)
        )
    }
}

/// One moment, and the air then.
#[derive(Args, Clone, Debug)]
pub(crate) struct MomentArgs {
    /// The instant in UTC, as 2026-08-12T20:30:00Z, or with another offset from UTC; now when not given.
    #[arg(long, value_name = "T")]
    pub(crate) at: Option<Instant>,
    /// Air pressure there in hPa, for refraction; the standard atmosphere's when not given.
    #[arg(long, value_name = "HPA", value_parser = pressure)]
    pub(crate) pressure: Option<f64>,
    /// Air temperature in degrees Celsius, for refraction; 10 when not given.
    #[arg(long, value_name = "C", value_parser = temperature, allow_negative_numbers = true)]
    pub(crate) temperature: Option<f64>,
}

/// The observer that these options describe.
pub(crate) fn observer(
    standpoint: &StandpointArgs,
    moment: &MomentArgs,
    world: &dyn World,
) -> Result<Observer, PlaceError> {
    let at = moment.at.unwrap_or_else(|| world.now());
    let observer = Observer::new(&standpoint.site()?, at, standpoint.orientation())?;
    let usual = *observer.air();
    Ok(observer.with_air(Air {
        pressure_hpa: moment.pressure.unwrap_or(usual.pressure_hpa),
        temperature_c: moment.temperature.unwrap_or(usual.temperature_c),
    }))
}

/// What refraction was reckoned with.
pub(crate) fn refraction_json(observer: &Observer) -> Value {
    json!({
        "model": "Bennett 1982, pressure and temperature after Meeus 1998, ch. 16",
        "pressure_hpa": observer.air().pressure_hpa,
        "temperature_c": observer.air().temperature_c,
    })
}

fn pressure(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1100.0, "a pressure from 0 to 1100 hPa")
}

fn temperature(text: &str) -> Result<f64, String> {
    within(text, -90.0, 60.0, "a temperature from -90 to 60 degrees Celsius")
}

fn within(text: &str, low: f64, high: f64, expected: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("expected {expected}")),
    }
}
