//! Exposure settings as photographers write them.

use nightloom_optics::{Exposure, Setting};

/// One of an exposure's three settings: `90 s`, `f/2.8` or `ISO 1600`.
pub fn setting_words(setting: Setting, exposure: &Exposure) -> String {
    match setting {
        Setting::Time => time_words(exposure.seconds),
        Setting::Aperture => format!("f/{}", short(exposure.f_number)),
        Setting::Iso => format!("ISO {}", short(exposure.iso)),
    }
}

/// Seconds as they are set, with minutes or hours beside them where those are easier to grasp.
pub fn time_words(seconds: f64) -> String {
    match seconds {
        s if s < 0.29 => format!("1/{} s", short(1.0 / s)),
        s if s < 120.0 => format!("{} s", short(s)),
        s if s < 7200.0 => format!("{} s ({} min)", short(s), short(s / 60.0)),
        s => format!("{} s ({} h)", short(s), short(s / 3600.0)),
    }
}

/// Three figures, and no noughts behind the point.
pub fn short(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 99.95 => 0,
        v if v >= 9.995 => 1,
        _ => 2,
    };
    let text = format!("{value:.decimals$}");
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}
