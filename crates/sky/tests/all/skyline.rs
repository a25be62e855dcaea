//! The skyline as a function of azimuth.

use nightloom_sky::{Angle, Skyline, SkylineError};

/// Rounding, degrees.
const ROUNDING_DEG: f64 = 1e-9;

fn deg(degrees: f64) -> Angle {
    Angle::from_deg(degrees)
}

fn ramp() -> Skyline {
    Skyline::new((0..36).map(|n| deg(f64::from(n))).collect()).expect("a skyline")
}

#[test]
fn altitude_is_straight_between_points_and_goes_round() {
    let skyline = ramp();
    let cases = [
        (0.0, 0.0),
        (90.0, 9.0),
        (184.5, 18.45),
        (350.0, 35.0),
        (355.0, 17.5),
        (359.999, 0.0035),
        (-5.0, 17.5),
        (725.0, 0.5),
        (360.0, 0.0),
        (-1e-300, 0.0),
    ];
    for (azimuth, altitude) in cases {
        let found = skyline.altitude(deg(azimuth)).deg();
        assert!((found - altitude).abs() < ROUNDING_DEG, "{azimuth}: {found}");
    }
    assert!((skyline.step().deg() - 10.0).abs() < ROUNDING_DEG);
    assert!((skyline.highest().0.deg() - 350.0).abs() < ROUNDING_DEG);
    assert_eq!(skyline.lowest().1, deg(0.0));
}

#[test]
fn a_flat_skyline_is_the_horizon() {
    let flat = Skyline::flat();
    assert_eq!(flat.altitude(deg(123.4)), deg(0.0));
    assert_eq!(flat.edge_m(deg(10.0)), None);
    // An azimuth that is no number gives no panic.
    assert_eq!(flat.altitude(deg(f64::NAN)), deg(0.0));
}

#[test]
fn what_is_no_skyline_is_refused_in_a_sentence() {
    assert!(matches!(
        Skyline::new(vec![]),
        Err(SkylineError::Count { found: 0 })
    ));
    let bad = Skyline::new(vec![deg(1.0), deg(f64::NAN), deg(0.0), deg(0.0)]).unwrap_err();
    assert!(bad.to_string().contains("azimuth 90°"), "{bad}");
    let bad = Skyline::new(vec![deg(1.0), deg(91.0)]).unwrap_err();
    assert!(bad.to_string().contains("azimuth 180°"), "{bad}");
    let bad = ramp().with_edges_m(vec![1.0; 35]).unwrap_err();
    assert!(bad.to_string().contains("36"), "{bad}");
}

#[test]
fn it_comes_back_from_json_and_damage_does_not() {
    let edges = (0..36).map(|n| {
        if n == 7 {
            f64::INFINITY
        } else {
            100.0 * f64::from(n + 1)
        }
    });
    let skyline = ramp().with_edges_m(edges.collect()).expect("distances");
    let text = serde_json::to_string(&skyline).expect("JSON");
    let back: Skyline = serde_json::from_str(&text).expect("the same");
    assert_eq!(back.edge_m(deg(70.0)), None);
    assert_eq!(back.edge_m(deg(78.0)), Some(900.0));
    for (a, b) in back.points().zip(skyline.points()) {
        assert!((a.1 - b.1).deg().abs() < ROUNDING_DEG);
    }
    assert!(serde_json::from_str::<Skyline>(r#"{"altitudes_deg":[]}"#).is_err());
    assert!(serde_json::from_str::<Skyline>(r#"{"altitudes_deg":[95.0]}"#).is_err());
}
