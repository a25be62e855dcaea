//! `nightloom exposure`: equivalent settings, their ladder, and the sky's rate.

mod chart;

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use nightloom_chart::Look;
use nightloom_frames::{FrameLight, FrameTold, frame_light};
use nightloom_optics::noise::{LightPath, READ_NOISE_SHARE, sky_e_per_s, sky_limited_s};
use nightloom_optics::{
    Comparison, Equivalent, Exposure, Ladder, LadderLimits, Limit, Setting, Written, compare, ladder, solve,
};
use nightloom_outing::typed;
use nightloom_outing::{setting_words, short, time_words};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::told::{RigArgs, need, number, time_alone};
use chart::{ChartArgs, Signal};

/// `nightloom exposure`.
#[derive(Args, Clone, Debug)]
#[command(
    override_usage = "nightloom exposure --from \"15s f/2.8 ISO6400\" --to \"f/4 ISO800\"\n       nightloom exposure --from \"15s f/2.8 ISO6400\" --ladder --lowest-iso 800 --narrowest 4\n       nightloom exposure --sky 21.5 --f-number 2.8 --pitch 5.95 --qe 0.5 --transmission 0.8 --read-noise 2"
)]
pub(crate) struct ExposureArgs {
    /// An outing's folder, whose rig tells the pixel pitch
    folder: Option<PathBuf>,
    /// Settings that looked right: time, f-number and ISO, with filters if there were any
    #[arg(long, value_name = "SETTINGS", allow_hyphen_values = true)]
    from: Option<String>,
    /// Settings wanted: leave one of the three out to have it worked out, give all to compare
    #[arg(long, value_name = "SETTINGS", allow_hyphen_values = true)]
    to: Option<String>,
    /// List equivalents up to the limits below, towards longer times
    #[arg(long)]
    ladder: bool,
    /// The ladder goes towards shorter times
    #[arg(long, requires = "ladder")]
    shorter: bool,
    /// Thirds of a stop from rung to rung
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(i32).range(1..=30))]
    step: i32,
    /// Longest time of the ladder, like 4min
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    longest: Option<String>,
    /// Shortest time of the ladder, like 5s
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    shortest: Option<String>,
    /// Highest ISO of the ladder
    #[arg(long, value_name = "ISO", value_parser = number, allow_hyphen_values = true)]
    highest_iso: Option<f64>,
    /// Lowest ISO of the ladder
    #[arg(long, value_name = "ISO", value_parser = number, allow_hyphen_values = true)]
    lowest_iso: Option<f64>,
    /// Widest aperture of the ladder, the smallest f-number
    #[arg(long, value_name = "N", value_parser = typed::f_number, allow_hyphen_values = true)]
    widest: Option<f64>,
    /// Narrowest aperture of the ladder, the largest f-number
    #[arg(long, value_name = "N", value_parser = typed::f_number, allow_hyphen_values = true)]
    narrowest: Option<f64>,
    /// Brightness of the sky, mag/arcsec² in V: gives its rate, and the exposure it limits
    #[arg(long, value_name = "MAG", value_parser = number, allow_hyphen_values = true, group = "sky_told")]
    sky: Option<f64>,
    /// A frame of this night: the brightness of the sky is measured in it, in place of --sky
    #[arg(long, value_name = "FRAME", conflicts_with = "sky", group = "sky_told")]
    sky_from: Option<PathBuf>,
    /// With --sky: f-number
    #[arg(long, value_name = "N", value_parser = typed::f_number, allow_hyphen_values = true)]
    f_number: Option<f64>,
    /// With --sky: pixel pitch, micrometres
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um, allow_hyphen_values = true)]
    pitch: Option<f64>,
    /// With --sky: quantum efficiency with the colour filter, 0 to 1
    #[arg(long, value_name = "Q", value_parser = typed::share, allow_hyphen_values = true)]
    qe: Option<f64>,
    /// With --sky: transmission of lens and filters, 0 to 1
    #[arg(long, value_name = "T", value_parser = typed::share, allow_hyphen_values = true)]
    transmission: Option<f64>,
    /// With --sky: read noise, electrons
    #[arg(long, value_name = "E", value_parser = number, allow_hyphen_values = true)]
    read_noise: Option<f64>,
    #[command(flatten)]
    rig: RigArgs,
    #[command(flatten)]
    chart: ChartArgs,
}

pub(crate) fn run(args: &ExposureArgs, context: &Context) -> Result<Value, Failure> {
    let Some(frame) = &args.sky_from else {
        let value = answer(args, context.json)?;
        chart::write(args, context.json)?;
        return Ok(value);
    };
    let light = frame_light(frame, &FrameTold::default(), &*context.door);
    context.door.end_of_job();
    let (mag, sigma) = measured_sky(light?)?;
    let name = frame.display();
    out::result(
        &format!("The sky in {name} has {mag:.2} ± {sigma:.2} mag/arcsec² in V."),
        context.json,
    );
    let told = ExposureArgs {
        sky: Some(mag),
        ..args.clone()
    };
    let mut value = answer(&told, context.json)?;
    chart::write(&told, context.json)?;
    value["sky_mag_arcsec2"] = json!(mag);
    value["sky_sigma"] = json!(sigma);
    Ok(value)
}

/// Brightness of a frame's sky and its standard deviation, mag/arcsec² in V.
fn measured_sky(light: Option<FrameLight>) -> Result<(f64, f64), Failure> {
    let why = match light {
        Some(light) => match light.sky_mag_arcsec2.zip(light.sky_sigma) {
            Some(sky) => return Ok(sky),
            None => light.notes.join(" "),
        },
        None => "it was not identified; nightloom identify tells why.".into(),
    };
    Err(Failure::no(
        json!({ "sky_mag_arcsec2": null, "why": why }),
        format!(
            "--sky-from: the frame does not tell how bright the sky is: {why} Give another, or --sky 21.5"
        ),
    ))
}

impl ExposureArgs {
    /// The ladder's or the signal's chart.
    pub(crate) fn svg(&self, look: Look) -> Result<String, Failure> {
        chart::draw(self, look)
    }
}

fn answer(args: &ExposureArgs, json: bool) -> Result<Value, Failure> {
    let mut answer = json!({});
    if args.sky.is_none() && args.from.is_none() {
        return Err(Failure::said(
            "nothing is asked; give --from \"15s f/2.8 ISO6400\" with --to \"f/4 ISO800\" or with --ladder, or give --sky 21.5 with the camera's figures",
        ));
    }
    if let Some(from) = &args.from {
        let before = Written::parse("--from", from)?;
        let settings = before.complete("--from")?;
        answer["from"] = exposure_json(&settings);
        answer["ev100"] = json!(settings.ev100());
        match &args.to {
            Some(to) => to_answer(&before, to, json, &mut answer)?,
            None if args.ladder || args.chart.file.is_some() => {}
            None => need(None, "--to", "\"f/4 ISO800\"")?,
        }
        if args.ladder {
            answer["ladder"] = ladder_answer(&settings, args, json)?;
        }
    }
    if let Some(mag) = args.sky {
        sky_answer(mag, args, json, &mut answer)?;
    }
    Ok(answer)
}

fn to_answer(before: &Written, to: &str, quiet: bool, answer: &mut Value) -> Result<(), Failure> {
    let after = Written::parse("--to", to)?;
    if after.left_open("--to")?.is_some() {
        let found = solve(before, &after)?;
        tell_equivalent(&found, quiet);
        answer["to"] = exposure_json(&found.to);
        answer["stops"] = json!(found.stops);
        answer["solved"] = json!(found.solved);
        answer["exact"] = exposure_json(&found.exact);
        answer["as_written"] = exposure_json(&found.as_written);
        answer["nearest_mark"] = json!(found.nearest_mark.map(|m| m.0));
        answer["remarks"] = json!(found.remarks());
    } else {
        let found = compare(before, &after)?;
        tell_comparison(&found, quiet);
        answer["to"] = exposure_json(&found.to);
        answer["stops"] = json!(found.stops);
        answer["difference_stops"] = json!(found.difference_stops);
        answer["marked_difference_stops"] = json!(found.marked_difference_stops);
        answer["to_ev100"] = json!(found.to_ev100);
    }
    Ok(())
}

fn exposure_json(e: &Exposure) -> Value {
    json!({ "time_s": e.seconds, "f_number": e.f_number, "iso": e.iso })
}

fn tell_equivalent(found: &Equivalent, quiet: bool) {
    let say = |line: &str| out::result(line, quiet);
    say(&settings(&found.to));
    let stops = &found.stops;
    let mut line = format!(
        "Stops: time {:+.2}, aperture {:+.2}, ISO {:+.2}",
        stops.time, stops.aperture, stops.iso
    );
    if stops.attachments != 0.0 {
        let _ = write!(line, ", filters {:+.2}", stops.attachments);
    }
    say(&format!("{line}. EV100 {:.1}.", found.ev100));
    let value = |e: &Exposure| setting_words(found.solved, e);
    if value(&found.as_written) != value(&found.to) || value(&found.exact) != value(&found.to) {
        say(&format!(
            "Set {} (exact: {}).",
            value(&found.to),
            value(&found.exact)
        ));
    }
    for remark in found.remarks() {
        say(&remark);
    }
}

fn tell_comparison(found: &Comparison, quiet: bool) {
    let say = |line: &str| out::result(line, quiet);
    let difference = found.difference_stops;
    let by = match difference {
        d if d.abs() < 0.005 => "The second is as bright as the first".to_owned(),
        d if d > 0.0 => format!("The second is {d:.2} stops brighter"),
        d => format!("The second is {:.2} stops darker", -d),
    };
    let marks = found.marked_difference_stops;
    if (marks - difference).abs() < 0.005 {
        say(&format!("{by}."));
    } else {
        say(&format!(
            "{by} by the numbers as written, {marks:+.2} between the marks."
        ));
    }
    say(&format!("EV100 {:.1} and {:.1}.", found.ev100, found.to_ev100));
}

fn settings(e: &Exposure) -> String {
    format!(
        "{}  {}  {}",
        setting_words(Setting::Time, e),
        setting_words(Setting::Aperture, e),
        setting_words(Setting::Iso, e)
    )
}

fn ladder_answer(from: &Exposure, args: &ExposureArgs, quiet: bool) -> Result<Value, Failure> {
    let step = if args.shorter { -args.step } else { args.step };
    let found = ladder(from, step, &limits(args)?)?;
    tell_ladder(&found, quiet);
    let rungs: Vec<Value> = found.rungs.iter().map(|r| exposure_json(&r.settings)).collect();
    Ok(json!({ "rungs": rungs, "ended_by": found.ended_by }))
}

fn limits(args: &ExposureArgs) -> Result<LadderLimits, Failure> {
    Ok(LadderLimits {
        longest_s: limit_s("--longest", args.longest.as_deref())?,
        shortest_s: limit_s("--shortest", args.shortest.as_deref())?,
        highest_iso: args.highest_iso,
        lowest_iso: args.lowest_iso,
        widest: args.widest,
        narrowest: args.narrowest,
    })
}

fn limit_s(flag: &'static str, text: Option<&str>) -> Result<Option<f64>, Failure> {
    text.map(|text| time_alone(flag, text)).transpose()
}

fn tell_ladder(found: &Ladder, quiet: bool) {
    let say = |line: &str| out::result(line, quiet);
    for rung in &found.rungs {
        let e = &rung.settings;
        say(&format!(
            "{:>18}  {:<6}  {}",
            setting_words(Setting::Time, e),
            setting_words(Setting::Aperture, e),
            setting_words(Setting::Iso, e)
        ));
    }
    let ends: Vec<&str> = found.ended_by.iter().map(|&l| limit_words(l)).collect();
    say(&format!("It ends there: {}.", ends.join(" and ")));
}

fn limit_words(limit: Limit) -> &'static str {
    match limit {
        Limit::Longest => "the longest time is reached",
        Limit::Shortest => "the shortest time is reached",
        Limit::HighestIso => "the highest ISO is reached",
        Limit::LowestIso => "the lowest ISO is reached",
        Limit::Widest => "the widest aperture is reached",
        Limit::Narrowest => "the narrowest aperture is reached",
    }
}

/// Light path and read noise of `--sky`.
fn camera(args: &ExposureArgs) -> Result<(LightPath, f64), Failure> {
    let path = LightPath {
        f_number: need(args.f_number, "--f-number", "2.8")?,
        pitch_um: need(
            args.pitch.or(args.rig.or_of(args.folder.as_deref())?.pixel_um),
            "--pitch",
            "5.95",
        )?,
        qe: need(args.qe, "--qe", "0.5")?,
        transmission: need(args.transmission, "--transmission", "0.8")?,
    };
    Ok((path, need(args.read_noise, "--read-noise", "2")?))
}

fn sky_answer(mag: f64, args: &ExposureArgs, quiet: bool, answer: &mut Value) -> Result<(), Failure> {
    let (path, read_noise) = camera(args)?;
    let rate = sky_e_per_s(mag, &path)?;
    let limited = sky_limited_s(rate, read_noise, READ_NOISE_SHARE)?;
    let say = |line: &str| out::result(line, quiet);
    say(&format!(
        "The sky gives {} electrons per second and pixel.",
        short(rate)
    ));
    say(&format!(
        "From {} on, read noise adds less than {:.0} % to the noise.",
        time_words(limited),
        READ_NOISE_SHARE * 100.0
    ));
    answer["sky_e_per_s"] = json!(rate);
    answer["sky_limited_s"] = json!(limited);
    if args.chart.asks_for_signal() {
        let signal = Signal::new(mag, args)?;
        signal.tell(quiet)?;
        answer["signal"] = signal.json()?;
    }
    Ok(())
}
