//! Blind identification against its bars on simulated lists of stars.
//!
//! `cargo run -p nightloom-stars --example blind_bars -- [fields] [seed]`
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a report for reading")]

#[path = "../tests/all/blind_fields.rs"]
mod blind_fields;

use std::time::Instant as Clock;

use blind_fields::{Simulated, WHEN, judge, simulate};
use nightloom_stars::{BlindSettings, Star, identify_blind};

fn main() {
    let mut arguments = std::env::args().skip(1).filter_map(|a| a.parse::<u64>().ok());
    let (fields, seed) = (
        arguments.next().unwrap_or(500),
        arguments.next().unwrap_or(20_261),
    );
    let clock = Clock::now();
    let _ = identify_blind(
        &simulate(0, seed).stars,
        [6000, 4000],
        &BlindSettings::default(),
        WHEN(),
    );
    println!("first call {:.2} s", clock.elapsed().as_secs_f64());
    let (mut seconds, mut pointing, mut focal) = (Vec::new(), Vec::new(), Vec::new());
    let (mut missed, mut wrong) = (0, 0);
    for n in 0..fields {
        let field = simulate(n, seed);
        let clock = Clock::now();
        let found = identify_blind(&field.stars, field.size_px, &BlindSettings::default(), WHEN());
        let took = clock.elapsed().as_secs_f64();
        seconds.push(took);
        match found {
            None => {
                missed += 1;
                println!("missed {}", told(n, &field, took));
            }
            Some(found) => {
                let error = judge(&field, &found);
                if error.pointing_arcsec > 600.0 || found.mirrored != field.mirrored {
                    wrong += 1;
                    println!("WRONG {} {error:?}", told(n, &field, took));
                    continue;
                }
                if error.pointing_arcsec > 10.0 || error.focal_share > 5e-4 {
                    println!("loose {} {error:?}", told(n, &field, took));
                }
                pointing.push(error.pointing_arcsec);
                focal.push(error.focal_share * 100.0);
            }
        }
    }
    in_vain(seed);
    println!("{fields} fields: {missed} not identified, {wrong} wrong");
    for (what, values) in [("seconds", seconds), ("pointing ″", pointing), ("focal %", focal)] {
        let part = |share| quantile(&values, share);
        println!(
            "{what}: median {:.4}, 95 % {:.4}, 99 % {:.4}, largest {:.4}",
            part(0.5),
            part(0.95),
            part(0.99),
            part(1.0)
        );
    }
}

/// How long it takes to find nothing: fields whose stars' heights are dealt out anew.
fn in_vain(seed: u64) {
    for n in 0..6 {
        let field = simulate(n, seed);
        let (size_px, count) = (field.size_px, field.stars.len());
        let stars: Vec<Star> = (0..count)
            .map(|i| Star {
                y: field.stars[(7 * i + 3) % count].y,
                ..field.stars[i]
            })
            .collect();
        let clock = Clock::now();
        let found = identify_blind(&stars, size_px, &BlindSettings::default(), WHEN());
        println!(
            "{count} stars that are no sky: {}, {:.2} s",
            if found.is_some() {
                "WRONG"
            } else {
                "not identified"
            },
            clock.elapsed().as_secs_f64()
        );
    }
}

fn told(n: u64, field: &Simulated, took: f64) -> String {
    format!(
        "{n}: {:.0} mm, {} of {} in the catalogue, land {}, mirrored {}, {took:.2} s",
        field.focal_mm,
        field.known,
        field.stars.len(),
        field.land,
        field.mirrored
    )
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = (share * (sorted.len().max(1) - 1) as f64).round() as usize;
    sorted.get(at).copied().unwrap_or(f64::NAN)
}
