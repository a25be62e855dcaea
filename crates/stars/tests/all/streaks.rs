//! Streaks painted as satellites, aircraft and meteors draw them.

use nightloom_raster::Plane;
use nightloom_stars::{DetectSettings, Field, StreakKind, measure};

use crate::scene::{Look, Random, Source, expose, paint};

const WIDTH: usize = 900;
const HEIGHT: usize = 600;

/// Stars and one line between two points with the given light, electrons a pixel, at each part of it.
fn frame(from: [f64; 2], to: [f64; 2], light: impl Fn(f64) -> f64, seed: u64) -> Field {
    among(250, from, to, light, seed)
}

fn among(stars: usize, from: [f64; 2], to: [f64; 2], light: impl Fn(f64) -> f64, seed: u64) -> Field {
    let mut random = Random(seed);
    let look = Look::default();
    let sources: Vec<Source> = (0..stars)
        .map(|_| Source {
            x: random.range(8.0, WIDTH as f64 - 9.0),
            y: random.range(8.0, HEIGHT as f64 - 9.0),
            electrons: random.flux(500.0),
        })
        .collect();
    let mut plane: Plane = paint(WIDTH, HEIGHT, &sources, &look);
    let length = (to[0] - from[0]).hypot(to[1] - from[1]);
    let dots: Vec<Source> = (0..(2.0 * length) as usize)
        .map(|i| {
            let t = (i as f64 + 0.5) / (2.0 * length);
            Source {
                x: from[0] + t * (to[0] - from[0]),
                y: from[1] + t * (to[1] - from[1]),
                electrons: 0.5 * light(t),
            }
        })
        .collect();
    let dark = Look {
        sky_electrons: 0.0,
        ..look
    };
    for (p, l) in plane
        .data_mut()
        .iter_mut()
        .zip(paint(WIDTH, HEIGHT, &dots, &dark).data())
    {
        *p += l;
    }
    measure(&expose(plane, &look, &mut random), &DetectSettings::default())
}

fn only(field: &Field, from: [f64; 2], to: [f64; 2], kind: StreakKind, end_px: f64) {
    assert_eq!(field.streaks.len(), 1, "{:?}", field.streaks);
    let streak = &field.streaks[0];
    assert_eq!(streak.kind, kind, "{streak:?}");
    let off = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]);
    let straight = off(streak.from, from).max(off(streak.to, to));
    let turned = off(streak.from, to).max(off(streak.to, from));
    assert!(
        straight.min(turned) < end_px,
        "{straight} {turned} px off: {streak:?}"
    );
}

#[test]
fn a_satellite_runs_evenly() {
    let (from, to) = ([150.0, 120.0], [640.0, 430.0]);
    only(
        &frame(from, to, |_| 400.0, 1),
        from,
        to,
        StreakKind::Satellite,
        12.0,
    );
    // Through the whole frame, too.
    let (from, to) = ([0.0, 500.0], [899.0, 60.0]);
    let field = frame([-30.0, 514.7], [930.0, 44.8], |_| 300.0, 2);
    only(&field, from, to, StreakKind::Satellite, 25.0);
}

/// Its brightest pixels are some two and a half times the noise of one, among stars thirteen pixels apart.
#[test]
fn a_faint_satellite_is_found_among_thick_stars() {
    let (from, to) = ([0.0, 80.0], [899.0, 520.0]);
    let field = among(3_000, [-20.0, 70.2], [920.0, 530.3], |_| 120.0, 8);
    only(&field, from, to, StreakKind::Satellite, 60.0);
    assert!(among(3_000, from, to, |_| 0.0, 9).streaks.is_empty());
}

#[test]
fn an_aircraft_blinks_or_beats() {
    let (from, to) = ([100.0, 450.0], [760.0, 200.0]);
    let dashes = |t: f64| if (t * 22.0).fract() < 0.4 { 1_500.0 } else { 0.0 };
    only(&frame(from, to, dashes, 3), from, to, StreakKind::Aircraft, 40.0);
    let beats = |t: f64| 500.0 * (1.0 + 0.8 * (t * 12.0 * std::f64::consts::TAU).sin());
    only(&frame(from, to, beats, 4), from, to, StreakKind::Aircraft, 20.0);
}

#[test]
fn a_meteor_swells_and_fades() {
    let (from, to) = ([250.0, 100.0], [520.0, 380.0]);
    let burst = |t: f64| 3_000.0 * (t / 0.7).powi(2).min(((1.0 - t) / 0.3).max(0.0));
    only(&frame(from, to, burst, 5), from, to, StreakKind::Meteor, 70.0);
}

#[test]
fn stars_and_trails_of_stars_are_no_streaks() {
    assert!(frame([0.0, 0.0], [1.0, 1.0], |_| 0.0, 6).streaks.is_empty());
    let mut random = Random(7);
    let look = Look {
        trail: (30.0, 0.4),
        ..Look::default()
    };
    let sources: Vec<Source> = (0..60)
        .map(|_| Source {
            x: random.range(30.0, WIDTH as f64 - 31.0),
            y: random.range(30.0, HEIGHT as f64 - 31.0),
            electrons: random.flux(8_000.0),
        })
        .collect();
    let image = expose(paint(WIDTH, HEIGHT, &sources, &look), &look, &mut random);
    let field = measure(&image, &DetectSettings::default());
    assert!(field.trail_px > 20.0 && field.streaks.is_empty());
}
