//! `nightloom shots`.

mod args;
mod show;

use clap::Args;
use jiff::civil::{Date, Time};
use nightloom_outing::evening::Evening;
use nightloom_outing::sheet::Planned;
use nightloom_outing::shots::{CAUTIONS, Hours, ShotsError};
use nightloom_outing::typed;
use nightloom_sky::Instant;
use nightloom_sky::night::{Night, Span};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::EveningArgs;
use args::PlanArgs;
use show::tell;

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
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees: sky frames while it stands over the skyline.
    #[arg(long, value_name = "S")]
    subject: Option<String>,
    /// Take sky frames with the moon up too.
    #[arg(long)]
    moonlit: bool,
    /// Not away from home before this time, by the site's clock.
    #[arg(long, value_name = "HH:MM", value_parser = typed::clock_time)]
    leave: Option<Time>,
    /// Back at the latest by this time, by the site's clock.
    #[arg(long, value_name = "HH:MM", value_parser = typed::clock_time)]
    back: Option<Time>,
    #[command(flatten)]
    plan: PlanArgs,
}

pub(crate) fn run(args: &ShotsArgs, context: &Context) -> Result<Value, Failure> {
    let planned = plan(args, context)?;
    let (evening, night, list) = (&planned.evening, &planned.night, &planned.list);
    let mut json = out::value(list);
    json["site"] = evening.json();
    json["evening"] = json!(night.window.evening);
    json["cautions"] = json!(CAUTIONS);
    if !context.json {
        tell(evening, night, list);
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
    let asked = args.plan.asked(&evening.settings.rig)?;
    let (night, found) = hours_of(args, &evening)?;
    match found.and_then(|hours| asked.list(&hours)) {
        Ok(list) => Ok(Planned {
            evening,
            night,
            settings: asked.settings,
            list,
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
fn hours_of(args: &ShotsArgs, evening: &Evening) -> Result<(Night, Result<Hours, ShotsError>), Failure> {
    let date = evening.date(args.date)?;
    let subjects = evening.subjects(&args.subject)?;
    let nights = evening.nights(date, date)?;
    let sky = nights.sky(date)?;
    let night = sky.night(&subjects)?;
    let mut hours = Hours::of(&night, &sky.samples(SAMPLES, None), args.moonlit);
    if let Ok(hours) = &mut hours {
        hours.night = args.away(evening, &night)?;
    }
    Ok((night, hours))
}

impl ShotsArgs {
    /// From leaving at the earliest to being back at the latest.
    fn away(&self, evening: &Evening, night: &Night) -> Result<Span, Failure> {
        let window = &night.window;
        let at = |time: Time| {
            let noon = jiff::civil::time(12, 0, 0, 0);
            let date = if time < noon {
                window.evening.tomorrow()
            } else {
                Ok(window.evening)
            };
            let zone = &evening.zone.zone;
            let zoned = date.and_then(|d| zone.to_zoned_datetime(d.to_datetime(time)));
            zoned.ok().map(|z| Instant::from_timestamp(z.timestamp()))
        };
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
