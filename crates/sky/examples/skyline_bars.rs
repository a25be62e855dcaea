//! The bar for skylines: one 1-arc-second tile with its neighbours, land to 100 km, within 5 s.
//!
//! `cargo run --release -p nightloom-sky --example skyline_bars`

use std::hint::black_box;
use std::process::ExitCode;
use std::time::Instant;

use nightloom_sky::skyline::{HorizonSettings, Terrain, Tile, horizon};

const BAR_S: f64 = 5.0;
const SIDE: usize = 3601;

/// Rough land: ranges of hills within hills, rising to the east.
fn height(lat: f64, lon: f64) -> f64 {
    let wave = |period_deg: f64, height_m: f64| {
        let turn = std::f64::consts::TAU / period_deg;
        height_m * ((lat + 0.3 * lon) * turn).sin() * ((lon - 0.2 * lat) * turn * 1.17).cos()
    };
    1500.0
        + wave(0.31, 700.0)
        + wave(0.083, 250.0)
        + wave(0.021, 90.0)
        + wave(0.004_3, 25.0)
        + wave(0.000_9, 6.0)
}

fn tile(lat: i32, lon: i32) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(SIDE * SIDE * 2);
    for row in 0..SIDE {
        for column in 0..SIDE {
            let step = |n: usize| n as f64 / (SIDE - 1) as f64;
            let post = height(f64::from(lat) + 1.0 - step(row), f64::from(lon) + step(column));
            bytes.extend((post as i16).to_be_bytes());
        }
    }
    bytes
}

#[allow(clippy::print_stdout, reason = "a benchmark tells its figures")]
fn main() -> ExitCode {
    let places: Vec<(i32, i32)> = (45..48)
        .flat_map(|lat| (7..10).map(move |lon| (lat, lon)))
        .collect();
    let files: Vec<Vec<u8>> = places.iter().map(|p| tile(p.0, p.1)).collect();
    let start = Instant::now();
    let read = |(place, bytes): (&(i32, i32), &Vec<u8>)| {
        Tile::from_hgt(&format!("N{:02}E{:03}.hgt", place.0, place.1), bytes)
    };
    let tiles: Result<Vec<Tile>, _> = places.iter().zip(&files).map(read).collect();
    let Ok(terrain) = tiles.and_then(Terrain::new) else {
        return ExitCode::FAILURE;
    };
    let reading = start.elapsed().as_secs_f64();
    let settings = HorizonSettings {
        range_m: 100e3,
        ..HorizonSettings::default()
    };
    let Ok(found) = horizon(&terrain, 46.5, 8.5, &settings) else {
        return ExitCode::FAILURE;
    };
    black_box(&found);
    let whole = start.elapsed().as_secs_f64();
    println!(
        "9 tiles read {reading:.2} s, 3600 azimuths to 100 km {:.2} s, together {whole:.2} s (bar {BAR_S} s)",
        whole - reading
    );
    if whole < BAR_S {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
