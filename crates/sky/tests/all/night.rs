//! The events of a night against skyfield with JPL's DE440 (reference/make_events.py).

use jiff::civil::Date;
use jiff::tz::TimeZone;
use nightloom_sky::night::{Night, NightError, Nights, Standpoint, Window, WindowError};
use nightloom_sky::{Angle, EarthOrientation, Instant, Observer, Site, SolarBody, Target};

/// Bar of an event's time with UT1 given, seconds.
const TOLERANCE_S: f64 = 1.0;
/// An event may be later or earlier than that where the altitude changes so slowly, arcseconds.
const GRAZING_ARCSEC: f64 = 1.0;
/// Skyfield takes the phase angle from places without aberration: 20″ of it.
const LIT_TOLERANCE: f64 = 1e-4;
const MOON_ALTITUDE_ARCSEC: f64 = 1.0;

const NIGHTS: &str = include_str!("../reference/nights.csv");
const TRANSITS: &str = include_str!("../reference/transits.csv");

/// A row of nights.csv.
struct Row<'a> {
    name: &'a str,
    cells: Vec<&'a str>,
}

impl<'a> Row<'a> {
    fn all() -> impl Iterator<Item = Row<'a>> {
        let lines = NIGHTS.lines().filter(|l| !l.starts_with('#')).skip(1);
        lines.map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            Row {
                name: cells[0],
                cells,
            }
        })
    }
    fn number(&self, column: usize) -> f64 {
        self.cells[column].parse().expect("a number")
    }
    fn seconds(&self, column: usize) -> Vec<f64> {
        let times = self.cells[column].split(' ').filter(|c| *c != "-");
        times.map(|c| c.parse().expect("seconds")).collect()
    }
    fn site(&self) -> Site {
        Site::new(self.number(1), self.number(2), self.number(3)).expect("a site")
    }
    fn evening(&self) -> Date {
        self.cells[5].parse().expect("a date")
    }
    fn orientation(&self, known: bool) -> EarthOrientation {
        EarthOrientation::with_ut1_minus_utc(if known { self.number(21) } else { 0.0 })
    }
    fn night(&self, ut1_known: bool) -> Night {
        let standpoint = Standpoint {
            orientation: self.orientation(ut1_known),
            ..Standpoint::at(self.site())
        };
        let nights = Nights::new(standpoint, zone(self.cells[4]), self.evening(), self.evening());
        nights
            .and_then(|n| n.night(self.evening(), &[]))
            .unwrap_or_else(|e| panic!("{}: {e}", self.name))
    }
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).expect("a zone")
}

/// The sun's events in the order of the table's columns, with the altitude they are meant at.
fn sun_events(night: &Night) -> [(Option<Instant>, f64); 8] {
    let s = &night.sun;
    [
        (s.sunset, -0.8333),
        (s.civil_dusk, -6.0),
        (s.nautical_dusk, -12.0),
        (s.astronomical_dusk, -18.0),
        (s.sunrise, -0.8333),
        (s.civil_dawn, -6.0),
        (s.nautical_dawn, -12.0),
        (s.astronomical_dawn, -18.0),
    ]
}

/// How far the moon's upper limb or the sun's centre is from its threshold, arcseconds.
fn off_arcsec(row: &Row<'_>, at: Instant, body: SolarBody, threshold_deg: f64) -> f64 {
    let observer = Observer::new(&row.site(), at, row.orientation(true)).expect("an observer");
    let place = observer.place(&Target::Body(body));
    match body {
        SolarBody::Moon => (place.altitude + place.semidiameter).arcsec() + 34.0 * 60.0,
        _ => place.altitude.arcsec() - threshold_deg * 3600.0,
    }
}

/// Holds events to those of the table; gives the largest difference in seconds.
fn hold(
    row: &Row<'_>,
    what: &str,
    found: &[Instant],
    expected: &[f64],
    body: SolarBody,
    deg: f64,
    most_s: f64,
) -> f64 {
    let start: Instant = row.cells[6].parse().expect("an instant");
    let name = row.name;
    assert_eq!(
        found.len(),
        expected.len(),
        "{name} {what}: {found:?}, expected {expected:?}"
    );
    let mut largest: f64 = 0.0;
    for (at, expected) in found.iter().zip(expected) {
        let late = at.seconds_since(start) - expected;
        if late.abs() <= most_s {
            largest = largest.max(late.abs());
            continue;
        }
        let there = off_arcsec(row, start.plus_seconds(*expected), body, deg);
        assert!(
            there.abs() < GRAZING_ARCSEC,
            "{name} {what}: {late} s late, {there}″"
        );
    }
    largest
}

fn hold_all(ut1_known: bool, most_s: f64) -> f64 {
    let mut largest: f64 = 0.0;
    for row in Row::all() {
        let night = row.night(ut1_known);
        for (n, (found, deg)) in sun_events(&night).into_iter().enumerate() {
            let column = 9 + n;
            let found: Vec<Instant> = found.into_iter().collect();
            let what = ["down", "up"][n / 4];
            let d = hold(
                &row,
                what,
                &found,
                &row.seconds(column),
                SolarBody::Sun,
                deg,
                most_s,
            );
            largest = largest.max(d);
        }
        for (what, found, column) in [("rises", &night.moon.rises, 17), ("sets", &night.moon.sets, 18)] {
            let d = hold(
                &row,
                what,
                found,
                &row.seconds(column),
                SolarBody::Moon,
                0.0,
                most_s,
            );
            largest = largest.max(d);
        }
    }
    largest
}

#[test]
fn sun_and_moon_within_a_second_of_jpl() {
    let largest = hold_all(true, TOLERANCE_S);
    // Far below the bar, so that a loss is seen. The worst is a grazing moon, whose disc skyfield reckons from the way
    // of the light, and this crate from the distance at the instant (0.09″).
    assert!(largest < 0.06, "{largest} s");
}

#[test]
fn sun_and_moon_within_three_seconds_without_ut1() {
    hold_all(false, 3.0);
}

#[test]
fn moon_at_midnight() {
    for row in Row::all() {
        let night = row.night(true);
        let lit = night.moon.illuminated_fraction - row.number(19);
        assert!(lit.abs() < LIT_TOLERANCE, "{}: {lit}", row.name);
        let altitude = (night.moon.altitude_deg - row.number(20)) * 3600.0;
        assert!(altitude.abs() < MOON_ALTITUDE_ARCSEC, "{}: {altitude}″", row.name);
    }
}

#[test]
fn windows_are_those_of_another_zone_database() {
    for row in Row::all() {
        let window = Window::of(row.evening(), &zone(row.cells[4])).expect("a window");
        let start: Instant = row.cells[6].parse().expect("an instant");
        assert_eq!(window.from, start, "{}", row.name);
        assert_eq!(
            window.midnight.seconds_since(start),
            row.number(7),
            "{}",
            row.name
        );
        assert_eq!(window.length_s(), row.number(8), "{}", row.name);
    }
}

#[test]
fn upper_transits() {
    const TRANSIT_TOLERANCE_S: f64 = 1.0;
    const ALTITUDE_TOLERANCE_DEG: f64 = 1.0 / 3600.0;
    let mut count = 0;
    for line in TRANSITS.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |n: usize| cells[n].parse::<f64>().expect("a number");
        let site = Site::new(number(1), number(2), number(3)).expect("a site");
        let start: Instant = cells[4].parse().expect("an instant");
        let end = start.plus_seconds(number(5));
        let orientation = EarthOrientation::with_ut1_minus_utc(number(8));
        let watch = nightloom_sky::Watch::over(&site, orientation, start, end).expect("a watch");
        let timeline = nightloom_sky::night::Timeline::over(&watch, start, end).expect("a timeline");
        let target = match cells[0] {
            "sun" => Target::Body(SolarBody::Sun),
            "moon" => Target::Body(SolarBody::Moon),
            "jupiter" => Target::Body(SolarBody::Jupiter),
            "venus" => Target::Body(SolarBody::Venus),
            place => {
                let (ra, dec) = place.split_once(' ').expect("right ascension and declination");
                let deg = |t: &str| Angle::from_deg(t.parse().expect("degrees"));
                Target::fixed(deg(ra), deg(dec))
            }
        };
        let found = timeline.path(&target).culminations();
        let near = found
            .iter()
            .find(|c| (c.at.seconds_since(start) - number(6)).abs() < TRANSIT_TOLERANCE_S);
        let near = near.unwrap_or_else(|| panic!("{line}: {found:?}"));
        assert!(
            (near.altitude_deg - number(7)).abs() < ALTITUDE_TOLERANCE_DEG,
            "{line}: {near:?}"
        );
        count += 1;
    }
    assert!(count > 100);
}

#[test]
fn a_path_is_what_the_observer_sees() {
    const TOLERANCE_ARCSEC: f64 = 0.01;
    let site = Site::new(-54.8, -68.3, 10.0).expect("a site");
    let start: Instant = "2026-01-04T15:00:00Z".parse().expect("an instant");
    for hours in [23.0, 24.0, 25.0] {
        let end = start.plus_seconds(hours * 3600.0);
        let watch =
            nightloom_sky::Watch::over(&site, EarthOrientation::default(), start, end).expect("a watch");
        let timeline = nightloom_sky::night::Timeline::over(&watch, start, end).expect("a timeline");
        for target in [
            Target::Body(SolarBody::Sun),
            Target::Body(SolarBody::Moon),
            Target::fixed(Angle::from_deg(83.8), Angle::from_deg(-5.4)),
        ] {
            let path = timeline.path(&target);
            for n in 0..=200 {
                let at = f64::from(n) / 200.0 * hours * 3600.0;
                let seen = Observer::new(&site, start.plus_seconds(at), EarthOrientation::default())
                    .expect("an observer")
                    .direction(&target);
                let apart = Angle::from_rad(seen.cross(&path.direction(at)).norm()).arcsec();
                assert!(
                    apart < TOLERANCE_ARCSEC,
                    "{target:?} after {at} s of {hours} h: {apart}″"
                );
            }
        }
    }
}

#[test]
fn evenings_that_cannot_be() {
    let date = |text: &str| -> Date { text.parse().expect("a date") };
    // Samoa went over the date line: there was no 30 December 2011 (tz database, Pacific/Apia).
    let error = Window::of(date("2011-12-30"), &zone("Pacific/Apia")).expect_err("no such date");
    assert!(matches!(error, WindowError::LeftOut { .. }));
    assert!(error.to_string().contains("2011-12-30"), "{error}");
    let error = Window::of(date("1989-12-31"), &TimeZone::UTC).expect_err("too early");
    assert!(error.to_string().contains("1990 to 2060"), "{error}");
    let standpoint = Standpoint::at(Site::new(0.0, 0.0, 0.0).expect("a site"));
    let backwards = Nights::new(standpoint, TimeZone::UTC, date("2025-02-02"), date("2025-02-01"));
    assert!(matches!(backwards, Err(NightError::Dates { .. })));
}

/// 5 April 2025 in Chatham: clocks went back on the 6th at 3:45, so the night had 25 hours.
#[test]
fn a_night_of_25_hours() {
    let window = Window::of("2025-04-05".parse().expect("a date"), &zone("Pacific/Chatham"));
    assert_eq!(window.expect("a window").length_s(), 25.0 * 3600.0);
}
