//! `nightloom site` and `nightloom rig`: places and gear kept by name.

use std::path::{Path, PathBuf};

use clap::Args;
use nightloom_outing::evening::Shows;
use nightloom_outing::shelf::{Kind, Shelf, ShelfError, rig_text, site_text, site_to_keep};
use nightloom_outing::{RigSettings, SiteSettings, World, read_settings, typed};
use nightloom_sky::Site;
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::kept::shelf;
use crate::out;
use crate::place::SpotArgs;
use crate::told::sensor;

/// What both commands take.
#[derive(Args, Debug)]
struct KeepArgs {
    /// Its name; all that are kept are listed without one.
    name: Option<String>,
    /// Keep what an outing's folder or a frame tells.
    #[arg(long, value_name = "FOLDER|FRAME", requires = "name")]
    from: Option<PathBuf>,
    /// Replace the one of that name.
    #[arg(long, requires = "name")]
    replace: bool,
}

/// `nightloom site`.
#[derive(Args, Debug)]
pub(crate) struct SiteArgs {
    #[command(flatten)]
    keep: KeepArgs,
    #[command(flatten)]
    spot: SpotArgs,
    /// Time zone by its IANA name; found from the coordinates when not given.
    #[arg(long, value_name = "ZONE")]
    zone: Option<String>,
}

pub(crate) fn site(args: &SiteArgs, context: &Context) -> Result<Value, Failure> {
    let shelf = shelf()?;
    let Some(name) = &args.keep.name else {
        return all(&shelf, Kind::Site, context, |name| {
            let site = shelf.site(name)?;
            Ok((site_words(&site, context.shows), site_json(name, &site)))
        });
    };
    let told = args.told(context)?;
    let Some(site) = told else {
        let site = shelf.site(name)?;
        out::result(site_text(&site).trim_end(), context.json);
        return Ok(site_json(name, &site));
    };
    let file = shelf.keep_site(name, &site, args.keep.replace)?;
    kept(
        Kind::Site,
        name,
        &site_words(&site, context.shows),
        &file,
        context,
    );
    Ok(site_json(name, &shelf.site(name)?))
}

impl SiteArgs {
    /// What is to be kept, if anything is told.
    fn told(&self, context: &Context) -> Result<Option<SiteSettings>, Failure> {
        let mut site = match &self.keep.from {
            Some(from) if from.is_dir() => Some(site_to_keep(from, &read_settings(from)?.site)),
            Some(frame) => Some(SiteSettings {
                place: site_of_frame(frame, context)?,
                ..SiteSettings::default()
            }),
            None => None,
        };
        if let Some(place) = self.spot.site()? {
            site.get_or_insert_default().place = Some(place);
        }
        if let Some(zone) = &self.zone {
            let zone = nightloom_outing::named_zone(zone)?;
            site.get_or_insert_default().zone = Some(zone.name);
        }
        match &site {
            Some(told) if told.place.is_none() => Err(Failure::said(
                "that does not tell where it is; give --lat and --lon too, like --lat 38.48 --lon -109.5",
            )),
            _ => Ok(site),
        }
    }
}

fn site_of_frame(frame: &Path, context: &Context) -> Result<Option<Site>, Failure> {
    let meta = context.door.meta(frame)?;
    let elevation = meta.gps_elevation_m.unwrap_or(0.0);
    let site = meta.gps_deg.map(|[lat, lon]| Site::new(lat, lon, elevation));
    Ok(site.transpose()?)
}

fn site_words(site: &SiteSettings, shows: Shows) -> String {
    let place = site.place.as_ref().map(|place| shows.place(place));
    let mut words = vec![place.unwrap_or_default()];
    words.extend(site.zone.clone());
    words.extend(site.skyline.as_ref().map(|_| "with its skyline".to_owned()));
    words.join(", ")
}

fn site_json(name: &str, site: &SiteSettings) -> Value {
    json!({
        "name": name,
        "latitude_deg": site.place.map(|p| p.latitude.deg()),
        "longitude_deg": site.place.map(|p| p.longitude.deg()),
        "elevation_m": site.place.map(|p| p.elevation_m),
        "zone": site.zone,
        "skyline": site.skyline,
    })
}

/// `nightloom rig`.
#[derive(Args, Debug)]
pub(crate) struct RigKeepArgs {
    #[command(flatten)]
    keep: KeepArgs,
    /// Camera, for the record.
    #[arg(long, value_name = "TEXT")]
    camera: Option<String>,
    /// Lens, for the record.
    #[arg(long, value_name = "TEXT")]
    lens: Option<String>,
    /// Focal length, millimetres.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm)]
    focal: Option<f64>,
    /// Distance between the sensor's pixels, micrometres.
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um)]
    pitch: Option<f64>,
    /// Width and height of the sensor in millimetres, or the name of its format.
    #[arg(long, value_name = "WxH")]
    sensor: Option<String>,
    /// Tracker, for the record.
    #[arg(long, value_name = "TEXT")]
    tracker: Option<String>,
    /// Amplitude of the tracker's periodic error, arcseconds: half of peak to peak.
    #[arg(long, value_name = "ARCSEC", value_parser = typed::number, requires = "gear_period")]
    gear_error: Option<f64>,
    /// Period of that error, seconds or with its unit.
    #[arg(long, value_name = "S", value_parser = typed::exposure_s, requires = "gear_error")]
    gear_period: Option<f64>,
    /// Your own count of sky frames on one charge of the battery.
    #[arg(long, value_name = "N", value_parser = typed::number)]
    frames_per_charge: Option<f64>,
    /// What one frame takes on the card, megabytes.
    #[arg(long, value_name = "MB", value_parser = typed::number)]
    mb_per_frame: Option<f64>,
}

pub(crate) fn rig(args: &RigKeepArgs, context: &Context) -> Result<Value, Failure> {
    let shelf = shelf()?;
    let Some(name) = &args.keep.name else {
        return all(&shelf, Kind::Rig, context, |name| {
            let rig = shelf.rig(name)?;
            Ok((rig_words(&rig), rig_json(name, &rig)))
        });
    };
    let rig = args.told(context)?;
    if rig == RigSettings::default() {
        let rig = shelf.rig(name)?;
        out::result(rig_text(&rig).trim_end(), context.json);
        return Ok(rig_json(name, &rig));
    }
    let file = shelf.keep_rig(name, &rig, args.keep.replace)?;
    kept(Kind::Rig, name, &rig_words(&rig), &file, context);
    Ok(rig_json(name, &shelf.rig(name)?))
}

impl RigKeepArgs {
    fn told(&self, context: &Context) -> Result<RigSettings, Failure> {
        let mut rig = match &self.keep.from {
            Some(from) if from.is_dir() => read_settings(from)?.rig,
            Some(frame) => rig_of_frame(frame, context)?,
            None => RigSettings::default(),
        };
        if let Some(format) = &self.sensor {
            sensor(format)?;
        }
        let text = |own: &Option<String>, other: Option<String>| own.clone().or(other);
        rig.camera = text(&self.camera, rig.camera);
        rig.lens = text(&self.lens, rig.lens);
        rig.sensor = text(&self.sensor, rig.sensor);
        rig.tracker = text(&self.tracker, rig.tracker);
        rig.focal_mm = self.focal.or(rig.focal_mm);
        rig.pixel_um = self.pitch.or(rig.pixel_um);
        rig.gear_error_arcsec = self.gear_error.or(rig.gear_error_arcsec);
        rig.gear_period_s = self.gear_period.or(rig.gear_period_s);
        rig.frames_per_charge = self.frames_per_charge.or(rig.frames_per_charge);
        rig.mb_per_frame = self.mb_per_frame.or(rig.mb_per_frame);
        if self.keep.from.is_some() && rig == RigSettings::default() {
            return Err(Failure::said(
                "that tells nothing of camera and lens; give --focal and --pitch too, like --focal 24 --pitch 5.95",
            ));
        }
        Ok(rig)
    }
}

fn rig_of_frame(frame: &Path, context: &Context) -> Result<RigSettings, Failure> {
    let meta = context.door.meta(frame)?;
    let plausible = |v: Option<f64>, low: f64, high: f64| v.filter(|v| (low..=high).contains(v));
    let round = |v: f64| (v * 1000.0).round() / 1000.0;
    Ok(RigSettings {
        camera: meta.model.clone(),
        lens: meta.lens.clone(),
        focal_mm: plausible(meta.focal_mm, 1.0, 5000.0),
        pixel_um: plausible(meta.pixel_um.map(round), 0.5, 50.0),
        ..RigSettings::default()
    })
}

fn rig_words(rig: &RigSettings) -> String {
    let figure = |value: Option<f64>, unit: &str| value.map(|v| format!("{v} {unit}"));
    let parts = [
        rig.camera.clone(),
        rig.lens.clone(),
        figure(rig.focal_mm, "mm"),
        figure(rig.pixel_um, "µm pixels"),
        rig.sensor.clone(),
        rig.tracker.clone(),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn rig_json(name: &str, rig: &RigSettings) -> Value {
    let mut json = out::value(rig);
    json["name"] = json!(name);
    json
}

/// Every one that is kept, a line each; one with faults does not hide the others.
fn all(
    shelf: &Shelf,
    kind: Kind,
    context: &Context,
    of: impl Fn(&str) -> Result<(String, Value), ShelfError>,
) -> Result<Value, Failure> {
    let names = shelf.names(kind)?;
    if names.is_empty() {
        out::result(
            &format!("None is kept yet; nightloom {} NAME keeps one.", kind.word()),
            context.json,
        );
    }
    let mut entries = Vec::new();
    for name in &names {
        match of(name) {
            Ok((words, json)) => {
                out::result(&format!("{name:<24}{words}"), context.json);
                entries.push(json);
            }
            Err(error) => out::say(&format!("nightloom: {error}")),
        }
    }
    Ok(json!({ format!("{}s", kind.word()): entries }))
}

fn kept(kind: Kind, name: &str, words: &str, file: &Path, context: &Context) {
    let word = kind.word();
    out::result(&format!("Kept the {word} {name}: {words}"), context.json);
    out::result(
        &format!("In {}; use it with --{word} \"{name}\"", file.display()),
        context.json,
    );
}
