//! How a picture was developed, as text.

use nightloom_outing::{OUTING_TOML, PictureSettings, SettingsError, parse_settings};
use serde_json::Value;

/// Options of `[picture]` that are seen at once on kept layers; the others want a build.
pub const LIVE_OPTIONS: [&str; 18] = [
    "look",
    "stretch",
    "contrast",
    "black_point",
    "white_point",
    "sky_stops",
    "midtones",
    "gradient",
    "noise_reduction",
    "land_stops",
    "land_lift",
    "temperature",
    "tint",
    "saturation",
    "star_size",
    "star_colour",
    "vignette",
    "level_deg",
];

/// The settings as the section `[picture]` of an `outing.toml`, every option told. Frames are not in it.
pub fn recipe(settings: &PictureSettings) -> String {
    let mut text = "[picture]\n".to_owned();
    let value = serde_json::to_value(settings).unwrap_or_default();
    for (key, value) in value.as_object().into_iter().flatten() {
        // A box stands under its name.
        let value = value.get("box").unwrap_or(value);
        let told = match value {
            Value::Array(all) => {
                let all: Vec<String> = all.iter().map(Value::to_string).collect();
                format!("[{}]", all.join(", "))
            }
            other => other.to_string(),
        };
        text.push_str(&format!("{key} = {told}\n"));
    }
    text
}

/// What a recipe says.
///
/// # Errors
/// As of an `outing.toml` with these lines.
pub fn recipe_settings(text: &str) -> Result<PictureSettings, SettingsError> {
    Ok(parse_settings(text, OUTING_TOML)?.picture)
}

#[cfg(test)]
mod tests {
    use nightloom_outing::options::OPTIONS;
    use nightloom_outing::{Crop, Look};

    use super::*;

    #[test]
    fn a_recipe_comes_back_as_it_was() {
        let settings = PictureSettings {
            look: Look::Deep,
            gradient: 0.35,
            temperature: -12.5,
            crop: Crop::Box([10, 20, 3000, 2000]),
            ..PictureSettings::default()
        };
        for settings in [settings, PictureSettings::default()] {
            let text = recipe(&settings);
            assert_eq!(recipe_settings(&text).expect(&text), settings, "{text}");
        }
    }

    #[test]
    fn every_option_that_is_seen_at_once_is_an_option_of_the_picture() {
        let known = |key: &str| OPTIONS.iter().any(|o| o.section == "picture" && o.key == key);
        assert!(LIVE_OPTIONS.iter().all(|key| known(key)));
        // And a recipe tells all of them.
        let text = recipe(&PictureSettings::default());
        let all = OPTIONS.iter().filter(|o| o.section == "picture");
        for option in all {
            assert!(
                text.contains(&format!("\n{} = ", option.key)),
                "{}: {text}",
                option.key
            );
        }
    }
}
