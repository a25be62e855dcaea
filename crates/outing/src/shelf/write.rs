//! Sites and rigs as text: the lines of an outing's own sections.

use std::io::Write as _;
use std::path::Path;

use nightloom_raster::atomic::write_whole;

use super::{ShelfError, file_error};
use crate::file::options::{OPTIONS, OptionSpec};
use crate::file::{Filled, PROJECTIONS};
use crate::plan::{RigSettings, SiteSettings};

/// `[site]` with what is known.
pub fn site_text(site: &SiteSettings) -> String {
    let mut lines = Lines::of("site");
    if let Some(place) = &site.place {
        lines.number("latitude_deg", Some(tidy(place.latitude.deg(), 1e6)));
        lines.number("longitude_deg", Some(tidy(place.longitude.deg(), 1e6)));
        // Nought is what is taken when nobody told it, and leaves room for what frames tell.
        let told = Some(tidy(place.elevation_m, 10.0)).filter(|m| *m != 0.0);
        lines.number("elevation_m", told);
    }
    lines.text("zone", site.zone.as_deref());
    lines.text("skyline", site.skyline.as_deref());
    lines.0
}

/// `[rig]` with what is known.
pub fn rig_text(rig: &RigSettings) -> String {
    let mut lines = Lines::of("rig");
    lines.text("camera", rig.camera.as_deref());
    lines.text("lens", rig.lens.as_deref());
    lines.number("focal_mm", rig.focal_mm);
    lines.number("pixel_um", rig.pixel_um);
    lines.text("sensor", rig.sensor.as_deref());
    let word = PROJECTIONS.iter().find(|(_, p)| *p == rig.projection);
    lines.text(
        "projection",
        word.map(|(word, _)| *word)
            .filter(|_| rig.projection != Default::default()),
    );
    lines.text("tracker", rig.tracker.as_deref());
    lines.number("gear_error_arcsec", rig.gear_error_arcsec);
    lines.number("gear_period_s", rig.gear_period_s);
    lines.number("frames_per_charge", rig.frames_per_charge);
    lines.number("mb_per_frame", rig.mb_per_frame);
    lines.0
}

/// To so many parts of one: what is beyond comes from changing units.
fn tidy(value: f64, parts: f64) -> f64 {
    (value * parts).round() / parts
}

struct Lines(String);

impl Lines {
    fn of(section: &str) -> Self {
        Self(format!("[{section}]\n"))
    }

    fn text(&mut self, key: &str, value: Option<&str>) {
        if let Some(value) = value {
            let quoted = toml_edit::Value::from(value).to_string();
            self.0.push_str(&format!("{key} = {quoted}\n"));
        }
    }

    fn number(&mut self, key: &str, value: Option<f64>) {
        if let Some(value) = value {
            self.0.push_str(&format!("{key} = {value:?}\n"));
        }
    }
}

/// One file whole or not at all, with the folders above it.
pub(super) fn whole(path: &Path, bytes: &[u8]) -> Result<(), ShelfError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    std::fs::create_dir_all(folder).map_err(|e| file_error(folder, &e))?;
    write_whole(path, |out| out.write_all(bytes)).map_err(|e| file_error(path, &e))
}

/// The lines of such a text as values for an `outing.toml`, with where they come from.
pub fn as_filled(text: &str, from: &str) -> Vec<Filled> {
    let Ok(document) = text.parse::<toml_edit::DocumentMut>() else {
        return Vec::new();
    };
    let value = |o: &OptionSpec| document.get(o.section)?.get(o.key)?.as_value().cloned();
    OPTIONS
        .iter()
        .filter_map(|o| {
            Some(Filled {
                section: o.section,
                key: o.key,
                toml: value(o)?.decorated("", "").to_string(),
                from: from.to_owned(),
            })
        })
        .collect()
}
