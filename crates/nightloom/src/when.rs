//! `nightloom when`.

use clap::Args;
use jiff::civil::Date;
use nightloom_outing::evening::{Evening, EveningError, ShowerPeak, clock_short, never, shower_peak};
use nightloom_outing::typed;
use nightloom_sky::Angle;
use nightloom_sky::night::{Chance, SkyBox, WhenQuestion};
use nightloom_sky::subjects::Subject;
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out::{self, line};
use crate::place::{EveningArgs, within};

/// Said in the JSON of every answer.
const WORTH: &str = "worth_minutes: each minute times its grade, 0 to 1: the share of a minute on the subject at the zenith of this site's dark, moonless sky, by sky brightness and extinction";

/// `nightloom when`.
#[derive(Args, Debug)]
pub(crate) struct WhenArgs {
    #[command(flatten)]
    evening: EveningArgs,
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees; may be given more than once.
    #[arg(long, value_name = "S")]
    subject: Vec<String>,
    /// The first evening.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    from: Date,
    /// The last evening.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    to: Date,
    /// Azimuths from the left edge clockwise to the right one, as 195,215 or 350,10; all round when not given.
    #[arg(long, value_name = "LEFT,RIGHT", value_parser = azimuths, allow_hyphen_values = true)]
    azimuth: Option<(f64, f64)>,
    /// Altitudes as seen through the air, as 10,30; the whole sky when not given.
    #[arg(long, value_name = "LOW,HIGH", value_parser = altitudes, allow_hyphen_values = true)]
    altitude: Option<(f64, f64)>,
    /// Count times with the moon up too, by what they are worth.
    #[arg(long)]
    moonlit: bool,
    /// Leave out shorter times, minutes.
    #[arg(long, value_name = "MIN", default_value_t = 1.0, value_parser = minutes)]
    least: f64,
    /// How many to show, the best first; all in the JSON.
    #[arg(long, value_name = "N", default_value_t = 20)]
    show: usize,
}

pub(crate) fn run(args: &WhenArgs, context: &Context) -> Result<Value, Failure> {
    let evening = args.evening.resolve(context)?;
    let subjects = evening.subjects(&args.subject)?;
    if subjects.is_empty() {
        return Err(EveningError::NoSubject.into());
    }
    let answers = subjects
        .into_iter()
        .map(|subject| answer(args, &evening, subject));
    let answers: Vec<Answer> = answers.collect::<Result<_, _>>()?;
    let json = out::of_each(answers.iter().map(|answer| answer.json(args, &evening)));
    // No, if there is no time for any of them.
    let whys: Vec<&str> = answers.iter().filter_map(|a| a.why.as_deref()).collect();
    if whys.len() == answers.len() {
        return Err(Failure::no(json, whys.join("; ")));
    }
    if !context.json {
        for (n, answer) in answers.iter().enumerate() {
            if n > 0 {
                line("");
            }
            tell(args, &evening, answer);
        }
    }
    Ok(json)
}

/// What is said of one subject.
struct Answer {
    question: WhenQuestion,
    /// The best first.
    chances: Vec<Chance>,
    /// Why there are none.
    why: Option<String>,
    peak: Option<ShowerPeak>,
}

fn answer(args: &WhenArgs, evening: &Evening, subject: Subject) -> Result<Answer, Failure> {
    let mut sky_box = SkyBox::default();
    if let Some((left, right)) = args.azimuth {
        (sky_box.from_azimuth, sky_box.to_azimuth) = (Angle::from_deg(left), Angle::from_deg(right));
    }
    if let Some((low, high)) = args.altitude {
        (sky_box.least_altitude, sky_box.greatest_altitude) = (Angle::from_deg(low), Angle::from_deg(high));
    }
    let question = WhenQuestion {
        subject,
        sky_box,
        moonlit: args.moonlit,
        least_minutes: args.least,
    };
    let chances = evening.nights(args.from, args.to)?.when(&question)?;
    let why = match chances.is_empty() {
        true => Some(never(evening, &question, args.from, args.to)?),
        false => None,
    };
    let peak = shower_peak(evening, &question, &chances)?;
    Ok(Answer {
        question,
        chances,
        why,
        peak,
    })
}

impl Answer {
    fn json(&self, args: &WhenArgs, evening: &Evening) -> Value {
        let mut json = json!({
            "subject": self.question.subject.name,
            "from": args.from,
            "to": args.to,
            "azimuth_deg": args.azimuth,
            "altitude_deg": args.altitude,
            "moonlit": args.moonlit,
            "worth": WORTH,
            "site": evening.json(),
            "chances": out::value(&self.chances),
        });
        if let Some(why) = &self.why {
            json["why"] = json!(why);
        }
        if let Some(peak) = &self.peak {
            json["shower"] = out::value(peak);
        }
        json
    }
}

fn tell(args: &WhenArgs, evening: &Evening, answer: &Answer) {
    let zone = &evening.hours;
    let (name, count) = (&answer.question.subject.name, answer.chances.len());
    line(&format!("{name} at {}", evening.told()));
    if let Some(why) = &answer.why {
        line(why);
        return;
    }
    let chances = &answer.chances;
    let shown = count.min(args.show);
    line(&format!(
        "{count} times from {} to {}, the best {shown} first",
        args.from, args.to
    ));
    line(&format!("Times in {}", evening.zone.name));
    line("");
    let by_rate = chances.iter().any(|c| c.shower.is_some());
    let figures = if by_rate {
        format!("{:>8}{:>10}{:>10}{:>9}", "best", "an hour", "radiant", "ZHR")
    } else {
        format!(
            "{:>8}{:>10}{:>11}{:>10}",
            "minutes", "worth", "altitude", "azimuth"
        )
    };
    line(&format!("{:<12}{:<16}{figures}", "evening", "from to"));
    for chance in chances.iter().take(args.show) {
        let at = |t| clock_short(zone, t);
        let span = format!("{} {}", at(chance.span.from), at(chance.span.to));
        let figures = match &chance.shower {
            Some(s) => format!(
                "{:>8}{:>10.0}{:>9.0}°{:>9.0}",
                chance.best_at.map_or(String::new(), at),
                s.rate_per_h,
                s.radiant_altitude_deg,
                s.zenithal_hourly_rate
            ),
            None => format!(
                "{:>8.0}{:>10.1}{:>10.1}°{:>9.1}°",
                chance.span.minutes(),
                chance.worth_minutes,
                chance.altitude_deg,
                chance.azimuth_deg
            ),
        };
        line(&format!("{:<12}{span:<16}{figures}", chance.evening.to_string()));
    }
    if let Some(peak) = &answer.peak {
        line("");
        line(&peak.words);
    }
}

fn pair(text: &str) -> Option<(f64, f64)> {
    let (a, b) = text.split_once(',')?;
    let number = |t: &str| t.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    Some((number(a)?, number(b)?))
}

fn azimuths(text: &str) -> Result<(f64, f64), String> {
    match pair(text) {
        Some((a, b)) if [a, b].iter().all(|v| (-360.0..=360.0).contains(v)) => Ok((a, b)),
        _ => Err("expected two azimuths in degrees from true north through east, as 195,215".into()),
    }
}

fn altitudes(text: &str) -> Result<(f64, f64), String> {
    match pair(text) {
        Some((a, b)) if a < b && [a, b].iter().all(|v| (-90.0..=90.0).contains(v)) => Ok((a, b)),
        _ => Err("expected two altitudes from -90 to 90 degrees, the lower first, as 10,30".into()),
    }
}

fn minutes(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1440.0, "0 to 1440 minutes")
}
