//! `nightloom axis`.

mod chart;
mod show;

use std::path::PathBuf;

use clap::Args;
use nightloom_frames::axis::{AxisAsk, DriftAsk, axis_by_drift, find_axis, turn_words};
use nightloom_optics::Scene;
use nightloom_optics::polar::{Base, Drift, error_by_drifts};
use nightloom_outing::typed::{self, MomentTyped};
use nightloom_sky::{Angle, EarthOrientation, Instant};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::{AirArgs, SpotArgs, instant, offset};
use crate::sight::FlipArgs;
use crate::told::{FocalTold, need};

/// `nightloom axis`.
#[derive(Args, Debug)]
#[command(
    override_usage = "nightloom axis FRAMES... [--lat 46 --lon 8] [--exposure 120] [--then FRAME]\n       nightloom axis A B --by-drift --lat 46 --dec -5 --ha -1.5 --focal 24 --pitch 5.95\n       nightloom axis --drift HA,NORTH_PX,SECONDS [--drift ...] --lat 46 --focal 24 --pitch 5.95"
)]
pub(crate) struct AxisArgs {
    /// Frames of the camera on the running tracker: two some minutes apart, or before and after turning the tracker by hand; more are better. One whose stars are trailed gives two answers
    frames: Vec<PathBuf>,
    /// A frame taken after the axis was adjusted, the camera not touched since: updates the figure
    #[arg(long, value_name = "FRAME")]
    then: Vec<PathBuf>,
    #[command(flatten)]
    spot: SpotArgs,
    /// UT1 - UTC in seconds, as the IERS publishes it
    #[arg(long, value_name = "S", default_value_t = 0.0, allow_negative_numbers = true)]
    dut1: f64,
    /// When the shutters opened, UTC, one for each frame in order, with commas; the files tell when not given
    #[arg(long, value_name = "T,T", value_delimiter = ',', value_parser = typed::moment)]
    at: Vec<MomentTyped>,
    /// The camera clock's offset from UTC, like +02:00, where the files do not tell
    #[arg(long, value_name = "HH:MM", value_parser = offset, allow_hyphen_values = true)]
    clock_offset: Option<i32>,
    /// Seconds by which the camera's clock is ahead
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    clock_error: Option<f64>,
    #[command(flatten)]
    air: AirArgs,
    #[command(flatten)]
    focal: FocalTold,
    /// The exposure planned tonight, seconds; the frames' own when not given
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    exposure: Option<f64>,
    /// Longest trail that is still a point, pixels
    #[arg(long, value_name = "PX", allow_negative_numbers = true, default_value_t = 1.0)]
    tolerance: f64,
    /// Degrees that one turn of the altitude knob moves
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    knob_alt: Option<f64>,
    /// Degrees that one turn of the azimuth knob moves
    #[arg(long, value_name = "DEG", allow_negative_numbers = true)]
    knob_az: Option<f64>,
    /// By how much the base leans and towards which azimuth, degrees; level when not given
    #[arg(long, value_name = "DEG,AZ", value_parser = pair, allow_hyphen_values = true)]
    lean: Option<(f64, f64)>,
    /// Magnification of the rear screen for the star's way over it
    #[arg(
        long,
        value_name = "TIMES",
        allow_negative_numbers = true,
        default_value_t = 1.0
    )]
    zoom: f64,
    /// Do not identify: read the axis off the stars' drift between two frames; needs --dec and --ha
    #[arg(long)]
    by_drift: bool,
    /// A drift read by eye: hour angle in hours, pixels towards the north celestial pole, seconds
    #[arg(long, value_name = "HA,NORTH_PX,S", value_parser = drift, allow_hyphen_values = true)]
    drift: Vec<(f64, f64, f64)>,
    /// Declination of the middle of the picture, roughly, degrees
    #[arg(long, value_name = "D", allow_negative_numbers = true)]
    dec: Option<f64>,
    /// Its hour angle, roughly, hours: 0 on the meridian, positive in the west
    #[arg(long, value_name = "H", allow_negative_numbers = true)]
    ha: Option<f64>,
    /// How the camera is rolled, clockwise as you stand behind it, degrees
    #[arg(long, value_name = "D", default_value_t = 0.0, allow_negative_numbers = true)]
    roll: f64,
    /// Write where the pole star belongs in the sight and where it is, as SVG, PNG or PDF by the ending of the name
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    chart: Option<PathBuf>,
    /// Red on black instead of black on white
    #[arg(long, requires = "chart")]
    red: bool,
    #[command(flatten)]
    sight_flip: FlipArgs,
}

fn numbers<const N: usize>(text: &str) -> Option<[f64; N]> {
    let all: Vec<f64> = text
        .split(',')
        .map(|t| t.trim().parse().ok().filter(|v: &f64| v.is_finite()))
        .collect::<Option<_>>()?;
    all.try_into().ok()
}

fn pair(text: &str) -> Result<(f64, f64), String> {
    match numbers(text) {
        Some([tilt, azimuth]) if (0.0..45.0).contains(&tilt) => Ok((tilt, azimuth)),
        _ => Err("expected the lean below 45° and the azimuth it leans towards, like 3,210".into()),
    }
}

fn drift(text: &str) -> Result<(f64, f64, f64), String> {
    match numbers(text) {
        Some([hours, px, seconds]) if hours.abs() <= 24.0 && seconds > 0.0 => Ok((hours, px, seconds)),
        _ => Err("expected hour angle in hours, pixels to the north and seconds, like 0,12.5,300".into()),
    }
}

pub(crate) fn run(args: &AxisArgs, context: &Context) -> Result<Value, Failure> {
    check(args)?;
    if !args.drift.is_empty() {
        return by_eye(args, context.json);
    }
    if args.by_drift {
        return by_drift(args, context);
    }
    if args.frames.is_empty() {
        return Err(Failure::said(
            "no frames were named; give two frames of the camera on the tracker, some minutes apart or before and after turning it by hand",
        ));
    }
    let ask = ask(args)?;
    let answer = find_axis(&ask, &*context.door);
    context.door.end_of_job();
    let answer = answer?;
    let value = out::value(&answer.report);
    if let Some(sentence) = answer.no {
        show::left_out(&answer.report);
        return Err(Failure::no(value, sentence));
    }
    show::tell(&answer.report, context.json);
    if args.chart.is_some() {
        chart::write(args, &answer.report, context.json)?;
    }
    Ok(value)
}

fn check(args: &AxisArgs) -> Result<(), Failure> {
    let above = |flag, value: Option<f64>| match value {
        Some(found) if !(found.is_finite() && found > 0.0) => Err(Failure::said(format!(
            "{flag} is {found}; expected a number above 0"
        ))),
        _ => Ok(()),
    };
    above("--exposure", args.exposure)?;
    above("--tolerance", Some(args.tolerance))?;
    above("--zoom", Some(args.zoom))?;
    above("--knob-alt", args.knob_alt)?;
    above("--knob-az", args.knob_az)?;
    above("--focal", args.focal.focal)?;
    above("--pitch", args.focal.pitch)
}

fn ask(args: &AxisArgs) -> Result<AxisAsk, Failure> {
    let base = args.lean.map_or_else(Base::level, |(tilt, azimuth)| {
        Base::leaning(Angle::from_deg(tilt), Angle::from_deg(azimuth))
    });
    Ok(AxisAsk {
        frames: args.frames.clone(),
        then: args.then.clone(),
        site: args.spot.site()?,
        orientation: EarthOrientation::with_ut1_minus_utc(args.dut1),
        pressure_hpa: args.air.pressure,
        temperature_c: args.air.temperature,
        lens: args.focal.lens()?,
        at: args.instants()?,
        clock_offset_s: args.clock_offset,
        clock_error_s: args.clock_error,
        exposure_s: args.exposure,
        tolerance_px: args.tolerance,
        knobs_deg: [args.knob_alt, args.knob_az],
        base,
        zoom: args.zoom,
    })
}

impl AxisArgs {
    fn instants(&self) -> Result<Vec<Instant>, Failure> {
        let (site, settings) = (self.spot.site_if_whole()?, self.spot.settings()?);
        let place = site.as_ref().map(|site| (site, &settings));
        self.at.iter().map(|at| instant("--at", at, place)).collect()
    }
}

/// Two frames whose stars nobody has to know.
fn by_drift(args: &AxisArgs, context: &Context) -> Result<Value, Failure> {
    let [first, second] = args.frames.as_slice() else {
        return Err(Failure::said("--by-drift wants two frames, the earlier first"));
    };
    let lat = need(args.spot.latitude_deg()?, "--lat", "46")?;
    let dec = need(args.dec, "--dec", "-5")?;
    let ha = need(args.ha, "--ha", "-1.5")?;
    let scene = Scene::new(
        Angle::from_deg(lat),
        Angle::from_deg(dec),
        Angle::from_deg(15.0 * ha),
    );
    let seconds = match args.instants()?.as_slice() {
        [a, b] => Some(b.seconds_since(*a)),
        _ => None,
    };
    let ask = DriftAsk {
        frames: [first.clone(), second.clone()],
        scene: scene?,
        roll: Angle::from_deg(args.roll),
        lens: args.focal.lens()?,
        seconds,
    };
    match axis_by_drift(&ask, &*context.door)? {
        Err(sentence) => Err(Failure::no(json!({ "problem": sentence }), sentence)),
        Ok(report) => {
            show::drift(&report, context.json);
            Ok(out::value(&report))
        }
    }
}

/// Drifts that an eye at the screen has read.
fn by_eye(args: &AxisArgs, json: bool) -> Result<Value, Failure> {
    let lat = need(args.spot.latitude_deg()?, "--lat", "46")?;
    let (focal, pitch) = args.focal.figures()?;
    let focal = need(focal, "--focal", "24")?;
    let pitch = need(pitch, "--pitch", "5.95")?;
    let north = lat >= 0.0;
    let drifts: Vec<Drift> = args
        .drift
        .iter()
        .map(|(hours, px, seconds)| Drift {
            hour_angle: Angle::from_deg(15.0 * hours),
            north: Angle::from_rad(px * pitch / (1000.0 * focal)),
            seconds: *seconds,
        })
        .collect();
    let error = error_by_drifts(&drifts, north).ok_or_else(|| {
        Failure::said("the drifts say nothing; give hour angle, pixels and seconds above 0")
    })?;
    let advice = turn_words(&error, north);
    out::result(&advice, json);
    if let [one] = drifts.as_slice() {
        let words = format!(
            "One star at {:.1} h tells one part of the error only: on the meridian the azimuth, six hours from it the altitude. Add a second --drift.",
            one.hour_angle.deg() / 15.0
        );
        out::result(&words, json);
    }
    Ok(json!({
        "error": {
            "altitude_arcmin": error.altitude.arcmin(),
            "azimuth_arcmin": error.azimuth.arcmin(),
            "total_arcmin": error.total.arcmin(),
        },
        "advice": advice,
        "stars": drifts.len(),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists() {
        assert_eq!(drift("-6,-4.5,300"), Ok((-6.0, -4.5, 300.0)));
        assert!(drift("0,1").is_err() && drift("0,1,0").is_err() && pair("50,1").is_err());
    }
}
