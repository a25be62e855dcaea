//! What the frames tell of how the picture was taken, for its files to say.

use jiff::tz::{Offset, TimeZone};
use nightloom_develop::Capture;
use nightloom_outing::evening::offset_words;
use nightloom_outing::{FrameTime, Settings, named_zone, site_zone};
use nightloom_raster::FrameMeta;
use nightloom_raster::write::{About, TakenAt, TakenWhere};
use nightloom_sky::{Instant, Site};

use crate::prepare::Prepared;
use crate::setting::Setting;

/// The frames in the picture, with their times where those are known.
pub(crate) struct Taken<'a> {
    pub(crate) sky: Vec<(&'a Prepared, Option<&'a FrameTime>)>,
    pub(crate) land: Vec<&'a Prepared>,
    /// Whether the times are those of day.
    pub(crate) absolute: bool,
    pub(crate) site: Option<Site>,
}

/// How it was taken.
pub(crate) fn capture(settings: &Settings, taken: &Taken<'_>) -> Capture {
    let sky: Vec<Setting> = taken.sky.iter().map(|f| f.0.facts.setting()).collect();
    let land: Vec<Setting> = taken.land.iter().map(|f| f.facts.setting()).collect();
    let (sky_s, land_s) = (total(&sky), total(&land));
    if taken.sky.is_empty() {
        return Capture::default();
    }
    // What any frame tells: they are of one camera and lens, but not all need say so.
    let told = |of: fn(&FrameMeta) -> Option<String>| taken.sky.iter().find_map(|f| of(&f.0.facts.meta));
    let common = |of: fn(&Setting) -> Option<f64>| {
        let own = sky.first().and_then(of)?;
        sky.iter()
            .all(|s| of(s).is_some_and(|v| (v - own).abs() <= 0.03 * own))
            .then_some(own)
    };
    let total_s = sky_s.and_then(|s| Some(s + if land.is_empty() { 0.0 } else { land_s? }));
    let rig = &settings.rig;
    let about = About {
        description: Some(described(&sky, &land, total_s)),
        make: told(|m| m.make.clone()),
        model: told(|m| m.model.clone()).or_else(|| rig.camera.clone()),
        lens: told(|m| m.lens.clone()).or_else(|| rig.lens.clone()),
        focal_mm: rig.focal_mm.or_else(|| common(|s| s.focal_mm)),
        f_number: common(|s| s.f_number),
        iso: common(|s| s.iso),
        exposure_s: total_s,
        frames: sky.len() + land.len(),
        taken: taken_at(settings, taken),
        creator: None,
        copyright: None,
        place: None,
    };
    let place = taken.site.as_ref().or(settings.site.place.as_ref());
    Capture {
        about,
        place: place.map(|site| TakenWhere {
            latitude_deg: site.latitude.deg(),
            longitude_deg: site.longitude.deg(),
            elevation_m: site.elevation_m,
        }),
        span: span(taken),
        sky_s,
    }
}

/// Seconds together, if all tell theirs.
fn total(frames: &[Setting]) -> Option<f64> {
    frames.iter().map(|s| s.exposure_s).sum()
}

/// As “Sky: 12 frames of 60 s, f/2, ISO 1600. Land: 4 frames of 120 s, f/2.8, ISO 800. In all 1200 s.”
fn described(sky: &[Setting], land: &[Setting], total_s: Option<f64>) -> String {
    let part = |what: &str, frames: &[Setting]| {
        let mut kinds: Vec<(&Setting, usize)> = Vec::new();
        for setting in frames {
            match kinds
                .iter_mut()
                .find(|(k, _)| k.exposure_words() == setting.exposure_words())
            {
                Some((_, count)) => *count += 1,
                None => kinds.push((setting, 1)),
            }
        }
        let words = |(setting, count): &(&Setting, usize)| {
            let frames = if *count == 1 { "frame" } else { "frames" };
            format!("{count} {frames} of {}", setting.exposure_words())
        };
        let told: Vec<String> = kinds.iter().map(words).collect();
        (!told.is_empty()).then(|| format!("{what}: {}.", told.join("; ")))
    };
    let all = total_s.map(|s| format!("In all {} s.", (s * 10.0).round() / 10.0));
    let parts = [part("Tracked sky", sky), part("Land", land), all];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

fn span(taken: &Taken<'_>) -> Option<[Instant; 3]> {
    let times: Vec<&FrameTime> = taken.sky.iter().filter_map(|f| f.1).collect();
    let first = times.iter().map(|t| t.start).min().filter(|_| taken.absolute)?;
    let last = times.iter().map(|t| t.end()).max()?;
    let weight: f64 = times.iter().map(|t| t.exposure_s.max(1e-3)).sum();
    let since = |t: &&FrameTime| t.exposure_s.max(1e-3) * t.middle().seconds_since(first);
    let middle = times.iter().map(since).sum::<f64>() / weight;
    Some([first, first.plus_seconds(middle), last])
}

/// The start of the first sky frame: by the clock of the place, or as the camera had it where its clock is not to be
/// trusted.
fn taken_at(settings: &Settings, taken: &Taken<'_>) -> Option<TakenAt> {
    let Some([first, ..]) = span(taken) else {
        let meta = &taken.sky.first()?.0.facts.meta;
        return Some(TakenAt {
            local: meta.taken_local.as_ref()?.get(..19)?.to_owned(),
            offset: meta.taken_offset.clone(),
            utc: None,
        });
    };
    let meta = taken
        .sky
        .iter()
        .find_map(|f| f.0.facts.meta.taken_offset.as_deref());
    let told = settings
        .camera_clock
        .offset_s
        .or_else(|| nightloom_outing::offset_seconds(meta?));
    let place = taken.site.as_ref().or(settings.site.place.as_ref());
    let named = settings.site.zone.as_deref().and_then(|z| named_zone(z).ok());
    let by_place = || place.and_then(|p| site_zone(None, p).ok());
    let fixed = || Offset::from_seconds(told?).ok().map(Offset::to_time_zone);
    let zone = named.or_else(by_place).map(|z| z.zone).or_else(fixed);
    let zone = zone.unwrap_or(TimeZone::UTC);
    let offset = zone.to_offset(first.timestamp());
    Some(TakenAt {
        local: offset
            .to_datetime(first.timestamp())
            .strftime("%Y-%m-%dT%H:%M:%S")
            .to_string(),
        offset: Some(offset_words(offset.seconds())),
        utc: Some(first.timestamp().strftime("%Y-%m-%dT%H:%M:%SZ").to_string()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setting(exposure_s: f64) -> Setting {
        Setting {
            exposure_s: Some(exposure_s),
            f_number: Some(2.0),
            iso: Some(1600.0),
            ..Setting::default()
        }
    }

    #[test]
    fn the_parts_of_the_exposure_are_told_and_summed() {
        let sky = [setting(60.0), setting(60.0), setting(30.0)];
        let land = [setting(120.0)];
        let all = total(&sky).zip(total(&land)).map(|(a, b)| a + b);
        assert_eq!(
            described(&sky, &land, all),
            "Tracked sky: 2 frames of 60 s, f/2, ISO 1600; 1 frame of 30 s, f/2, ISO 1600. Land: 1 frame of 120 s, f/2, ISO 1600. In all 270 s."
        );
        // One that does not tell its own leaves no sum.
        assert_eq!(total(&[setting(60.0), Setting::default()]), None);
    }
}
