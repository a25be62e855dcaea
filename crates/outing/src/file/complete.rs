//! From checked values to complete settings.

use jiff::civil::Date;
use nightloom_optics::Projection;
use nightloom_raster::{Cfa, FitsRows};
use nightloom_sky::{Angle, Instant, Site};

use super::check::{At, Checked, Value};
use crate::error::SettingFault;
use crate::plan::{Crop, FilesSettings, FrameOverride, LandUse, Look, Rejection, Settings, White};
use crate::role::Role;
use crate::typed::MomentTyped;
use crate::zone::{named_zone, site_zone};

/// The lens's projection, as files name it.
pub const PROJECTIONS: [(&str, Projection); 5] = [
    ("rectilinear", Projection::Rectilinear),
    ("equidistant", Projection::Equidistant),
    ("equisolid", Projection::Equisolid),
    ("stereographic", Projection::Stereographic),
    ("orthographic", Projection::Orthographic),
];

struct Values(Checked);

impl Values {
    fn at(&self, section: &'static str, key: &'static str) -> Option<&At> {
        self.0.values.get(&(section, key))
    }
    fn text(&self, section: &'static str, key: &'static str) -> Option<String> {
        match &self.at(section, key)?.value {
            Value::Text(t) => Some(t.clone()),
            _ => None,
        }
    }
    fn number(&self, section: &'static str, key: &'static str) -> Option<f64> {
        match self.at(section, key)?.value {
            Value::Number(n) => Some(n),
            _ => None,
        }
    }
    fn flag(&self, section: &'static str, key: &'static str) -> Option<bool> {
        match self.at(section, key)?.value {
            Value::Flag(b) => Some(b),
            _ => None,
        }
    }
    fn whole(&self, section: &'static str, key: &'static str) -> Option<usize> {
        match self.at(section, key)?.value {
            Value::Whole(n) => usize::try_from(n).ok(),
            _ => None,
        }
    }
    fn pair(&self, section: &'static str, key: &'static str) -> Option<[f64; 2]> {
        match self.at(section, key)?.value {
            Value::Pair(p) => Some(p),
            _ => None,
        }
    }
    fn crop(&self, section: &'static str, key: &'static str) -> Option<Crop> {
        match self.at(section, key)?.value {
            Value::Crop(crop) => Some(crop),
            _ => None,
        }
    }
    fn offset(&self, section: &'static str, key: &'static str) -> Option<i32> {
        match self.at(section, key)?.value {
            Value::OffsetS(s) => Some(s),
            _ => None,
        }
    }
    fn date(&self, section: &'static str, key: &'static str) -> Option<Date> {
        match self.at(section, key)?.value {
            Value::Date(d) => Some(d),
            _ => None,
        }
    }
    /// The meaning of a word that the check has let through.
    fn word<T: Copy>(&self, section: &'static str, key: &'static str, words: &[(&str, T)]) -> Option<T> {
        let text = self.text(section, key)?;
        words.iter().find(|(w, _)| *w == text).map(|(_, t)| *t)
    }
}

pub(super) fn complete(checked: Checked) -> Result<Settings, Vec<SettingFault>> {
    let values = Values(checked);
    let mut settings = Settings::default();
    let place = place(&values)?;
    settings.outing.name = values.text("outing", "name");
    settings.outing.note = values.text("outing", "note");
    settings.outing.evening = values.date("outing", "evening");
    settings.outing.subject = values.text("outing", "subject");
    settings.site.place = place;
    settings.site.zone = values.text("site", "zone");
    settings.site.skyline = values.text("site", "skyline");
    rig(&values, &mut settings);
    levels(&values)?;
    stacks(&values, &mut settings);
    picture(&values, &mut settings);
    files(&values, &mut settings);
    settings.seam.instant = instant(&values, &settings)?;
    frames(values.0, &mut settings);
    Ok(settings)
}

fn place(values: &Values) -> Result<Option<Site>, Vec<SettingFault>> {
    let (lat, lon) = (
        values.number("site", "latitude_deg"),
        values.number("site", "longitude_deg"),
    );
    let elevation_m = values.number("site", "elevation_m").unwrap_or(0.0);
    let lacking = |there: &'static str, missing: &str| {
        let line = values.at("site", there).map_or(0, |a| a.line);
        let message = format!(
            "expected {missing} beside it, found none; give both or neither (a page takes “47.25, 8.5” as latitude_deg)"
        );
        Err(vec![SettingFault {
            line,
            key: format!("site.{there}"),
            message,
        }])
    };
    match (lat, lon) {
        (Some(lat), Some(lon)) => Ok(Some(Site {
            latitude: Angle::from_deg(lat),
            longitude: Angle::from_deg(lon),
            elevation_m,
        })),
        (Some(_), None) => lacking("latitude_deg", "longitude_deg"),
        (None, Some(_)) => lacking("longitude_deg", "latitude_deg"),
        (None, None) if values.at("site", "elevation_m").is_some() => {
            lacking("elevation_m", "latitude_deg and longitude_deg")
        }
        (None, None) => Ok(None),
    }
}

/// The moment shown, a time of the site's clock by the site's zone.
fn instant(values: &Values, settings: &Settings) -> Result<Option<Instant>, Vec<SettingFault>> {
    let Some(At {
        line,
        value: Value::Moment(moment),
    }) = values.at("seam", "instant")
    else {
        return Ok(None);
    };
    let site = &settings.site;
    let zone = match (&site.zone, &site.place) {
        (Some(name), _) => named_zone(name).ok(),
        (None, Some(place)) => site_zone(None, place).ok(),
        _ => None,
    };
    let found = match (moment, zone) {
        (MomentTyped::At(instant), _) => Ok(*instant),
        (other, Some(zone)) => other.instant(&zone.zone, settings.outing.evening).map_err(|e| e.to_string()),
        _ => Err(
            "expected a moment in UTC, found a time of the site's clock, and the site is not known; add Z for UTC, or the offset, or give the site"
                .into(),
        ),
    };
    found.map(Some).map_err(|message| {
        vec![SettingFault {
            line: *line,
            key: "seam.instant".into(),
            message,
        }]
    })
}

fn levels(values: &Values) -> Result<(), Vec<SettingFault>> {
    let level = |key: &'static str| values.number("rig", key);
    match (level("fits_black"), level("fits_white")) {
        (Some(black), Some(white)) if white <= black => {
            let line = values.at("rig", "fits_white").map_or(0, |a| a.line);
            let message = format!(
                "expected more than fits_black ({black}), found {white}; exchange them or correct one"
            );
            Err(vec![SettingFault {
                line,
                key: "rig.fits_white".into(),
                message,
            }])
        }
        _ => Ok(()),
    }
}

fn rig(values: &Values, settings: &mut Settings) {
    let rig = &mut settings.rig;
    rig.camera = values.text("rig", "camera");
    rig.lens = values.text("rig", "lens");
    rig.focal_mm = values.number("rig", "focal_mm");
    rig.pixel_um = values.number("rig", "pixel_um");
    rig.projection = values
        .word("rig", "projection", &PROJECTIONS)
        .unwrap_or(rig.projection);
    rig.sensor = values.text("rig", "sensor");
    rig.tracker = values.text("rig", "tracker");
    rig.gear_error_arcsec = values.number("rig", "gear_error_arcsec");
    rig.gear_period_s = values.number("rig", "gear_period_s");
    rig.frames_per_charge = values.number("rig", "frames_per_charge");
    rig.mb_per_frame = values.number("rig", "mb_per_frame");
    let patterns = [
        ("RGGB", Cfa::RGGB),
        ("BGGR", Cfa::BGGR),
        ("GRBG", Cfa::GRBG),
        ("GBRG", Cfa::GBRG),
    ];
    rig.fits_cfa = values.word("rig", "fits_cfa", &patterns);
    rig.fits_rows = values.word(
        "rig",
        "fits_rows",
        &[("bottom-up", FitsRows::BottomUp), ("top-down", FitsRows::TopDown)],
    );
    rig.fits_black = values.number("rig", "fits_black");
    rig.fits_white = values.number("rig", "fits_white");
    settings.camera_clock.offset_s = values.offset("camera_clock", "offset");
    let clock = &mut settings.camera_clock;
    clock.error_s = values.number("camera_clock", "error_s").unwrap_or(clock.error_s);
}

fn stacks(values: &Values, settings: &mut Settings) {
    let sky = &mut settings.sky;
    let rejections = [("auto", Rejection::Auto), ("none", Rejection::None)];
    sky.rejection = values
        .word("sky", "rejection", &rejections)
        .unwrap_or(sky.rejection);
    sky.min_stars = values.whole("sky", "min_stars").unwrap_or(sky.min_stars);
    sky.max_elongation = values
        .number("sky", "max_elongation")
        .unwrap_or(sky.max_elongation);
    sky.reference = values.text("sky", "reference");
    sky.reference_line = values.at("sky", "reference").map_or(0, |a| a.line);
    let land = &mut settings.land;
    land.use_only = values
        .text("land", "use")
        .map_or(LandUse::Night, |words| LandUse::of(&words));
    land.match_night = values.flag("land", "match_night").unwrap_or(land.match_night);
    land.register = values.flag("land", "register").unwrap_or(land.register);
    land.reject = values.flag("land", "reject").unwrap_or(land.reject);
}

fn picture(values: &Values, settings: &mut Settings) {
    settings.seam.offset_px = values.pair("seam", "offset_px").unwrap_or_default();
    let p = &mut settings.picture;
    p.gradient = values.number("picture", "gradient").unwrap_or(p.gradient);
    p.stretch = values.number("picture", "stretch").unwrap_or(p.stretch);
    p.saturation = values.number("picture", "saturation").unwrap_or(p.saturation);
    p.white = values
        .word(
            "picture",
            "white",
            &[("stars", White::Stars), ("as-shot", White::AsShot)],
        )
        .unwrap_or(p.white);
    let looks = [
        ("natural", Look::Natural),
        ("deep", Look::Deep),
        ("bright", Look::Bright),
    ];
    p.look = values.word("picture", "look", &looks).unwrap_or(p.look);
    p.midtones = values.number("picture", "midtones").unwrap_or(p.midtones);
    p.land_lift = values.number("picture", "land_lift").unwrap_or(p.land_lift);
    p.noise_reduction = values
        .number("picture", "noise_reduction")
        .unwrap_or(p.noise_reduction);
    p.land_stops = values.number("picture", "land_stops").unwrap_or(p.land_stops);
    p.sky_stops = values.number("picture", "sky_stops").unwrap_or(p.sky_stops);
    p.contrast = values.number("picture", "contrast").unwrap_or(p.contrast);
    p.black_point = values.number("picture", "black_point").unwrap_or(p.black_point);
    p.white_point = values.number("picture", "white_point").unwrap_or(p.white_point);
    p.temperature = values.number("picture", "temperature").unwrap_or(p.temperature);
    p.tint = values.number("picture", "tint").unwrap_or(p.tint);
    p.star_size = values.number("picture", "star_size").unwrap_or(p.star_size);
    p.star_colour = values.number("picture", "star_colour").unwrap_or(p.star_colour);
    p.vignette = values.number("picture", "vignette").unwrap_or(p.vignette);
    p.level_deg = values.number("picture", "level_deg").unwrap_or(p.level_deg);
    p.grow = values.flag("picture", "grow").unwrap_or(p.grow);
    p.crop = values.crop("picture", "crop").unwrap_or_default();
}

fn files(values: &Values, settings: &mut Settings) {
    let flag = |section, key| values.flag(section, key).unwrap_or(false);
    settings.files = FilesSettings {
        creator: values.text("files", "creator"),
        copyright: values.text("files", "copyright"),
        share_site: flag("site", "share"),
        layer_pages: flag("files", "layer_pages"),
        layer_files: flag("files", "layer_files"),
        star_layer: flag("files", "star_layer"),
    };
}

fn frames(checked: Checked, settings: &mut Settings) {
    for (path, (line, said)) in checked.frames {
        let role = said.get("role").and_then(|at| match &at.value {
            Value::Text(word) => Role::from_word(word),
            _ => None,
        });
        let used = said.get("use").and_then(|at| match at.value {
            Value::Flag(b) => Some(b),
            _ => None,
        });
        settings.frames.insert(path, FrameOverride { role, used, line });
    }
}
