//! UTM against PROJ.

use nightloom_sky::skyline::Utm;

/// The bar is 1 mm; the table has micrometres. Measured: 1 µm on the zone's own 3° and out to 9°.
const FORWARD_M: f64 = 2e-6;
/// The same at the ground, degrees (1e-11° is 1 µm).
const BACK_DEG: f64 = 3e-10;

#[test]
fn both_ways_agree_with_proj() {
    let table = crate::table::rows(include_str!("../reference/utm.csv"));
    assert_eq!(table.len(), 60);
    for (zone, row) in table {
        let (number, half) = zone.split_at(zone.len() - 1);
        let utm = Utm::new(number.parse().expect("a number"), half == "S").expect("a zone");
        let (x, y) = utm.forward(row[0], row[1]);
        assert!((x - row[2]).abs() < FORWARD_M, "{zone} {row:?}: {x}");
        assert!((y - row[3]).abs() < FORWARD_M, "{zone} {row:?}: {y}");
        let (lat, lon) = utm.inverse(row[2], row[3]);
        assert!((lat - row[0]).abs() < BACK_DEG, "{zone} {row:?}: {lat}");
        assert!((lon - row[1]).abs() < BACK_DEG, "{zone} {row:?}: {lon}");
    }
    assert!(Utm::new(0, false).is_none() && Utm::new(61, true).is_none());
}
