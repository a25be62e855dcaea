//! Subjects over a skyline: spans against a plain search minute by minute, years and chances against single nights.

use jiff::civil::{Date, date};
use jiff::tz::TimeZone;
use nightloom_sky::night::{Night, Nights, SkyBox, Standpoint, WhenQuestion};
use nightloom_sky::subjects::Subject;
use nightloom_sky::{Air, Angle, EarthOrientation, Instant, Observer, Site, Skyline, SolarBody, Target};

/// The core of the Milky Way (Sagittarius A*, ICRS).
fn core() -> Subject {
    Subject::own("core", core_target())
}

fn core_target() -> Target {
    Target::fixed(Angle::from_deg(266.4168), Angle::from_deg(-29.0078))
}

/// Teeth of 8° every 4° of azimuth on a slow wave: rises and sets between them.
fn teeth() -> Skyline {
    let altitude = |n: usize| {
        let azimuth = n as f64 * 0.1;
        6.0 + 4.0 * azimuth.to_radians().cos() + 16.0 * (azimuth % 4.0 / 4.0 - 0.5).abs()
    };
    Skyline::new((0..3600).map(|n| Angle::from_deg(altitude(n))).collect()).expect("a skyline")
}

fn standpoint(skyline: Skyline) -> Standpoint {
    Standpoint {
        skyline,
        ..Standpoint::at(Site::new(36.5, 24.4, 300.0).expect("a site"))
    }
}

fn nights(skyline: Skyline, first: Date, last: Date) -> Nights {
    let zone = TimeZone::get("Europe/Athens").expect("a zone");
    Nights::new(standpoint(skyline), zone, first, last).expect("nights")
}

fn night(skyline: Skyline, evening: Date) -> Night {
    nights(skyline, evening, evening)
        .night(evening, &[core()])
        .expect("a night")
}

/// Whether the subject is over the skyline, straight from the observer.
fn over(skyline: &Skyline, at: Instant, target: &Target) -> bool {
    let site = standpoint(Skyline::flat()).site;
    let observer = Observer::new(&site, at, EarthOrientation::default()).expect("an observer");
    let place = observer
        .with_air(Air::at_elevation(site.elevation_m, 10.0))
        .place(target);
    place.refracted_altitude >= skyline.altitude(place.azimuth)
}

#[test]
fn spans_over_teeth_are_those_of_a_plain_search() {
    const STEP_S: f64 = 20.0;
    for target in [
        core_target(),
        Target::Body(SolarBody::Moon),
        Target::Body(SolarBody::Saturn),
    ] {
        let evening = date(2025, 6, 21);
        let wanted = Subject::own("it", target);
        let answer = nights(teeth(), evening, evening)
            .night(evening, std::slice::from_ref(&wanted))
            .expect("a night");
        let spans = &answer.subjects[0].over_skyline;
        assert!(spans.len() > 1, "teeth part the way: {spans:?}");
        let steps = (answer.window.length_s() / STEP_S) as usize;
        for n in 0..steps {
            let at = answer.window.from.plus_seconds(n as f64 * STEP_S);
            let near_end = spans.iter().flat_map(|s| [s.from, s.to]);
            if near_end.into_iter().any(|end| at.seconds_since(end).abs() < 0.1) {
                continue;
            }
            let inside = spans.iter().any(|s| s.from <= at && at < s.to);
            assert_eq!(inside, over(&teeth(), at, &target), "{target:?} at {at}");
        }
    }
}

#[test]
fn ends_of_spans_stand_on_the_edge() {
    const TOLERANCE_ARCSEC: f64 = 1.0;
    let answer = night(teeth(), date(2025, 6, 21));
    let site = standpoint(Skyline::flat()).site;
    for span in &answer.subjects[0].over_skyline {
        for at in [span.from, span.to] {
            if at == answer.window.from || at == answer.window.to {
                continue;
            }
            let observer = Observer::new(&site, at, EarthOrientation::default()).expect("an observer");
            let place = observer.place(&core_target());
            let off = (place.refracted_altitude - teeth().altitude(place.azimuth)).arcsec();
            assert!(off.abs() < TOLERANCE_ARCSEC, "{at}: {off}″");
        }
    }
}

#[test]
fn windows_are_dark_and_over_the_skyline() {
    let answer = night(Skyline::flat(), date(2025, 6, 23));
    let subject = &answer.subjects[0];
    assert_eq!(subject.windows.len(), 1);
    let total: f64 = subject.windows.iter().map(|s| s.minutes()).sum();
    assert!((total - subject.minutes).abs() < 1e-6);
    for window in &subject.windows {
        assert!(
            answer
                .dark
                .iter()
                .any(|d| d.from <= window.from && window.to <= d.to)
        );
        assert!(
            subject
                .over_skyline
                .iter()
                .any(|d| d.from <= window.from && window.to <= d.to)
        );
    }
    let culmination = subject.culmination.expect("a culmination");
    // 90° − latitude + declination, and precession since 2000 and nutation within 0.1°.
    assert!((culmination.altitude_deg - (90.0 - 36.5 - 29.0078)).abs() < 0.1);
}

/// A wall all round leaves nothing, a pit everything.
#[test]
fn walls_and_pits() {
    let of = |deg: f64| Skyline::new(vec![Angle::from_deg(deg)]).expect("a skyline");
    let walled = night(of(80.0), date(2025, 6, 21));
    assert!(walled.subjects[0].over_skyline.is_empty());
    assert_eq!(walled.subjects[0].minutes, 0.0);
    assert_eq!(walled.subjects[0].best_at, None);
    let pit = night(of(-89.0), date(2025, 6, 21));
    let up = &pit.subjects[0].over_skyline;
    assert_eq!((up[0].from, up[0].to), (pit.window.from, pit.window.to));
}

#[test]
fn the_moon_costs_and_the_grade_tells() {
    // Full moon 11 June 2025 stands near the core; new moon 25 June (USNO phases of the moon).
    let full = night(Skyline::flat(), date(2025, 6, 10));
    let new = night(Skyline::flat(), date(2025, 6, 25));
    let (full, new) = (&full.subjects[0], &new.subjects[0]);
    assert!(full.moon_cost_mag.expect("a cost") > 2.0, "{full:?}");
    assert!(new.moon_cost_mag.expect("a cost") < 0.01, "{new:?}");
    assert!(new.graded_minutes > 10.0 * full.graded_minutes);
    assert!(
        new.graded_minutes < new.minutes,
        "low in the south it is worth less"
    );
}

#[test]
fn a_year_is_its_nights() {
    const TOLERANCE_MIN: f64 = 1e-3;
    let all = nights(teeth(), date(2024, 1, 1), date(2024, 12, 31));
    let year = all.year(Some(&core())).expect("a year");
    assert_eq!(year.nights.len(), 366);
    for n in [0usize, 59, 90, 173, 300, 365] {
        let short = &year.nights[n];
        let long = night(teeth(), short.evening);
        assert!((short.dark_minutes - long.night_minutes).abs() < TOLERANCE_MIN);
        assert!((short.moonless_dark_minutes - long.dark_minutes).abs() < TOLERANCE_MIN);
        let minutes = short.subject_minutes.expect("minutes");
        assert!((minutes - long.subjects[0].minutes).abs() < TOLERANCE_MIN);
        let graded = short.graded_minutes.expect("minutes");
        assert!((graded - long.subjects[0].graded_minutes).abs() < TOLERANCE_MIN);
    }
}

/// A date that the zone left out is no night of the year.
#[test]
fn a_left_out_date_is_left_out() {
    let zone = TimeZone::get("Pacific/Apia").expect("a zone");
    let place = Standpoint::at(Site::new(-13.8, -171.8, 0.0).expect("a site"));
    let all = Nights::new(place, zone, date(2011, 12, 28), date(2012, 1, 2)).expect("nights");
    let evenings: Vec<Date> = all.windows().map(|w| w.evening).collect();
    assert_eq!(evenings.len(), 5);
    assert!(!evenings.contains(&date(2011, 12, 30)));
    for pair in all.windows().collect::<Vec<_>>().windows(2) {
        assert_eq!(pair[0].to, pair[1].from);
    }
}

fn notch() -> SkyBox {
    SkyBox {
        from_azimuth: Angle::from_deg(200.0),
        to_azimuth: Angle::from_deg(210.0),
        least_altitude: Angle::from_deg(12.0),
        greatest_altitude: Angle::from_deg(25.0),
    }
}

fn when(sky_box: SkyBox, moonlit: bool) -> Vec<nightloom_sky::night::Chance> {
    let question = WhenQuestion {
        subject: core(),
        sky_box,
        moonlit,
        least_minutes: 1.0,
    };
    let all = nights(teeth(), date(2025, 1, 1), date(2025, 12, 31));
    all.when(&question).expect("chances")
}

#[test]
fn chances_stand_in_the_box() {
    let found = when(notch(), false);
    assert!(found.len() > 20, "{}", found.len());
    let site = standpoint(Skyline::flat()).site;
    for chance in &found {
        assert!(chance.span.minutes() >= 1.0);
        for part in [0.001, 0.5, 0.999] {
            let length = chance.span.to.seconds_since(chance.span.from);
            let at = chance.span.from.plus_seconds(length * part);
            let place = Observer::new(&site, at, EarthOrientation::default())
                .expect("an observer")
                .place(&core_target());
            assert!((200.0..=210.0).contains(&place.azimuth.deg()), "{chance:?}");
            assert!((12.0..=25.0).contains(&place.refracted_altitude.deg()));
            assert!(over(&teeth(), at, &core_target()));
        }
    }
    assert!(found.windows(2).all(|p| p[0].worth_minutes >= p[1].worth_minutes));
    assert!(
        when(notch(), true).len() > found.len(),
        "moonlit ones come on top"
    );
}

#[test]
fn a_box_may_reach_over_north() {
    let whole = SkyBox::default();
    assert_eq!(whole.width().deg(), 360.0);
    let north = SkyBox {
        from_azimuth: Angle::from_deg(350.0),
        to_azimuth: Angle::from_deg(10.0),
        ..whole
    };
    assert!((north.width().deg() - 20.0).abs() < 1e-9);
    // The core never stands in the north of 36.5° N.
    assert_eq!(when(north, true), []);
    // The two halves of the sky make the whole.
    let half = |from: f64, to: f64| SkyBox {
        from_azimuth: Angle::from_deg(from),
        to_azimuth: Angle::from_deg(to),
        ..whole
    };
    let minutes = |b: SkyBox| -> f64 { when(b, true).iter().map(|c| c.span.minutes()).sum() };
    let (west, east) = (minutes(half(180.0, 0.0)), minutes(half(0.0, 180.0)));
    // Spans under a minute are left out on both sides of the cut.
    assert!((west + east - minutes(whole)).abs() < 60.0);
}

#[test]
fn a_box_upside_down_is_told() {
    let mut upside_down = notch();
    std::mem::swap(
        &mut upside_down.least_altitude,
        &mut upside_down.greatest_altitude,
    );
    let question = WhenQuestion {
        subject: core(),
        sky_box: upside_down,
        moonlit: false,
        least_minutes: 0.0,
    };
    let all = nights(Skyline::flat(), date(2025, 1, 1), date(2025, 1, 2));
    let error = all.when(&question).expect_err("no such box");
    assert!(error.to_string().contains("12"), "{error}");
}

#[test]
fn samples_reach_from_noon_to_noon() {
    let evening = date(2025, 6, 25);
    let all = nights(teeth(), evening, evening);
    let sky = all.sky(evening).expect("a night");
    let path = sky.path(&core_target());
    let samples = sky.samples(97, Some(&path));
    assert_eq!(samples.len(), 97);
    assert_eq!(samples[0].at, sky.window().from);
    assert_eq!(samples[96].at, sky.window().to);
    let deepest = samples
        .iter()
        .min_by(|a, b| a.sun_altitude_deg.total_cmp(&b.sun_altitude_deg));
    let deepest = deepest.expect("samples");
    assert!(
        deepest.sun_altitude_deg < -29.0 && deepest.zenith_mag > 21.0,
        "{deepest:?}"
    );
    let json = serde_json::to_value(deepest).expect("JSON");
    assert!(json["subject"]["skyline_deg"].is_number(), "{json}");
}
