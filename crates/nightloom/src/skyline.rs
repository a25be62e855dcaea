//! `nightloom skyline`.

use std::path::{Path, PathBuf};

use clap::Args;
use nightloom_outing::evening::Shows;
use nightloom_outing::typed;
use nightloom_outing::{
    SKYLINE_CSV, StoreOptions, TileReport, World, measured_skyline, read_settings, read_tiles, store_skyline,
};
use nightloom_sky::magnetic::{Declination, declination};
use nightloom_sky::skyline::{Horizon, HorizonSettings, North, Skyline, Unknown, horizon};
use nightloom_sky::{Angle, Instant, Site};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::SpotArgs;

/// Unknown sectors that are told one by one.
const TOLD: usize = 6;
/// How far the outing's elevation and the tiles' may differ before it is worth a word, metres.
const SAME_GROUND_M: f64 = 30.0;
/// The eight directions of the summary.
const COMPASS: [&str; 8] = ["N", "NE", "E", "SE", "S", "SW", "W", "NW"];

/// `nightloom skyline`.
#[derive(Args, Debug)]
pub(crate) struct SkylineArgs {
    /// The outing's folder (not with --lat), then elevation tiles: .hgt, zipped .hgt, GeoTIFF, or folders of them.
    #[arg(value_name = "FOLDER|TILES")]
    paths: Vec<PathBuf>,
    #[command(flatten)]
    spot: SpotArgs,
    /// The camera's height above the ground in metres.
    #[arg(long, value_name = "M", default_value_t = HorizonSettings::default().eye_m)]
    eye: f64,
    /// How far land is looked at, in kilometres.
    #[arg(long, value_name = "KM", default_value_t = HorizonSettings::default().range_m / 1000.0)]
    range: f64,
    /// A measured skyline instead of tiles: lines of azimuth, altitude in degrees.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// The azimuths of --csv were read off a compass: turn them to true north.
    #[arg(long, requires = "csv")]
    magnetic: bool,
    /// The day of the measurement, YYYY-MM-DD, for --magnetic; today when not given.
    #[arg(long, value_name = "DATE", requires = "magnetic", value_parser = typed::date)]
    date: Option<jiff::civil::Date>,
    /// Where to write the skyline; skyline.csv in the outing's folder when not given.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Replace a skyline that was not computed from tiles; the old one is kept as a copy.
    #[arg(long)]
    force: bool,
}

/// Whose skyline it is.
struct Whose<'a> {
    site: Site,
    folder: Option<&'a Path>,
    tiles: &'a [PathBuf],
}

/// A skyline with all there is to say of it.
struct Answer {
    skyline: Skyline,
    /// Lines for the file's head.
    about: Vec<String>,
    /// Lines for the person: what, and what of it.
    lines: Vec<(&'static str, String)>,
    fields: Vec<(&'static str, Value)>,
    computed: bool,
}

pub(crate) fn run(args: &SkylineArgs, context: &Context) -> Result<Value, Failure> {
    let whose = whose(args)?;
    let mut answer = match &args.csv {
        Some(csv) => measured(args, &whose.site, csv, context.door.now())?,
        None => computed(args, &whose, context.shows)?,
    };
    let to = args
        .out
        .clone()
        .or_else(|| whose.folder.map(|f| f.join(SKYLINE_CSV)));
    if let Some(to) = &to {
        let options = StoreOptions {
            about: std::mem::take(&mut answer.about),
            computed: answer.computed,
            force: args.force,
        };
        let kept = store_skyline(to, &answer.skyline, &options)?;
        if let Some(kept) = kept {
            answer.lines.push(("Kept", kept.display().to_string()));
        }
        answer.lines.push(("Wrote", to.display().to_string()));
    }
    context.door.end_of_job();
    for (what, line) in shape(&answer.skyline).into_iter().chain(answer.lines) {
        out::result(&format!("{what:<9}{line}"), context.json);
    }
    let mut fields = as_json(&whose.site, &answer.skyline, to.as_deref());
    fields.extend(answer.fields.into_iter().map(|(k, v)| (k.to_owned(), v)));
    Ok(Value::Object(fields))
}

fn nobodys() -> Failure {
    Failure::said(
        "whose skyline? give --lat and --lon with elevation tiles, or an outing's folder and then elevation tiles",
    )
}

fn whose(args: &SkylineArgs) -> Result<Whose<'_>, Failure> {
    if let Some(site) = args.spot.site()? {
        let (folder, tiles) = (None, &args.paths[..]);
        return Ok(Whose { site, folder, tiles });
    }
    let (folder, tiles) = args.paths.split_first().ok_or_else(nobodys)?;
    if !folder.is_dir() {
        return Err(nobodys());
    }
    let place = read_settings(folder)?.site.place;
    let site = place.ok_or_else(|| Failure::said(format!(
        "{}/outing.toml does not say where the camera stands; fill in site.latitude_deg and site.longitude_deg, or give --lat and --lon",
        folder.display()
    )))?;
    let folder = Some(folder.as_path());
    Ok(Whose { site, folder, tiles })
}

fn computed(args: &SkylineArgs, whose: &Whose<'_>, shows: Shows) -> Result<Answer, Failure> {
    let (lat, lon) = (whose.site.latitude.deg(), whose.site.longitude.deg());
    let settings = HorizonSettings {
        eye_m: args.eye,
        ground_m: args.spot.elevation,
        range_m: args.range * 1000.0,
        ..HorizonSettings::default()
    };
    let tiles = read_tiles(whose.tiles, lat, lon, settings.range_m)?;
    let found = horizon(&tiles.terrain, lat, lon, &settings)?;
    let mut lines = vec![
        ("Ground", ground(&found, args, whose, shows)),
        ("Tiles", used(&tiles.reports, tiles.too_far, args.range)),
    ];
    lines.extend(unknown(&found.unknown, shows));
    let sectors: Vec<Value> = found.unknown.iter().map(sector).collect();
    Ok(Answer {
        about: provenance(args, whose, &found, &tiles.reports),
        lines,
        fields: vec![
            ("ground_m", json!(found.ground_m)),
            ("tiles_ground_m", json!(found.tiles_ground_m)),
            ("eye_m", json!(settings.eye_m)),
            ("range_m", json!(settings.range_m)),
            ("refraction", json!(settings.refraction)),
            ("tiles", json!(tiles.reports)),
            ("tiles_too_far", json!(tiles.too_far)),
            ("unknown", json!(sectors)),
        ],
        skyline: found.skyline,
        computed: true,
    })
}

fn measured(args: &SkylineArgs, site: &Site, csv: &Path, now: Instant) -> Result<Answer, Failure> {
    let noon = |date: jiff::civil::Date| jiff::tz::Offset::UTC.to_timestamp(date.at(12, 0, 0, 0)).ok();
    let when = args.date.and_then(noon).map_or(now, Instant::from_timestamp);
    let turn = match args.magnetic {
        true => Some(declination(
            site.latitude.deg(),
            site.longitude.deg(),
            site.elevation_m,
            when,
        )?),
        false => None,
    };
    let north = turn.map_or(North::True, |d| North::Magnetic(d.angle));
    let skyline = measured_skyline(csv, north)?;
    let told = turn.map(compass);
    let mut about = vec![format!("Measured, from {}.", csv.display())];
    about.extend(told.clone());
    let fields = turn.map(|d| {
        [
            ("declination_deg", json!(d.angle.deg())),
            ("declination_uncertainty_deg", json!(d.uncertainty.deg())),
            ("magnetic_model", json!(d.model)),
        ]
    });
    Ok(Answer {
        skyline,
        about,
        lines: told.map(|t| ("Compass", t)).into_iter().collect(),
        fields: fields.into_iter().flatten().collect(),
        computed: false,
    })
}

fn compass(d: Declination) -> String {
    let warning = if d.unreliable {
        "; so near the magnetic pole a compass cannot be relied on"
    } else {
        ""
    };
    format!(
        "turned by the declination {:+.2}° ± {:.2}° ({}) to true north{warning}",
        d.angle.deg(),
        d.uncertainty.deg(),
        d.model
    )
}

/// Highest, lowest and the eight directions.
fn shape(skyline: &Skyline) -> Vec<(&'static str, String)> {
    let point = |(azimuth, altitude): (Angle, Angle)| {
        let away = skyline
            .edge_m(azimuth)
            .map(|d| format!(", {:.1} km away", d / 1000.0));
        format!(
            "{:.2}° at azimuth {:.1}°{}",
            altitude.deg(),
            azimuth.deg(),
            away.unwrap_or_default()
        )
    };
    let direction = |(n, name): (usize, &&str)| {
        format!(
            "{name} {:.1}°",
            skyline.altitude(Angle::from_deg(45.0 * n as f64)).deg()
        )
    };
    let all: Vec<String> = COMPASS.iter().enumerate().map(direction).collect();
    vec![
        ("Highest", point(skyline.highest())),
        ("Lowest", point(skyline.lowest())),
        ("Round", all.join("  ")),
    ]
}

fn ground(found: &Horizon, args: &SkylineArgs, whose: &Whose<'_>, shows: Shows) -> String {
    let mut text = format!(
        "{} above the sea, the camera {} m above it",
        shows.height(found.ground_m),
        args.eye
    );
    let said = args
        .spot
        .elevation
        .or_else(|| whose.folder.map(|_| whose.site.elevation_m).filter(|e| *e != 0.0));
    if let (Some(said), Some(tiles)) = (said, found.tiles_ground_m)
        && (said - tiles).abs() > SAME_GROUND_M
    {
        let taken = match args.spot.elevation {
            Some(_) => "yours was taken",
            None => "theirs was taken; --elevation takes yours",
        };
        text.push_str(&format!(
            "; you say {}, the tiles {}: {taken}",
            shows.height(said),
            shows.height(tiles)
        ));
    }
    text
}

fn used(tiles: &[TileReport], too_far: usize, range_km: f64) -> String {
    let spacing = tiles.iter().map(|t| t.spacing_m).fold(f64::INFINITY, f64::min);
    let voids: usize = tiles.iter().map(|t| t.voids_left).sum();
    let filled: usize = tiles.iter().map(|t| t.voids_filled).sum();
    let mut text = format!("{} with posts every {spacing:.0} m", tiles.len());
    if too_far > 0 {
        text.push_str(&format!("; {too_far} beyond {range_km:.0} km not read"));
    }
    if filled + voids > 0 {
        text.push_str(&format!("; {filled} voids bridged, {voids} left"));
    }
    text
}

fn unknown(sectors: &[Unknown], shows: Shows) -> Vec<(&'static str, String)> {
    let tell = |u: &Unknown| {
        let (why, beyond) = match u.void {
            true => ("the tiles have a gap from", "in it"),
            false => ("the tiles end at", "beyond"),
        };
        format!(
            "azimuth {:.0}–{:.0}°: {why} {:.0} km; {beyond}, only peaks above {} could show",
            u.from.deg(),
            u.to.deg(),
            u.nearest_m / 1000.0,
            shows.height(u.needed_m.max(0.0))
        )
    };
    let mut lines: Vec<_> = sectors.iter().take(TOLD).map(|u| ("Unknown", tell(u))).collect();
    if sectors.len() > TOLD {
        lines.push(("", format!("and {} more sectors", sectors.len() - TOLD)));
    }
    lines
}

fn sector(u: &Unknown) -> Value {
    json!({
        "from_azimuth_deg": u.from.deg(),
        "to_azimuth_deg": u.to.deg(),
        "nearest_m": u.nearest_m,
        "needed_m": u.needed_m,
        "void": u.void,
    })
}

fn provenance(args: &SkylineArgs, whose: &Whose<'_>, found: &Horizon, tiles: &[TileReport]) -> Vec<String> {
    let mut about = vec![
        format!(
            "Latitude {:.6}°, longitude {:.6}°; ground {:.1} m, camera {} m above it; land to {} km; k = {}.",
            whose.site.latitude.deg(),
            whose.site.longitude.deg(),
            found.ground_m,
            args.eye,
            args.range,
            HorizonSettings::default().refraction
        ),
        "Azimuth from true north; altitude as seen, with terrestrial refraction; distance of the edge, empty at sea."
            .to_owned(),
    ];
    about.extend(tiles.iter().map(|t| {
        let file = Path::new(&t.name).file_name().unwrap_or_default();
        format!("Tile {} {}", file.to_string_lossy(), t.hash)
    }));
    about.extend(
        unknown(&found.unknown, Shows::default())
            .into_iter()
            .map(|(what, line)| format!("{what} {line}")),
    );
    about
}

fn as_json(site: &Site, skyline: &Skyline, file: Option<&Path>) -> serde_json::Map<String, Value> {
    let point = |(azimuth, altitude): (Angle, Angle)| {
        json!({
            "azimuth_deg": azimuth.deg(),
            "altitude_deg": altitude.deg(),
            "distance_m": skyline.edge_m(azimuth),
        })
    };
    let altitudes: Vec<f64> = skyline.points().map(|(_, a)| a.deg()).collect();
    let fields = [
        ("latitude_deg", json!(site.latitude.deg())),
        ("longitude_deg", json!(site.longitude.deg())),
        ("file", json!(file.map(|f| f.display().to_string()))),
        ("step_deg", json!(skyline.step().deg())),
        ("highest", point(skyline.highest())),
        ("lowest", point(skyline.lowest())),
        ("altitudes_deg", json!(altitudes)),
    ];
    fields.into_iter().map(|(k, v)| (k.to_owned(), v)).collect()
}
