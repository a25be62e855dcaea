//! `nightloom tonight`.

use clap::Args;
use jiff::civil::Date;
use nightloom_outing::World;
use nightloom_outing::evening::{Evening, aim_words, clock_short, why_no_dark};
use nightloom_outing::tonight::{Field, Worthwhile, worthwhile};
use nightloom_outing::typed;
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out::{self, line};
use crate::place::{EveningArgs, night_of};
use crate::told::{RigArgs, sensor};

/// `nightloom tonight`.
#[derive(Args, Debug)]
pub(crate) struct TonightArgs {
    #[command(flatten)]
    evening: EveningArgs,
    /// The date on which the night begins, by the site's clock; the outing's, or tonight, when not given.
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = typed::date)]
    date: Option<Date>,
    /// Focal length in mm; the rig's, or else 24, when not given.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm)]
    focal: Option<f64>,
    #[command(flatten)]
    rig: RigArgs,
}

pub(crate) fn run(args: &TonightArgs, context: &Context) -> Result<Value, Failure> {
    let evening = args.evening.resolve(context)?;
    let now = night_of(context.door.now(), &evening.zone.zone);
    let date = evening.date(args.date.or(evening.settings.outing.evening).or(now))?;
    let rig = args.rig.or(&evening.settings.rig)?;
    let [_, height] = sensor(rig.sensor.as_deref().unwrap_or("36x24"))?;
    let field = Field::of(args.focal.or(rig.focal_mm), height);
    let nights = evening.nights(date, date)?;
    let sky = nights.sky(date)?;
    let night = sky.night(&[])?;
    let found = worthwhile(&evening, &sky, field)?;
    let dark = match why_no_dark(&night) {
        Some(why) => Some(format!(
            "no dark window: {why}; {}",
            evening.next_dark_words(date)?
        )),
        None => None,
    };
    let json = json!({
        "evening": date,
        "site": evening.json(),
        "field_height_deg": field.height_deg,
        "no_dark": dark,
        "worthwhile": out::value(&found),
    });
    if found.is_empty() {
        let why = dark.unwrap_or_else(|| "nothing of what is known here stands well".into());
        return Err(Failure::no(
            json,
            format!("nothing is worth a picture in the night of {date}: {why}"),
        ));
    }
    if !context.json {
        line(&format!("The night of {date} at {}", evening.told()));
        line(&evening.zone_told(night.window.from, night.window.to));
        if let Some(dark) = dark {
            line(&format!("There is {dark}."));
        }
        found.iter().for_each(|one| tell(&evening, one));
    }
    Ok(json)
}

fn tell(evening: &Evening, one: &Worthwhile) {
    let at = |t| clock_short(&evening.hours, t);
    line("");
    line(&format!(
        "{} ({}), {} to {}",
        one.what,
        one.kind,
        at(one.from),
        at(one.to)
    ));
    line(&format!("  {}.", one.reason));
    line(&format!(
        "  Best at {}: {}",
        at(one.best.at),
        aim_words(&one.best)
    ));
}
