//! `nightloom when`.

use clap::Args;
use jiff::civil::Date;
use nightloom_outing::evening::{Evening, EveningError, clock_short, never, shower_peak};
use nightloom_outing::typed;
use nightloom_sky::Angle;
use nightloom_sky::night::{Chance, SkyBox, WhenQuestion};
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
    /// A subject by name, HIP and a number, or RA,DEC in ICRS degrees.
    #[arg(long, value_name = "S")]
    subject: Option<String>,
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
    let (question, chances) = answer(args, &evening)?;
    let name = &question.subject.name;
    let mut json = json!({
        "subject": name,
        "from": args.from,
        "to": args.to,
        "azimuth_deg": args.azimuth,
        "altitude_deg": args.altitude,
        "moonlit": args.moonlit,
        "worth": WORTH,
        "site": evening.json(),
        "chances": out::value(&chances),
    });
    if chances.is_empty() {
        let sentence = never(&evening, &question, args.from, args.to)?;
        json["why"] = json!(sentence);
        return Err(Failure::no(json, sentence));
    }
    if !context.json {
        tell(args, &evening, &question, &chances);
    }
    if let Some(peak) = shower_peak(&evening, &question, &chances)? {
        if !context.json {
            line("");
            line(&peak.words);
        }
        json["shower"] = out::value(&peak);
    }
    Ok(json)
}

fn answer(args: &WhenArgs, evening: &Evening) -> Result<(WhenQuestion, Vec<Chance>), Failure> {
    let subject = evening.subjects(&args.subject)?.into_iter().next();
    let subject = subject.ok_or(EveningError::NoSubject)?;
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
    Ok((question, chances))
}

fn tell(args: &WhenArgs, evening: &Evening, question: &WhenQuestion, chances: &[Chance]) {
    let zone = &evening.hours;
    let (name, count) = (&question.subject.name, chances.len());
    line(&format!("{name} at {}", evening.told()));
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
