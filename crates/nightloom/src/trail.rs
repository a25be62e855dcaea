//! `nightloom trail`: how far the stars move on the sensor within an exposure.

mod show;

use std::path::PathBuf;

use clap::Args;
use nightloom_chart::{Look, TrailPicture, trail_map};
use nightloom_optics::{
    AxisAllowance, Camera, FrameTrails, Periodic, Projection, Rate, Rules, Scene, Shot, Tracker, Trailing,
    axis_allowance, longest_exposure_s, rules, share_of_frames_kept,
};
use nightloom_outing::evening::{EveningError, subject_names};
use nightloom_outing::typed::{self, MomentTyped};
use nightloom_outing::{RigSettings, Settings};
use nightloom_sky::subjects::find;
use nightloom_sky::{Air, Angle};
use serde_json::Value;

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::{MomentArgs, PlaceArgs};
use crate::told::{RigArgs, need, number, one_of, sensor, time_alone};
use show::{answer_json, map_json, tell};

/// Places across and down the map.
const MAP: [usize; 2] = [24, 16];

/// What lenses do.
const PROJECTIONS: [(&str, &str, Projection); 5] = [
    (
        "rectilinear",
        "Straight lines stay straight",
        Projection::Rectilinear,
    ),
    ("equidistant", "Fisheye, r = θ", Projection::Equidistant),
    ("equisolid", "Fisheye, r = 2 sin(θ/2)", Projection::Equisolid),
    (
        "stereographic",
        "Fisheye, r = 2 tan(θ/2)",
        Projection::Stereographic,
    ),
    ("orthographic", "Fisheye, r = sin θ", Projection::Orthographic),
];

/// `nightloom trail`.
#[derive(Args, Debug)]
#[command(
    override_usage = "nightloom trail FOLDER --exposure 120 [--subject lyra] [--at 9:30pm]\n       nightloom trail --site NAME --rig NAME --subject lyra --at \"2027-01-09 21:30\" --exposure 120\n       nightloom trail --lat 51.5 --dec -5 --ha -1.5 --focal 24 --pitch 5.95 --exposure 120 [--axis-alt 51.2 --axis-az 0.4]"
)]
pub(crate) struct TrailArgs {
    #[command(flatten)]
    place: PlaceArgs,
    #[command(flatten)]
    rig: RigArgs,
    /// What the picture is about, in place of --dec and --ha; may be given more than once; the outing's subjects when not
    /// given
    #[arg(long, value_name = "S", conflicts_with_all = ["dec", "ha"])]
    subject: Vec<String>,
    /// When the shutter opens, with --subject: 2027-01-09 21:30 by the site's clock, 9:30pm of the outing's night, or
    /// 2026-08-12T20:30:00Z; now, or the outing's dusk, when not given
    #[arg(long, value_name = "T", value_parser = typed::moment, conflicts_with_all = ["dec", "ha"])]
    at: Option<MomentTyped>,
    /// Declination of the middle of the picture, degrees
    #[arg(long, value_name = "D", value_parser = number, allow_hyphen_values = true)]
    dec: Option<f64>,
    /// Its hour angle when the shutter opens, hours: 0 on the meridian, positive in the west
    #[arg(long, value_name = "H", value_parser = number, allow_hyphen_values = true)]
    ha: Option<f64>,
    /// Focal length, millimetres
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm, allow_hyphen_values = true)]
    focal: Option<f64>,
    /// Pixel pitch, micrometres
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um, allow_hyphen_values = true)]
    pitch: Option<f64>,
    /// Exposure in seconds, or with a unit: 120, 2min, 1/15s
    #[arg(long, value_name = "S", allow_hyphen_values = true)]
    exposure: Option<String>,
    /// Sensor in millimetres, or the name of its format, like aps-c; the rig's, or else 36x24, when not given
    #[arg(long, value_name = "WxH", allow_hyphen_values = true)]
    sensor: Option<String>,
    /// What the lens does
    #[arg(long, value_parser = one_of(&PROJECTIONS), default_value = "rectilinear")]
    projection: Projection,
    /// Altitude of the tracker's axis, degrees, airless; without it the camera is fixed
    #[arg(long, value_name = "D", value_parser = number, allow_hyphen_values = true)]
    axis_alt: Option<f64>,
    /// Azimuth of the tracker's axis, degrees from north through east; near 180 in the south
    #[arg(long, value_name = "D", value_parser = number, allow_hyphen_values = true)]
    axis_az: Option<f64>,
    /// The tracker's rate: sidereal, solar, half, off, or a factor of sidereal
    #[arg(long, value_name = "RATE", value_parser = rate, allow_hyphen_values = true)]
    rate: Option<Rate>,
    /// Amplitude of the tracker's periodic error, arcsec: half of peak to peak. Trails are told for its worst phase
    #[arg(long, value_name = "ARCSEC", value_parser = number, allow_hyphen_values = true)]
    gear_error: Option<f64>,
    /// Period of the tracker's periodic error, seconds
    #[arg(long, value_name = "S", value_parser = number, allow_hyphen_values = true)]
    gear_period: Option<f64>,
    /// Count refraction in, for 1010 hPa and 10 °C
    #[arg(long)]
    refraction: bool,
    /// Longest trail that is still a point, pixels
    #[arg(long, value_name = "PX", value_parser = number, default_value_t = 1.0, allow_hyphen_values = true)]
    tolerance: f64,
    /// f-number, for the rule of thumb that wants it
    #[arg(long, value_name = "N", value_parser = typed::f_number, allow_hyphen_values = true)]
    f_number: Option<f64>,
    /// Add the lengths of trails over the frame to the JSON
    #[arg(long)]
    map: bool,
    /// Write a map of the trails over the frame, as SVG, PNG or PDF by the ending of the name; of several subjects, of the
    /// one whose stars trail farthest
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    chart: Option<PathBuf>,
    /// Red on black instead of black on white
    #[arg(long, requires = "chart")]
    red: bool,
}

fn rate(text: &str) -> Result<Rate, String> {
    match text {
        "sidereal" => Ok(Rate::Sidereal),
        "solar" => Ok(Rate::Solar),
        "half" => Ok(Rate::Half),
        "off" => Ok(Rate::Off),
        other => match other.parse() {
            Ok(factor) if (-10.0..=10.0).contains(&factor) => Ok(Rate::Times(factor)),
            _ => {
                Err("expected sidereal, solar, half, off or a factor of the sidereal rate, like 0.997".into())
            }
        },
    }
}

pub(crate) fn run(args: &TrailArgs, context: &Context) -> Result<Value, Failure> {
    let mut all = Vec::new();
    for (name, shot) in shots(args, context)? {
        if let Some(name) = &name {
            out::result(name, context.json);
        }
        let mut value = answer(&shot, args, context.json)?;
        value["subject"] = name.into();
        all.push(value);
    }
    if let Some(file) = &args.chart {
        out::chart(file, &args.svg(Look::red(args.red), context)?, context.json)?;
    }
    Ok(out::of_each(all))
}

impl TrailArgs {
    /// The trails over the frame.
    pub(crate) fn svg(&self, look: Look, context: &Context) -> Result<String, Failure> {
        let shots = shots(self, context)?
            .into_iter()
            .map(|(_, shot)| shot.at_worst_phase());
        let worst = |shot: &Shot| {
            let worst = shot.frame_trails(Trailing::Sky).worst;
            worst.map_or(f64::INFINITY, |w| w.length_px)
        };
        let shot = shots.max_by(|a, b| worst(a).total_cmp(&worst(b)));
        let picture = TrailPicture {
            shot: shot.ok_or(EveningError::NoSubject)?,
            tolerance_px: self.tolerance,
        };
        Ok(trail_map(&picture, look))
    }
}

fn answer(shot: &Shot, args: &TrailArgs, json: bool) -> Result<Value, Failure> {
    // Where the worm stands is chance: what is told is what no frame exceeds.
    let shot = &shot.at_worst_phase();
    let answer = Answer {
        trails: shot.frame_trails(Trailing::Sky),
        land: shot.tracker.map(|_| shot.frame_trails(Trailing::Land)),
        longest_s: longest_exposure_s(shot, args.tolerance)?,
        allowed: axis_allowance(&shot.scene, &shot.camera, shot.seconds, args.tolerance)?,
        kept: match shot.tracker.and_then(|t| t.periodic) {
            Some(_) => share_of_frames_kept(shot, args.tolerance)?,
            None => None,
        },
        rules: rules(
            &shot.camera,
            args.f_number,
            Angle::from_deg(shot.least_declination_deg()),
        )?,
    };
    tell(shot, &answer, args.tolerance, json);
    let mut value = answer_json(shot, &answer, args);
    if args.map {
        value["map"] = map_json(&shot.trail_map(MAP[0], MAP[1], Trailing::Sky));
    }
    Ok(value)
}

struct Answer {
    trails: FrameTrails,
    land: Option<FrameTrails>,
    longest_s: Option<f64>,
    allowed: AxisAllowance,
    kept: Option<f64>,
    rules: Rules,
}

/// What is taken, once for each subject; without names where there is one place only.
fn shots(args: &TrailArgs, context: &Context) -> Result<Vec<(Option<String>, Shot)>, Failure> {
    let place = args.place.spot.told(args.place.folder.as_deref());
    let settings = match &place {
        Ok(place) => place.settings()?,
        // A latitude alone is no place, and enough with --dec and --ha.
        Err(_) => Settings::default(),
    };
    let rig = args.rig.or(&settings.rig)?;
    let scenes = scenes(args, &settings, context)?;
    let focal = need(args.focal.or(rig.focal_mm), "--focal", "24")?;
    let pitch = need(args.pitch.or(rig.pixel_um), "--pitch", "5.95")?;
    let exposure = need(args.exposure.as_deref(), "--exposure", "120")?;
    let format = args.sensor.as_deref().or(rig.sensor.as_deref());
    let camera = Camera::new(args.projection, focal, pitch, sensor(format.unwrap_or("36x24"))?)?;
    let tracker = tracker(args, &rig)?;
    let seconds = seconds(exposure)?;
    scenes
        .into_iter()
        .map(|(name, scene)| {
            let shot = Shot {
                scene,
                camera,
                tracker,
                air: args.refraction.then(Air::default),
                seconds,
            };
            Ok((name, shot.checked()?))
        })
        .collect()
}

/// Latitude, and where the picture's middle stands: by declination and hour angle, or by each subject's place.
fn scenes(
    args: &TrailArgs,
    settings: &Settings,
    context: &Context,
) -> Result<Vec<(Option<String>, Scene)>, Failure> {
    let told = match &args.subject[..] {
        [] => settings.outing.subject.as_slice(),
        told => told,
    };
    let names: Vec<&str> = told.iter().flat_map(|text| subject_names(text)).collect();
    if args.dec.is_some() || args.ha.is_some() || names.is_empty() {
        let of_outing = settings.site.place.map(|site| site.latitude.deg());
        let lat = need(args.place.spot.latitude_deg()?.or(of_outing), "--lat", "51.5")?;
        let dec = need(args.dec, "--dec", "-5")?;
        let ha = need(args.ha, "--ha", "-1.5")?;
        let [lat, dec, ha] = [lat, dec, 15.0 * ha].map(Angle::from_deg);
        return Ok(vec![(None, Scene::new(lat, dec, ha)?)]);
    }
    let moment = MomentArgs::at(args.at.clone());
    let standing = args.place.standing(&moment, Default::default(), context)?;
    let observer = &standing.observer;
    names
        .into_iter()
        .map(|name| {
            let subject = find(name)?;
            let place = observer.place(&subject.target_at(observer.instant())?);
            let scene = Scene::new(
                observer.site().latitude,
                place.declination_of_date,
                place.hour_angle,
            )?;
            Ok((Some(subject.name), scene))
        })
        .collect()
}

/// A bare number is in seconds here, as the flag says.
fn seconds(text: &str) -> Result<f64, Failure> {
    if let Ok(seconds) = text.trim().parse() {
        return Ok(seconds);
    }
    time_alone("--exposure", text)
}

fn tracker(args: &TrailArgs, rig: &RigSettings) -> Result<Option<Tracker>, Failure> {
    if args.axis_alt.is_none() && args.axis_az.is_none() {
        let given = [
            ("--rate", args.rate.is_some()),
            ("--gear-error", args.gear_error.is_some()),
            ("--gear-period", args.gear_period.is_some()),
        ];
        return match given.into_iter().find(|g| g.1) {
            Some((flag, _)) => Err(Failure::said(format!(
                "{flag} says how a tracker turns, but without an axis the camera is fixed; add --axis-alt and --axis-az, like --axis-alt 51.5 --axis-az 0"
            ))),
            None => Ok(None),
        };
    }
    let altitude = need(args.axis_alt, "--axis-alt", "51.5")?;
    let azimuth = need(args.axis_az, "--axis-az", "0.4")?;
    let mut tracker = Tracker::pointing(Angle::from_deg(altitude), Angle::from_deg(azimuth))?;
    tracker.rate = args.rate.unwrap_or_default();
    tracker.periodic = periodic(args, rig)?;
    Ok(Some(tracker))
}

fn periodic(args: &TrailArgs, rig: &RigSettings) -> Result<Option<Periodic>, Failure> {
    let error = args.gear_error.or(rig.gear_error_arcsec);
    let period = args.gear_period.or(rig.gear_period_s);
    if error.is_none() && period.is_none() {
        return Ok(None);
    }
    let error = need(error, "--gear-error", "25")?;
    let period = need(period, "--gear-period", "480")?;
    Ok(Some(Periodic::new(
        Angle::from_arcsec(error),
        period,
        Angle::default(),
    )?))
}
