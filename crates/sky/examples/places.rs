//! Prints what places cost: `cargo run --release -p nightloom-sky --example places`.
#![allow(clippy::print_stdout, reason = "an example that prints is what it is for")]

use std::hint::black_box;
use std::time::Instant as Clock;

use nightloom_sky::{
    EarthOrientation, Instant, Observer, PlaceError, Site, SiteError, SolarBody, Target, Watch, catalogue,
};

/// Microseconds of one of `n` turns.
fn microseconds(n: u32, mut turn: impl FnMut(u32)) -> f64 {
    let started = Clock::now();
    for i in 0..n {
        turn(i);
    }
    started.elapsed().as_secs_f64() * 1e6 / f64::from(n)
}

#[derive(Debug, thiserror::Error)]
enum Trouble {
    #[error(transparent)]
    Site(#[from] SiteError),
    #[error(transparent)]
    Place(#[from] PlaceError),
    #[error(transparent)]
    Date(#[from] jiff::Error),
}

fn main() -> Result<(), Trouble> {
    let site = Site::new(46.0, 8.0, 2000.0)?;
    let start: Instant = "2026-06-01T12:00:00Z".parse()?;
    let nil = EarthOrientation::default();
    let alone = microseconds(500, |i| {
        black_box(Observer::new(&site, start.plus_seconds(f64::from(i)), nil)).ok();
    });
    println!("observer of one instant      {alone:8.2} us");
    let year = microseconds(3, |_| {
        black_box(Watch::over(
            &site,
            nil,
            start,
            start.plus_seconds(365.0 * 86_400.0),
        ))
        .ok();
    });
    println!("watch of a year              {year:8.0} us");
    let watch = Watch::over(&site, nil, start, start.plus_seconds(86_400.0))?;
    let watched = microseconds(50_000, |i| {
        black_box(watch.at(start.plus_seconds(f64::from(i)))).ok();
    });
    println!("observer from a watch        {watched:8.2} us");
    let observer = Observer::new(&site, start, nil)?;
    let targets = [
        ("star", Target::from(&catalogue::stars()[0])),
        ("sun", SolarBody::Sun.into()),
        ("moon", SolarBody::Moon.into()),
        ("Jupiter", SolarBody::Jupiter.into()),
    ];
    for (name, target) in targets {
        let altitude = microseconds(200_000, |_| {
            black_box(observer.altitude(black_box(&target)));
        });
        let place = microseconds(200_000, |_| {
            black_box(observer.place(black_box(&target)));
        });
        println!("{name:8} altitude {altitude:6.2} us, place {place:6.2} us");
    }
    Ok(())
}
