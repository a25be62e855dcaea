//! The sight's picture and the plan before the first frame.

use jiff::tz::TimeZone;
use nightloom_chart::{Flip, Look, SightView, sight_view};
use nightloom_optics::{Camera, Projection};
use nightloom_outing::pole::{PoleAsk, hints, pole_plan, sight};
use nightloom_sky::{Angle, EarthOrientation, Instant, Observer, PoleOffset, Site};

use crate::charts::assert_drawn;

fn offset(separation_arcmin: f64, clock_deg: f64) -> PoleOffset {
    PoleOffset {
        separation: Angle::from_arcmin(separation_arcmin),
        clock_angle: Angle::from_deg(clock_deg),
    }
}

/// Where the star's mark and the crosses are, right and up of the middle.
fn marks(flip: Flip, error: [f64; 2]) -> ([f64; 2], [f64; 2]) {
    let at: Instant = "2026-08-12T20:30:00Z".parse().unwrap();
    let svg = sight_view(
        &SightView {
            star: "Polaris",
            place: "here",
            now: offset(40.0, 45.0),
            at,
            path: &[],
            others: &[],
            tolerance: None,
            error: Some(error.map(Angle::from_arcmin)),
            before: None,
            flip,
            zone: &TimeZone::UTC,
            notes: &[],
        },
        Look::Day,
    );
    assert_drawn(&svg);
    let number = |text: &str, key: &str| -> f64 {
        let rest = text.split_once(key).unwrap().1;
        rest.split('"').next().unwrap().parse().unwrap()
    };
    // The filled mark of the star, then the cross by the beginning and end of its first stroke.
    let mark = svg.split("<circle ").find(|c| c.contains("r=\"4.5\"")).unwrap();
    let goal = [number(mark, "cx=\"") - 360.0, 362.0 - number(mark, "cy=\"")];
    let stroke = svg.split("<path class=\"line\" d=\"M").nth(1).unwrap();
    let ends: Vec<f64> = stroke
        .split('"')
        .next()
        .unwrap()
        .split(['L', ' '])
        .map(|n| n.parse().unwrap())
        .collect();
    let cross = [
        0.5 * (ends[0] + ends[2]) - 360.0,
        362.0 - 0.5 * (ends[1] + ends[3]),
    ];
    (goal, cross)
}

/// An axis too high lets the star stand too low in the sight, one too far right lets it stand too far left; an
/// optic that turns or mirrors the picture does so to both.
#[test]
fn the_star_stands_on_the_other_side() {
    let ([gx, gy], [x, y]) = marks(Flip::Eye, [10.0, 0.0]);
    assert!(
        gx > 0.0 && gy > 0.0 && (gx - gy).abs() < 0.2,
        "45° is up and right"
    );
    assert!(y < gy - 5.0 && (x - gx).abs() < 0.2);
    let (goal, [x, y]) = marks(Flip::Eye, [0.0, 10.0]);
    assert!(x < goal[0] - 5.0 && (y - goal[1]).abs() < 0.2);
    let (turned, cross) = marks(Flip::Inverted, [0.0, 10.0]);
    assert!((turned[0] + goal[0]).abs() < 0.2 && (turned[1] + goal[1]).abs() < 0.2 && cross[0] > turned[0]);
    let (mirrored, cross) = marks(Flip::Mirrored, [10.0, 0.0]);
    assert!(mirrored[0] < 0.0 && mirrored[1] > 0.0 && cross[1] < mirrored[1] - 5.0);
}

#[test]
fn before_the_first_frame() {
    let at: Instant = "2026-08-12T20:30:00Z".parse().unwrap();
    let observer = |latitude: f64| {
        let site = Site::new(latitude, 8.0, 500.0).unwrap();
        Observer::new(&site, at, EarthOrientation::default()).unwrap()
    };
    let ask = |focal: f64| PoleAsk {
        shot: Some((
            Camera::new(Projection::Rectilinear, focal, 5.95, [36.0, 24.0]).unwrap(),
            240.0,
        )),
        tolerance_px: 1.0,
        sight: Some(Angle::from_deg(5.0)),
    };
    let wide = pole_plan(&observer(46.0), &ask(14.0)).unwrap();
    assert!(
        wide.cost.unwrap().straight_is_enough,
        "14 mm forgives the pole star's 38′"
    );
    let long = pole_plan(&observer(46.0), &ask(85.0)).unwrap();
    assert!(!long.cost.unwrap().straight_is_enough);
    // Polaris is 37.7′ from the pole in 2026: an eighth of a sight of 5°, a third of a finger.
    assert!((long.widths.sight_widths.unwrap() - 0.126).abs() < 0.004);
    assert!((long.widths.finger_widths - 0.36).abs() < 0.02);
    assert!(long.cautions.iter().any(|c| c.contains("aircraft")) && long.beam_free.contains("no beam"));
    assert!(long.figure.is_empty() && !long.hops.is_empty());
    let south = pole_plan(&observer(-46.0), &ask(24.0)).unwrap();
    assert_eq!(south.figure.len(), 4);
    let told = hints(&south, "Sigma Octantis");
    assert!(
        told.iter().any(|h| h.text.contains("σ Octantis"))
            && told.iter().any(|h| h.text.contains("two frames tell the rest"))
    );
    let none = pole_plan(
        &observer(46.0),
        &PoleAsk {
            tolerance_px: 0.0,
            ..ask(24.0)
        },
    );
    assert!(none.is_err());
}

/// Six hours ahead the star has gone a quarter turn of the clock: backwards in the north, on in the south.
#[test]
fn the_star_goes_on() {
    for (latitude, way) in [(46.0, -90.25), (-46.0, 90.25)] {
        let site = Site::new(latitude, 8.0, 0.0).unwrap();
        let at: Instant = "2026-08-12T20:30:00Z".parse().unwrap();
        let observer = Observer::new(&site, at, EarthOrientation::default()).unwrap();
        let drawn = sight(&observer, EarthOrientation::default()).unwrap();
        let last = drawn.path.last().unwrap();
        let turned = (last.1.clock_angle - drawn.now.clock_angle - Angle::from_deg(way)).wrapped_180();
        assert!(turned.deg().abs() < 1.0, "{latitude}: {turned:?}");
        assert_eq!(drawn.path.len(), 25);
    }
}
