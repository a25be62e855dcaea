//! Times the questions about nights: `cargo run --release -p nightloom-sky --example night_bench`.
//!
//! Prints seconds; `benches/nights_skyfield.py` runs it, times skyfield at the same night and prints the ratio.
#![allow(clippy::print_stdout, reason = "it reports to the one who runs it")]

use std::hint::black_box;
use std::time::Instant as Clock;

use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use nightloom_sky::night::{NightError, Nights, SkyBox, Standpoint, WhenQuestion};
use nightloom_sky::subjects::Subject;
use nightloom_sky::{Angle, Site, Skyline, Target};

/// Nights of which the quickest tells the time, as on skyfield's side: other work on the machine only adds.
const REPEATS: u32 = 100;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let core = Subject::own(
        "core",
        Target::fixed(Angle::from_deg(266.4168), Angle::from_deg(-29.0078)),
    );
    let evening = date(2026, 5, 16);
    let mut best = f64::INFINITY;
    for n in 0..REPEATS {
        let begun = Clock::now();
        let day = evening.checked_add(jiff::Span::new().days(i64::from(n)))?;
        black_box(nights(day, day)?.night(day, std::slice::from_ref(&core))?);
        best = best.min(begun.elapsed().as_secs_f64());
    }
    println!("night {best:.6}");

    let begun = Clock::now();
    let year = nights(date(2026, 1, 1), date(2026, 12, 31))?.year(Some(&core))?;
    println!("year {:.6}", begun.elapsed().as_secs_f64());
    black_box(year);

    let question = WhenQuestion {
        subject: core,
        sky_box: SkyBox {
            from_azimuth: Angle::from_deg(195.0),
            to_azimuth: Angle::from_deg(215.0),
            least_altitude: Angle::from_deg(10.0),
            greatest_altitude: Angle::from_deg(30.0),
        },
        moonlit: true,
        least_minutes: 1.0,
    };
    let begun = Clock::now();
    let chances = nights(date(2026, 1, 1), date(2035, 12, 31))?.when(&question)?;
    println!("when {:.6}", begun.elapsed().as_secs_f64());
    println!("chances {}", chances.len());
    Ok(())
}

/// A mountain site with a rough skyline every 0.1°.
fn nights(first: Date, last: Date) -> Result<Nights, NightError> {
    let altitude = |n: usize| 5.0 + 3.0 * (n as f64 * 0.021).sin() + 0.5 * (n as f64 * 1.3).sin();
    let ridge: Vec<Angle> = (0..3600).map(|n| Angle::from_deg(altitude(n))).collect();
    let site = Site::new(36.5, 24.4, 300.0).map_err(nightloom_sky::PlaceError::from)?;
    let standpoint = Standpoint {
        skyline: Skyline::new(ridge).unwrap_or_default(),
        ..Standpoint::at(site)
    };
    Nights::new(standpoint, TimeZone::UTC, first, last)
}
