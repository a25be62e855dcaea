//! The site's time zone: the one that is given, or the one that its coordinates lie in. Offline.

use std::sync::LazyLock;

use jiff::tz::{Offset, TimeZone};
use nightloom_sky::Site;
use tzf_rs::EmbeddedFinder;

use crate::file::nearest;

/// How many names are offered instead of an unknown one.
const OFFERED: usize = 3;
/// The finder's polygons end here; a hair inside, so that the date line itself lies in one.
const EDGE_DEG: f64 = 179.999_999;

/// Borders from OpenStreetMap (timezone-boundary-builder), simplified: within some hundred metres of a border the zone
/// may be the neighbour's.
static FINDER: LazyLock<EmbeddedFinder> = LazyLock::new(EmbeddedFinder::new);

/// A site's zone and where it comes from.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteZone {
    /// The zone with its rules.
    pub zone: TimeZone,
    /// Its IANA name; an offset where no zone is drawn.
    pub name: String,
    /// Whether the coordinates told it, nobody having named one.
    pub from_place: bool,
}

/// No such zone.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no time zone \"{name}\"; expected an IANA name such as \"Europe/Zurich\"{}", offer(.nearest))]
pub struct ZoneError {
    /// What was asked for.
    pub name: String,
    /// Names that are near it.
    pub nearest: Vec<String>,
}

fn offer(nearest: &[String]) -> String {
    match nearest {
        [] => String::new(),
        [one] => format!("; perhaps {one} is meant"),
        [most @ .., last] => format!("; perhaps {} or {last} is meant", most.join(", ")),
    }
}

/// The zone of that name, or without one that of the place.
///
/// On the open sea it is the nautical zone of the longitude. Rules and borders are in the program.
///
/// # Errors
/// A name that the tz database does not have.
pub fn site_zone(given: Option<&str>, site: &Site) -> Result<SiteZone, ZoneError> {
    match given {
        Some(name) => named_zone(name),
        None => Ok(zone_of_place(site)),
    }
}

/// The zone of a name; case does not count.
///
/// # Errors
/// A name that the tz database does not have, with names near it.
pub fn named_zone(name: &str) -> Result<SiteZone, ZoneError> {
    let unknown = || ZoneError {
        name: name.to_owned(),
        nearest: near_zones(name),
    };
    let zone = TimeZone::get(name).map_err(|_| unknown())?;
    Ok(SiteZone {
        name: zone.iana_name().unwrap_or(name).to_owned(),
        zone,
        from_place: false,
    })
}

/// Latitude and longitude in degrees as they were perhaps meant, where the zone that was named is hours away
/// from the place, but would be right if a sign were changed or the two swapped.
pub fn likelier_place(zone: &SiteZone, site: &Site) -> Option<(f64, f64)> {
    /// Zones this far from the place's own are strange.
    const STRANGE_S: i32 = 3 * 3600;
    let midwinter = jiff::Timestamp::UNIX_EPOCH;
    let offset = |zone: &TimeZone| zone.to_offset(midwinter).seconds();
    let apart = (offset(&zone.zone) - offset(&zone_of_place(site).zone)).abs();
    if zone.from_place || apart < STRANGE_S {
        return None;
    }
    // As they were typed: radians and back leave crumbs.
    let typed = |angle: nightloom_sky::Angle| (angle.deg() * 1e7).round() / 1e7;
    let (latitude, longitude) = (typed(site.latitude), typed(site.longitude));
    let readings = [
        (latitude, -longitude),
        (-latitude, longitude),
        (-latitude, -longitude),
        (longitude, latitude),
    ];
    readings.into_iter().find(|&(latitude, longitude)| {
        Site::new(latitude, longitude, site.elevation_m).is_ok_and(|s| zone_of_place(&s).name == zone.name)
    })
}

fn zone_of_place(site: &Site) -> SiteZone {
    let longitude = site.longitude.wrapped_180().deg().clamp(-EDGE_DEG, EDGE_DEG);
    let name = FINDER.get_tz_name(longitude, site.latitude.deg());
    if let Ok(zone) = TimeZone::get(name) {
        return SiteZone {
            name: name.to_owned(),
            zone,
            from_place: true,
        };
    }
    let hours = (longitude / 15.0).round() as i8;
    let zone = TimeZone::fixed(Offset::constant(hours));
    SiteZone {
        name: format!("UTC{hours:+03}:00"),
        zone,
        from_place: true,
    }
}

/// Zones whose name, or the city in it, is near a word.
pub(crate) fn near_zones(word: &str) -> Vec<String> {
    let plain = |text: &str| text.trim().replace([' ', '-'], "_");
    let word = plain(word);
    let city = word.rsplit('/').next().unwrap_or(&word).to_owned();
    let names: Vec<String> = jiff::tz::db()
        .available()
        .map(|n| n.as_str().to_owned())
        .collect();
    let mut left: Vec<&str> = names
        .iter()
        .map(String::as_str)
        .filter(|n| n.contains('/'))
        .collect();
    let mut found = Vec::new();
    while found.len() < OFFERED {
        let part = |name: &&str| name.rsplit('/').next().unwrap_or_default().to_owned();
        let cities: Vec<String> = left.iter().map(part).collect();
        let whole = nearest(&word, left.iter().copied());
        let by_city = nearest(&city, cities.iter().map(String::as_str));
        let at = match (whole, by_city) {
            (Some(name), _) => left.iter().position(|n| *n == name),
            (None, Some(city)) => cities.iter().position(|c| c == city),
            (None, None) => None,
        };
        let Some(at) = at else { break };
        found.push(left.remove(at).to_owned());
    }
    found
}
