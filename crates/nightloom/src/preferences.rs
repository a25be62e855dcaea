//! `nightloom preferences`.

use clap::Args;
use serde_json::Value;

use crate::context::Context;
use crate::failure::Failure;
use crate::kept::shelf;
use crate::out;
use crate::told::one_of;

const HEIGHTS: [(&str, &str, bool); 2] = [("m", "Metres", false), ("ft", "Feet", true)];
const TEMPERATURES: [(&str, &str, bool); 2] =
    [("C", "Degrees Celsius", false), ("F", "Degrees Fahrenheit", true)];

/// `nightloom preferences`.
#[derive(Args, Debug)]
pub(crate) struct PreferencesArgs {
    /// Heights that are typed without a unit, and those that are told.
    #[arg(long, value_name = "UNIT", value_parser = one_of(&HEIGHTS))]
    height: Option<bool>,
    /// Temperatures that are typed without a unit, and those that are told.
    #[arg(long, value_name = "UNIT", value_parser = one_of(&TEMPERATURES))]
    temperature: Option<bool>,
}

pub(crate) fn run(args: &PreferencesArgs, context: &Context) -> Result<Value, Failure> {
    let shelf = shelf()?;
    let asked = args.height.is_some() || args.temperature.is_some();
    // What is wrong there is written anew only where both are said.
    let mut preferences = match shelf.preferences() {
        Err(_) if args.height.is_some() && args.temperature.is_some() => Default::default(),
        found => found?,
    };
    preferences.feet = args.height.unwrap_or(preferences.feet);
    preferences.fahrenheit = args.temperature.unwrap_or(preferences.fahrenheit);
    let told = format!(
        "Heights in {}, temperatures in °{}; another unit is always taken when it is typed. JSON and outing.toml keep metres and °C.",
        if preferences.feet { "feet" } else { "metres" },
        preferences.temperature()
    );
    out::result(&told, context.json);
    if asked {
        let file = shelf.keep_preferences(preferences)?;
        out::result(&format!("Kept in {}", file.display()), context.json);
    }
    let mut json = out::value(&preferences);
    json["height"] = preferences.height().into();
    json["temperature"] = preferences.temperature().into();
    Ok(json)
}
