//! Measured skylines.

use nightloom_sky::Angle;
use nightloom_sky::skyline::{CsvError, North, Skyline, read_csv, write_csv};

/// Rounding, degrees.
const ROUNDING_DEG: f64 = 1e-9;
/// What the written form keeps, degrees.
const WRITTEN_DEG: f64 = 5.1e-5;

/// Every 15°, altitude a tenth of the azimuth.
fn lines() -> Vec<String> {
    (0..24)
        .map(|n| format!("{},{:.1}", n * 15, f64::from(n) * 1.5))
        .collect()
}

fn read(text: &str) -> Result<Skyline, CsvError> {
    read_csv(text, North::True)
}

fn altitude(skyline: &Skyline, azimuth_deg: f64) -> f64 {
    skyline.altitude(Angle::from_deg(azimuth_deg)).deg()
}

#[test]
fn measured_points_are_joined_by_straight_lines_in_any_order() {
    let mut shuffled = lines();
    shuffled.reverse();
    shuffled.swap(3, 17);
    let plain = read(&lines().join("\n")).expect("a skyline");
    let text = format!(
        "\u{feff}# by phone\r\nAzimuth;Altitude\r\n{}\r\n\r\n",
        shuffled.join("\r\n").replace(',', " ; ")
    );
    let other = read(&text).expect("a skyline");
    assert_eq!(plain, other);
    for (azimuth, expected) in [(0.0, 0.0), (187.5, 18.75), (345.0, 34.5), (352.5, 17.25)] {
        assert!(
            (altitude(&plain, azimuth) - expected).abs() < ROUNDING_DEG,
            "{azimuth}"
        );
    }
    // A whole turn is north again, with signs of degrees.
    let closed = read(&format!("{}\n360°, 0.0°", lines().join("\n"))).expect("a skyline");
    assert_eq!(plain, closed);
}

#[test]
fn compass_readings_are_turned_to_true_north() {
    let text = lines().join("\n");
    // True = magnetic + declination: what the compass calls 90° stands at 93° true.
    let east = read_csv(&text, North::Magnetic(Angle::from_deg(3.0))).expect("a skyline");
    assert!((altitude(&east, 93.0) - 9.0).abs() < ROUNDING_DEG);
    let west = read_csv(&text, North::Magnetic(Angle::from_deg(-12.0))).expect("a skyline");
    assert!((altitude(&west, 348.0) - 0.0).abs() < ROUNDING_DEG);
    assert!((altitude(&west, 78.0) - 9.0).abs() < ROUNDING_DEG);
}

#[test]
fn every_fault_is_a_sentence_with_its_line() {
    let told = |text: &str| read(text).unwrap_err();
    let mut bad = lines();
    bad[2] = "30,abc".into();
    bad[5] = "75,95".into();
    bad[7] = "405,3".into();
    bad[9] = "135 13.5".into();
    let error = told(&bad.join("\n"));
    let found: Vec<usize> = error.faults.iter().map(|f| f.line).collect();
    assert_eq!(found, [3, 6, 8, 10]);
    let text = error.to_string();
    assert!(
        text.contains("line 3: expected a number for the altitude, found “abc”"),
        "{text}"
    );
    assert!(
        text.contains("line 6: expected an altitude from -90 to 90, found 95"),
        "{text}"
    );
    assert!(
        text.contains("line 8: expected an azimuth from 0 to 360, found 405"),
        "{text}"
    );

    let twice = told(&format!("{}\n45,9.0", lines().join("\n")));
    assert_eq!(twice.faults.len(), 1);
    assert_eq!(twice.faults[0].line, 25);
    assert!(twice.to_string().contains("4.5° in line 4"), "{twice}");

    let mut gap = lines();
    gap.drain(10..12);
    let gap = told(&gap.join("\n"));
    assert_eq!(gap.faults[0].line, 10);
    assert!(gap.to_string().contains("between azimuth 135° and 180°"), "{gap}");
    let mut north = lines();
    north.drain(..2);
    assert!(
        told(&north.join("\n"))
            .to_string()
            .contains("between azimuth 345° and 30°")
    );

    assert!(told("").to_string().contains("no point"));
    assert!(told("azimuth,altitude\n").to_string().contains("no point"));
    // A decimal comma makes four cells of two numbers.
    assert!(told("187,5,4,2").to_string().contains("187.5, 4.2"));
    assert!(told("12,3\nNaN,4\n").to_string().contains("line 2"));
}

#[test]
fn what_is_written_is_read_back() {
    let altitudes = (0..3600).map(|n| Angle::from_deg((f64::from(n) * 0.3).sin() * 7.0));
    let edges = (0..3600).map(|n| {
        if n % 7 == 0 {
            f64::INFINITY
        } else {
            50.0 + f64::from(n)
        }
    });
    let skyline = Skyline::new(altitudes.collect()).expect("a skyline");
    let skyline = skyline.with_edges_m(edges.collect()).expect("distances");
    let text = write_csv(&skyline, &["From two tiles.\nTo 150 km.".into()]);
    assert!(text.starts_with(
        "# From two tiles.\n# To 150 km.\nazimuth_deg,altitude_deg,distance_m\n0.000,0.0000,\n"
    ));
    let back = read(&text).expect("the same");
    for ((azimuth, a), (_, b)) in back.points().zip(skyline.points()) {
        assert!((a - b).deg().abs() < WRITTEN_DEG);
        assert_eq!(back.edge_m(azimuth), skyline.edge_m(azimuth));
    }
}

#[test]
fn any_text_is_answered_without_a_panic() {
    let whole = lines().join("\n").into_bytes();
    let mut seed = 0x1234_5678u32;
    for _ in 0..200 {
        let mut damaged = whole.clone();
        for _ in 0..5 {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let at = (seed >> 8) as usize % damaged.len();
            damaged[at] ^= 1 << (seed >> 29);
        }
        let _ = read(&String::from_utf8_lossy(&damaged));
    }
}
