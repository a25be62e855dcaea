//! Where and when: the options that every question about a place shares.

use std::path::{Path, PathBuf};

use clap::Args;
use jiff::tz::TimeZone;
use nightloom_outing::evening::{Evening, EveningTold, PlaceTold, clock};
use nightloom_outing::typed::{self, MomentTyped, PlaceTyped};
use nightloom_outing::{Settings, SiteSettings, World, offset_seconds, site_zone};
use nightloom_sky::{Air, EarthOrientation, Instant, Observer, Site};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::kept::{height_m, shelf, temperature_c};
use crate::out;
use crate::told::need;

/// Coordinates, or the name of a site; what of them can be is [`Site::check`]'s to say.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct SpotArgs {
    /// Latitude: 38.48, 38°29'N or -24 (south has a minus or S); or both, as "38.48, -109.5". The outing's or the
    /// frames' when not given.
    #[arg(long, value_name = "LAT", allow_hyphen_values = true)]
    lat: Option<String>,
    /// Longitude: -109.5, 109°30'W or 8.03 (west has a minus or W).
    #[arg(long, value_name = "LON", value_parser = typed::longitude_deg, allow_hyphen_values = true, requires = "lat")]
    lon: Option<f64>,
    /// Elevation: 1800, 1800 m or 5900 ft.
    #[arg(long, value_name = "HEIGHT", value_parser = height_m, allow_hyphen_values = true)]
    pub(crate) elevation: Option<f64>,
    /// A site by the name that it is kept under; nightloom site lists them.
    #[arg(long, value_name = "NAME", conflicts_with = "lat")]
    pub(crate) site: Option<String>,
}

/// A place: an outing's folder, coordinates, or the name of a site.
#[derive(Args, Clone, Debug)]
pub(crate) struct PlaceArgs {
    /// An outing's folder: its outing.toml tells what is not given here.
    pub(crate) folder: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) spot: SpotArgs,
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
    /// The sun's altitude below which it counts as dark: -18 (the end of astronomical twilight), -15 or -12.
    #[arg(long, value_name = "DEG", value_parser = dark_limit, allow_hyphen_values = true)]
    dark_limit: Option<f64>,
}

/// One moment, and the air then.
#[derive(Args, Clone, Debug)]
pub(crate) struct MomentArgs {
    /// When: 2027-01-09 21:30 by the site's clock, 9:30pm of the outing's night, or 2026-08-12T20:30:00Z; now when not
    /// given, or the outing's dusk while its night is not now.
    #[arg(long, value_name = "T", value_parser = typed::moment)]
    pub(crate) at: Option<MomentTyped>,
    #[command(flatten)]
    air: AirArgs,
}

/// The air at the place, for refraction.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct AirArgs {
    /// Air pressure there in hPa, for refraction; the standard atmosphere's when not given.
    #[arg(long, value_name = "HPA", value_parser = pressure)]
    pub(crate) pressure: Option<f64>,
    /// Air temperature, like -5, -5C or 23F, for refraction; 10 °C when not given.
    #[arg(long, value_name = "DEGREES", value_parser = temperature_c, allow_hyphen_values = true)]
    pub(crate) temperature: Option<f64>,
}

/// What was told of a place.
struct Told {
    /// Latitude; with the longitude if that was told too.
    latitude_deg: Option<f64>,
    longitude_deg: Option<f64>,
    elevation_m: Option<f64>,
    kept: SiteSettings,
}

impl MomentArgs {
    /// A moment in usual air.
    pub(crate) fn at(at: Option<MomentTyped>) -> Self {
        Self {
            at,
            air: AirArgs::default(),
        }
    }
}

impl SpotArgs {
    fn read(&self) -> Result<Told, Failure> {
        let mut told = Told {
            latitude_deg: None,
            longitude_deg: self.lon,
            elevation_m: self.elevation,
            kept: SiteSettings::default(),
        };
        if let Some(name) = &self.site {
            told.kept = shelf()?.site(name)?;
            if let Some(site) = &told.kept.place {
                (told.latitude_deg, told.longitude_deg) =
                    (Some(site.latitude.deg()), Some(site.longitude.deg()));
                told.elevation_m = told.elevation_m.or(Some(site.elevation_m));
            }
        }
        if let Some(text) = &self.lat {
            match typed::latitude_or_place(text, self.lon.is_some())
                .map_err(|e| Failure::said(format!("--lat: {e}")))?
            {
                Ok(latitude) => told.latitude_deg = Some(latitude),
                Err(PlaceTyped {
                    latitude_deg,
                    longitude_deg,
                    elevation_m,
                }) => {
                    (told.latitude_deg, told.longitude_deg) = (Some(latitude_deg), Some(longitude_deg));
                    told.elevation_m = told.elevation_m.or(elevation_m);
                }
            }
        }
        Ok(told)
    }

    /// The latitude, which some questions need alone.
    pub(crate) fn latitude_deg(&self) -> Result<Option<f64>, Failure> {
        Ok(self.read()?.latitude_deg)
    }

    /// The place on Earth, if one is told.
    pub(crate) fn site(&self) -> Result<Option<Site>, Failure> {
        let told = self.told(None)?;
        let site = |(lat, lon)| Site::new(lat, lon, told.elevation_m.unwrap_or(0.0));
        Ok(told.coordinates_deg.map(site).transpose()?)
    }

    /// The same, or none while the longitude is not told.
    pub(crate) fn site_if_whole(&self) -> Result<Option<Site>, Failure> {
        match self.read()?.longitude_deg {
            Some(_) => self.site(),
            None => Ok(None),
        }
    }

    /// Settings that hold what is kept of the site.
    pub(crate) fn settings(&self) -> Result<Settings, Failure> {
        Ok(Settings {
            site: self.read()?.kept,
            ..Settings::default()
        })
    }

    /// As it is told, beside an outing's folder or without one.
    pub(crate) fn told(&self, folder: Option<&Path>) -> Result<PlaceTold, Failure> {
        let told = self.read()?;
        let coordinates_deg = match (told.latitude_deg, told.longitude_deg) {
            (Some(lat), Some(lon)) => Some((lat, lon)),
            (Some(_), None) => need(None, "--lon", "8")?,
            _ => None,
        };
        Ok(PlaceTold {
            folder: folder.map(Path::to_owned),
            coordinates_deg,
            elevation_m: told.elevation_m,
            zone: told.kept.zone,
            skyline: told.kept.skyline.map(PathBuf::from),
        })
    }
}

/// The instant of what was typed; a clock time needs the place, whose clock it is.
pub(crate) fn instant(
    flag: &str,
    at: &MomentTyped,
    place: Option<(&Site, &Settings)>,
) -> Result<Instant, Failure> {
    let said = |e: typed::TypedError| Failure::said(format!("{flag}: {e}"));
    if let MomentTyped::At(instant) = at {
        return Ok(*instant);
    }
    let Some((site, settings)) = place else {
        return Err(Failure::said(format!(
            "{flag}: a time by the site's clock needs the site; give --lat and --lon or --site too, or write the time in UTC, like 2027-01-09T21:30:00Z"
        )));
    };
    let zone = site_zone(settings.site.zone.as_deref(), site)?.zone;
    at.instant(&zone, settings.outing.evening).map_err(said)
}

impl StandpointArgs {
    pub(crate) fn orientation(&self) -> EarthOrientation {
        EarthOrientation::with_ut1_minus_utc(self.dut1)
    }

    /// The observer there at a moment, with the clock that hours are told by.
    pub(crate) fn standing(&self, moment: &MomentArgs, context: &Context) -> Result<Standing, Failure> {
        self.place.standing(moment, self.orientation(), context)
    }
}

impl PlaceArgs {
    /// The observer there at a moment, with the clock that hours are told by.
    pub(crate) fn standing(
        &self,
        moment: &MomentArgs,
        orientation: EarthOrientation,
        context: &Context,
    ) -> Result<Standing, Failure> {
        let place = self.spot.told(self.folder.as_deref())?;
        let settings = place.settings()?;
        let site = place.site(&settings)?;
        let zone = place.zone(&settings, None)?.zone;
        let now = context.door.now();
        let mut why = None;
        let at = match &moment.at {
            Some(at) => {
                let evening = settings.outing.evening.or_else(|| night_of(now, &zone));
                let said = |e: typed::TypedError| Failure::said(format!("--at: {e}"));
                at.instant(&zone, evening).map_err(said)?
            }
            None => {
                let (at, because) = moment_of(&place, &settings, now)?;
                why = because;
                at
            }
        };
        let observer = Observer::new(&site, at, orientation)?;
        let usual = *observer.air();
        let observer = observer.with_air(Air {
            pressure_hpa: moment.air.pressure.unwrap_or(usual.pressure_hpa),
            temperature_c: moment.air.temperature.unwrap_or(usual.temperature_c),
        });
        Ok(Standing {
            observer,
            zone,
            settings,
            why,
        })
    }
}

/// Who looks, when, and by which clock.
pub(crate) struct Standing {
    pub(crate) observer: Observer,
    pub(crate) zone: TimeZone,
    pub(crate) settings: Settings,
    /// Why this moment, if nobody asked for it.
    pub(crate) why: Option<&'static str>,
}

impl Standing {
    /// The moment in words, by the site's clock and in UTC, with why it was taken where nobody asked for it.
    pub(crate) fn when(&self) -> String {
        let at = self.observer.instant();
        let local = self.zone.to_datetime(at.plus_seconds(0.5).timestamp());
        let utc = at.plus_seconds(0.5).timestamp().strftime("%Y-%m-%dT%H:%M:%SZ");
        let words = format!("{} {} ({utc})", local.date(), clock(&self.zone, at));
        match self.why {
            Some(why) => format!("{words}, {why}"),
            None => words,
        }
    }
}

/// The evening whose night, from noon to noon, holds an instant.
pub(crate) fn night_of(now: Instant, zone: &TimeZone) -> Option<jiff::civil::Date> {
    let local = zone.to_datetime(now.timestamp());
    if local.hour() < 12 {
        local.date().yesterday().ok()
    } else {
        Some(local.date())
    }
}

/// Now, if it lies in the outing's night or there is none; else that night's first dark moment, or its midnight.
fn moment_of(
    place: &PlaceTold,
    settings: &Settings,
    now: Instant,
) -> Result<(Instant, Option<&'static str>), Failure> {
    let Some(date) = settings.outing.evening.filter(|_| place.folder.is_some()) else {
        return Ok((now, None));
    };
    let evening = Evening::of(&EveningTold {
        place: place.clone(),
        ..EveningTold::default()
    })?;
    let nights = evening.nights(date, date)?;
    let night = nights.night(date, &[])?;
    if (night.window.from..night.window.to).contains(&now) {
        return Ok((now, None));
    }
    Ok(match night.night.first() {
        Some(dark) => (dark.from, Some("when the outing's night gets dark")),
        None => (night.window.midnight, Some("at midnight of the outing's night")),
    })
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
            dark_limit_deg: self.dark_limit,
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

fn dark_limit(text: &str) -> Result<f64, String> {
    // Below the horizon is meant with or without a minus.
    match typed::number(text).map(|v| -v.abs()) {
        Ok(limit) if (-18.0..=-6.0).contains(&limit) => Ok(limit),
        _ => Err("expected the sun's altitude from -18 to -6 degrees, like -15".into()),
    }
}

fn pressure(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1100.0, "a pressure from 0 to 1100 hPa")
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
