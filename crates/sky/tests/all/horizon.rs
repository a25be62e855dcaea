//! Computed skylines against exact rays over analytic terrain and against the handbook.

use nightloom_sky::Angle;
use nightloom_sky::skyline::{HorizonError, HorizonSettings, Terrain, Tile, horizon, terrain_altitude};

use crate::table::rows;

/// The bar, degrees. Measured at one arc-second with heights in whole metres: see each test.
const EXACT_RAY_DEG: f64 = 0.02;
/// Rounding of the handbook's values.
const HANDBOOK_DEG: f64 = 0.001;
const HANDBOOK_M: f64 = 0.06;
/// With which the handbook's drops come out.
const HANDBOOK_RADIUS_M: f64 = 6_370_000.0;

/// The observer, the kind of terrain and its middle, as in make_horizon.py.
struct Case {
    observer: (f64, f64),
    kind: &'static str,
    middle: (f64, f64),
    base_m: f64,
    top_m: f64,
    parameter: f64,
    tiles: &'static [(i32, i32)],
    reach_m: f64,
}

fn case(name: &str) -> Case {
    let case = |observer, kind, middle, base_m, top_m, parameter, tiles, reach_m| Case {
        observer,
        kind,
        middle,
        base_m,
        top_m,
        parameter,
        tiles,
        reach_m,
    };
    match name {
        "cone" => case(
            (46.5, 8.5),
            "cone",
            (46.55, 8.6),
            500.0,
            2500.0,
            0.6,
            &[(46, 8)],
            30e3,
        ),
        "ridge" => case(
            (60.5, -7.5),
            "ridge",
            (60.5, -7.25),
            300.0,
            1800.0,
            1.0,
            &[(60, -8)],
            40e3,
        ),
        "dome" => case(
            (-33.5, 19.5),
            "dome",
            (-33.6, 19.4),
            200.0,
            1700.0,
            9000.0,
            &[(-34, 19)],
            40e3,
        ),
        "far" => case(
            (0.5, 10.5),
            "cone",
            (0.5, 11.5),
            0.0,
            4000.0,
            0.15,
            &[(0, 10), (0, 11)],
            140e3,
        ),
        _ => case(
            (46.5, 8.5),
            "cone",
            (47.25, 9.25),
            100.0,
            3000.0,
            0.2,
            &[(46, 8), (47, 8), (46, 9), (47, 9)],
            120e3,
        ),
    }
}

impl Case {
    fn height_m(&self, lat: f64, lon: f64) -> f64 {
        let x = (lon - self.middle.1) * 111_320.0 * self.middle.0.to_radians().cos();
        let y = (lat - self.middle.0) * 111_000.0;
        let p = self.parameter;
        let height = match self.kind {
            "cone" => self.top_m - p * x.hypot(y),
            "ridge" => self.top_m - p * x.abs(),
            _ => (p * p - x * x - y * y).max(0.0).sqrt() - p + self.top_m,
        };
        height.max(self.base_m)
    }

    fn tile(&self, (lat, lon): (i32, i32), side: usize) -> Tile {
        hgt(lat, lon, side, |la, lo| self.height_m(la, lo))
    }

    fn settings(&self) -> HorizonSettings {
        HorizonSettings {
            range_m: self.reach_m,
            // The table has whole degrees.
            points: 360,
            ..HorizonSettings::default()
        }
    }
}

pub(crate) fn hgt_name(lat: i32, lon: i32) -> String {
    let (ns, ew) = (if lat < 0 { 'S' } else { 'N' }, if lon < 0 { 'W' } else { 'E' });
    format!("{ns}{:02}{ew}{:03}.hgt", lat.abs(), lon.abs())
}

pub(crate) fn hgt_bytes(lat: i32, lon: i32, side: usize, height: impl Fn(f64, f64) -> f64) -> Vec<u8> {
    let step = 1.0 / (side - 1) as f64;
    let mut bytes = Vec::with_capacity(side * side * 2);
    for row in 0..side {
        for column in 0..side {
            let place = (
                f64::from(lat) + 1.0 - row as f64 * step,
                f64::from(lon) + column as f64 * step,
            );
            bytes.extend((height(place.0, place.1).round() as i16).to_be_bytes());
        }
    }
    bytes
}

pub(crate) fn hgt(lat: i32, lon: i32, side: usize, height: impl Fn(f64, f64) -> f64) -> Tile {
    Tile::from_hgt(&hgt_name(lat, lon), &hgt_bytes(lat, lon, side, height)).expect("a tile")
}

/// How far one analytic case is from the exact ray at the most, degrees.
fn worst(name: &str, side: usize) -> f64 {
    let case = case(name);
    let tiles = case.tiles.iter().map(|t| case.tile(*t, side)).collect();
    let terrain = Terrain::new(tiles).expect("terrain");
    let found = horizon(&terrain, case.observer.0, case.observer.1, &case.settings()).expect("a horizon");
    assert!((found.ground_m - case.base_m).abs() < 1e-6);
    let table = rows(include_str!("../reference/horizon.csv"));
    let mine: Vec<_> = table.iter().filter(|(n, _)| n == name).collect();
    assert!(mine.len() > 10, "{name} has {} rows", mine.len());
    let off = |row: &[f64]| {
        let azimuth = Angle::from_deg(row[0]);
        let edge = found.skyline.edge_m(azimuth).expect("land");
        assert!(
            (edge / row[2] - 1.0).abs() < 0.03,
            "{name} at {}: edge {edge} m, {} m",
            row[0],
            row[2]
        );
        (found.skyline.altitude(azimuth).deg() - row[1]).abs()
    };
    mine.iter().map(|(_, row)| off(row)).fold(0.0, f64::max)
}

#[test]
fn analytic_terrain_stands_where_exact_rays_see_it() {
    for (name, side) in [
        ("cone", 3601),
        ("ridge", 3601),
        ("dome", 3601),
        ("far", 1201),
        ("oblique", 1201),
    ] {
        let worst = worst(name, side);
        assert!(worst < EXACT_RAY_DEG, "{name}: {worst}°");
    }
}

/// TRADE.md section 4: curvature and refraction take 6.8, 42.7, 170.7 and 682.9 m at 10, 25, 50 and
/// 100 km; +1000 m at 10 km stands at 5.672°, +2500 m at 40 km at 3.420° (Yoeli 1985, k = 0.13).
#[test]
fn handbook_values() {
    for (distance, drop) in [(10e3, 6.8), (25e3, 42.7), (50e3, 170.7), (100e3, 682.9)] {
        let seen = terrain_altitude(0.0, 0.0, distance, HANDBOOK_RADIUS_M, 0.13);
        let found = -seen.tan() * distance;
        assert!((found - drop).abs() < HANDBOOK_M, "{distance}: {found}");
    }
    for (height, distance, altitude) in [(1000.0, 10e3, 5.672), (2500.0, 40e3, 3.420)] {
        let seen = terrain_altitude(0.0, height, distance, HANDBOOK_RADIUS_M, 0.13).deg();
        assert!((seen - altitude).abs() < HANDBOOK_DEG, "{height} m: {seen}");
    }
}

/// The sea's horizon stands √(2h(1 − k)/R) low; for 100 m and R of the site that is 0.299°.
#[test]
fn the_sea_has_its_dip() {
    const DIP_DEG: f64 = 0.0005;
    let island = hgt(10, 20, 1201, |_, _| 0.0);
    let terrain = Terrain::new(vec![island]).expect("terrain");
    let settings = HorizonSettings {
        eye_m: 100.0,
        ..HorizonSettings::default()
    };
    let found = horizon(&terrain, 10.5, 20.5, &settings).expect("a horizon");
    for (azimuth, radius_m) in [(0.0, 6_337_600.0), (90.0, 6_378_780.0)] {
        let dip = (200.0 * 0.87f64 / radius_m).sqrt().to_degrees();
        let altitude = found.skyline.altitude(Angle::from_deg(azimuth)).deg();
        assert!((altitude + dip).abs() < DIP_DEG, "{azimuth}: {altitude}, {dip}");
    }
}

#[test]
fn a_camera_off_the_tiles_or_in_a_void_is_told_so() {
    let terrain = Terrain::new(vec![hgt(
        46,
        8,
        1201,
        |lat, _| if lat > 46.5 { 500.0 } else { -32768.0 },
    )])
    .expect("terrain");
    let settings = HorizonSettings::default();
    let off = horizon(&terrain, 8.5, 46.5, &settings).unwrap_err();
    assert!(matches!(off, HorizonError::Outside { .. }) && off.to_string().contains("latitude comes first"));
    let off = horizon(&terrain, 46.2, 8.5, &settings).unwrap_err();
    assert!(matches!(off, HorizonError::Void { .. }), "{off}");
    let off = horizon(&terrain, 91.0, 8.5, &settings).unwrap_err();
    assert!(off.to_string().contains("latitude"), "{off}");
    // With the ground given the void is no hindrance, but it is told.
    let given = HorizonSettings {
        ground_m: Some(500.0),
        ..settings
    };
    let found = horizon(&terrain, 46.2, 8.5, &given).expect("a horizon");
    let south = found.unknown.iter().find(|u| u.void).expect("the void is told");
    assert!(south.nearest_m < 1.0, "{south:?}");
}

#[test]
fn what_lies_beyond_the_tiles_is_told_with_the_height_it_needs() {
    // A wall of 3000 m in the east, 12 km away, hides everything behind it; elsewhere the tile just ends.
    let wall = |_: f64, lon: f64| if lon > 8.65 { 4000.0 } else { 1000.0 };
    let terrain = Terrain::new(vec![hgt(46, 8, 1201, wall)]).expect("terrain");
    let found = horizon(&terrain, 46.5, 8.5, &HorizonSettings::default()).expect("a horizon");
    assert_eq!(found.unknown.len(), 1, "{:?}", found.unknown);
    let gap = found.unknown[0];
    assert!(!gap.void);
    // From the wall's southern end round through the west to its northern end.
    assert!(gap.from.deg() > 120.0 && gap.to.deg() < 60.0, "{gap:?}");
    // The tile's western edge is 38.4 km away.
    assert!((gap.nearest_m - 38_400.0).abs() < 300.0, "{gap:?}");
    assert!(gap.needed_m > 1000.0 && gap.needed_m < 1200.0, "{gap:?}");
}

#[test]
fn a_given_elevation_below_the_tiles_raises_no_wall() {
    let terrain = Terrain::new(vec![hgt(46, 8, 1201, |_, _| 1000.0)]).expect("terrain");
    let settings = HorizonSettings {
        ground_m: Some(960.0),
        range_m: 20e3,
        ..HorizonSettings::default()
    };
    let found = horizon(&terrain, 46.5, 8.5, &settings).expect("a horizon");
    assert_eq!(found.tiles_ground_m, Some(1000.0));
    // 38.4 m at 500 m at the steepest, not 38.4 m at the next post.
    assert!(
        found.skyline.highest().1.deg() < 4.5,
        "{:?}",
        found.skyline.highest()
    );
    // Standing higher than the tiles say lowers the land.
    let settings = HorizonSettings {
        ground_m: Some(1040.0),
        range_m: 20e3,
        ..HorizonSettings::default()
    };
    let found = horizon(&terrain, 46.5, 8.5, &settings).expect("a horizon");
    assert!(found.skyline.highest().1.deg() < 0.0);
}

#[test]
fn any_number_of_threads_gives_the_same() {
    let rough = |lat: f64, lon: f64| 1000.0 + 800.0 * (lat * 300.0).sin() * (lon * 217.0).cos();
    let terrain = Terrain::new(vec![hgt(46, 8, 1201, rough)]).expect("terrain");
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads");
        pool.install(|| horizon(&terrain, 46.4, 8.6, &HorizonSettings::default()).expect("a horizon"))
    };
    assert_eq!(run(1), run(3));
}
