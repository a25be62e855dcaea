//! Exposure values.

use nightloom_optics::Exposure;

/// APEX (from memory): EV 0 is f/1 for one second; each stop is one EV.
#[test]
fn exposure_values() {
    let ev = |seconds: f64, f_number: f64| {
        Exposure {
            seconds,
            f_number,
            iso: 100.0,
        }
        .ev()
    };
    assert!(ev(1.0, 1.0).abs() < 1e-12);
    assert!((ev(1.0, 2.0) - 2.0).abs() < 1e-12);
    assert!((ev(0.5, 1.0) - 1.0).abs() < 1e-12);
    // f/16 and 1/128 s: the sunny-16 rule's EV 15.
    assert!((ev(1.0 / 128.0, 16.0) - 15.0).abs() < 1e-12);
    // f/2.8 (2√2), 64 s, ISO 800: −3, three stops more by ISO.
    let night = Exposure {
        seconds: 64.0,
        f_number: 8f64.sqrt(),
        iso: 800.0,
    };
    assert!((night.ev() + 3.0).abs() < 1e-12 && (night.ev100() + 6.0).abs() < 1e-12);
}
