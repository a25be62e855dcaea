//! `nightloom shots`.

mod args;
mod panorama;
mod show;

use clap::Args;
use jiff::civil::{Date, Time};
use nightloom_outing::evening::{Evening, clock_short};
use nightloom_outing::framing::Panorama;
use nightloom_outing::sheet::Planned;
use nightloom_outing::shots::{CAUTIONS, Hours, ShotsError};
use nightloom_outing::typed;
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, Span};
use serde_json::{Value, json};

use crate::charts::Drawn;
use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::EveningArgs;
use args::{Asked, PlanArgs};
use panorama::PanoramaArgs;
use show::{tell, tell_panorama};

/// Samples of the night's light: one in five minutes.
const SAMPLES: usize = 289;

/// `nightloom shots`.
#[derive(Args, Debug)]
pub(crate) struct ShotsArgs {
    #[command(flatten)]
    pub(crate) evening: EveningArgs,
    /// The date on which the night begins, by the site's clock.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    date: Option<Date>,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees: sky frames while it stands over the skyline. More
    /// than one are taken in one picture, or one after the other where they are not up together for long enough.
    #[arg(long, value_name = "S")]
    subject: Vec<String>,
    /// Take sky frames with the moon up too.
    #[arg(long)]
    moonlit: bool,
    /// No sky frame before this time, by the site's clock.
    #[arg(long, value_name = "HH:MM", value_parser = typed::clock_time)]
    start: Option<Time>,
    /// Not away from home before this time, by the site's clock.
    #[arg(long, value_name = "HH:MM", value_parser = typed::clock_time)]
    leave: Option<Time>,
    /// Back at the latest by this time, by the site's clock.
    #[arg(long, value_name = "HH:MM", value_parser = typed::clock_time)]
    back: Option<Time>,
    #[command(flatten)]
    plan: PlanArgs,
    #[command(flatten)]
    panorama: PanoramaArgs,
}

pub(crate) fn run(args: &ShotsArgs, context: &Context) -> Result<Value, Failure> {
    let planned = plan(args, context)?;
    let (evening, night, list) = (&planned.evening, &planned.night, &planned.list);
    let mut json = out::value(list);
    json["site"] = evening.json();
    json["evening"] = json!(night.window.evening);
    json["cautions"] = json!(CAUTIONS);
    json["panorama"] = out::value(&planned.panorama);
    if !context.json {
        tell(evening, night, list);
        if let Some(panorama) = &planned.panorama {
            tell_panorama(panorama);
        }
    }
    if list.fits {
        return Ok(json);
    }
    let sentence = list.no();
    Err(Failure::no(json, sentence))
}

/// The shot list, whether it fits or not; no window for the sky is the answer “no”.
pub(crate) fn plan(args: &ShotsArgs, context: &Context) -> Result<Planned, Failure> {
    let evening = args.evening.resolve(context)?;
    let mut asked = args.plan.asked(
        &evening.settings.rig,
        context.shows,
        args.panorama.panorama.is_some(),
    )?;
    let (night, found, panorama) = hours_of(args, &evening, &asked)?;
    if let Some(panorama) = &panorama {
        asked.settings.stands = panorama.stands();
        asked.settings.stand_s = args.panorama.turn_s()?;
    }
    match found.and_then(|hours| asked.list(&hours)) {
        Ok((settings, list)) => Ok(Planned {
            evening,
            night,
            settings,
            list,
            panorama,
        }),
        Err(error @ ShotsError::NoWindow { .. }) => {
            let sentence = error.to_string();
            let json = json!({
                "site": evening.json(), "evening": night.window.evening, "fits": false, "blocks": [],
                "short": [&sentence],
            });
            Err(Failure::no(json, sentence))
        }
        Err(error) => Err(error.into()),
    }
}

/// The night asked for, and its hours if there are any for sky frames.
fn hours_of(args: &ShotsArgs, evening: &Evening, asked: &Asked) -> Result<Found, Failure> {
    let date = evening.date(args.date)?;
    let subjects = evening.subjects(&args.subject)?;
    let nights = evening.nights(date, date)?;
    let sky = nights.sky(date)?;
    let night = sky.night(&subjects)?;
    let mut hours = Hours::of(&night, &sky.samples(SAMPLES, None), args.moonlit);
    if let Ok(hours) = &mut hours {
        hours.night = args.away(evening, &night)?;
    }
    if let (Ok(found), Some(start)) = (&mut hours, args.start) {
        let start = at_clock(evening, &night, start);
        if start.is_none_or(|start| start >= found.sky.to) {
            let (from, to) = [found.sky.from, found.sky.to]
                .map(|t| clock_short(&evening.zone.zone, t))
                .into();
            return Err(Failure::said(format!(
                "--start is not in the window for the sky frames, which goes from {from} to {to}; give a time in it"
            )));
        }
        found.sky.from = found.sky.from.max(start.unwrap_or(found.sky.from));
    }
    let drawn = Drawn::of(evening, &sky, &night, &subjects)?;
    let panorama = args.panorama.of(&drawn, evening, asked)?;
    Ok((night, hours, panorama))
}

/// The night, its hours if there are any for sky frames, and the panorama that is asked for.
type Found = (Night, Result<Hours, ShotsError>, Option<Panorama>);

/// A time by the site's clock in a night from noon to noon.
fn at_clock(evening: &Evening, night: &Night, time: Time) -> Option<Instant> {
    let noon = jiff::civil::time(12, 0, 0, 0);
    let date = if time < noon {
        night.window.evening.tomorrow()
    } else {
        Ok(night.window.evening)
    };
    let zone = &evening.zone.zone;
    let zoned = date.and_then(|d| zone.to_zoned_datetime(d.to_datetime(time)));
    zoned.ok().map(|z| Instant::from_timestamp(z.timestamp()))
}

impl ShotsArgs {
    /// From leaving at the earliest to being back at the latest.
    fn away(&self, evening: &Evening, night: &Night) -> Result<Span, Failure> {
        let window = &night.window;
        let at = |time: Time| at_clock(evening, night, time);
        let span = Span {
            from: self.leave.and_then(at).unwrap_or(window.from),
            to: self.back.and_then(at).unwrap_or(window.to),
        };
        match (self.leave, self.back) {
            (Some(leave), Some(back)) if span.from >= span.to => Err(Failure::said(format!(
                "--leave {leave} is not before --back {back} in the night from noon to noon; give an earlier time to leave or a later one to be back"
            ))),
            _ => Ok(span),
        }
    }
}
