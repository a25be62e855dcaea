//! What people type is read in one way or refused, and what is printed can be typed back.

use jiff::civil::date as day;
use jiff::tz::TimeZone;
use nightloom_fit::Random;
use nightloom_outing::evening::{Shows, clock, clock_short};
use nightloom_outing::typed::{
    MomentTyped, clock_time, date, elevation_m, exposure_s, f_number, focal_mm, latitude_deg,
    latitude_or_place, longitude_deg, moment, per_cent, pitch_um, place, share,
};
use nightloom_outing::{parse_settings, time_words, with_option};
use nightloom_sky::{Instant, Site};

/// Of a place: a hundred-thousandth of a degree is a metre.
const DEG: f64 = 1e-5;

fn near(found: f64, expected: f64, most: f64, text: &str) {
    assert!(
        (found - expected).abs() <= most,
        "“{text}”: {found}, expected {expected}"
    );
}

/// Forms as ISO 6709:2022 annex D, gazetteers, maps and satellite receivers write them; values by hand.
#[test]
fn ways_of_writing_a_place() {
    let latitudes = [
        ("38.48", 38.48),
        ("-24", -24.0),
        ("−24", -24.0),
        ("38,48", 38.48),
        ("38.48°", 38.48),
        ("38.48 N", 38.48),
        ("24S", -24.0),
        ("38°29'N", 38.483_333_3),
        ("38°29′13.2″ N", 38.487),
        ("38° 29’ 13” n", 38.486_944_4),
        ("38 29.5 N", 38.491_666_7),
        ("N38 29.5", 38.491_666_7),
        ("N 38:29:13", 38.486_944_4),
        ("21d50m S", -21.833_333_3),
        ("21d50m30s S", -21.841_666_7),
        ("21°50'30\"S", -21.841_666_7),
        ("-21°50'", -21.833_333_3),
        ("51 28 40 North", 51.477_777_8),
        ("0°0'30\" s", -0.008_333_3),
    ];
    for (text, expected) in latitudes {
        near(latitude_deg(text).unwrap(), expected, DEG, text);
    }
    let longitudes = [
        ("109 30.5 W", -109.508_333_3),
        ("8,03", 8.03),
        ("E151°12'", 151.2),
        ("-109.5", -109.5),
    ];
    for (text, expected) in longitudes {
        near(longitude_deg(text).unwrap(), expected, DEG, text);
    }
    let places = [
        ("38.48, -109.5", 38.48, -109.5),
        ("38.48,-109.5", 38.48, -109.5),
        ("38.48,109.5", 38.48, 109.5),
        ("47.25 8.5", 47.25, 8.5),
        ("47,25; 8,5", 47.25, 8.5),
        ("47,25, 8,5", 47.25, 8.5),
        ("38°29'N 109°30'W", 38.483_333_3, -109.5),
        ("38°29'N, 109°30'W", 38.483_333_3, -109.5),
        ("N38 29 W109 30", 38.483_333_3, -109.5),
        ("109°30'W 38°29'N", 38.483_333_3, -109.5),
        ("21d50m30s S 133d10m E", -21.841_666_7, 133.166_666_7),
        ("46, 8", 46.0, 8.0),
    ];
    for (text, latitude, longitude) in places {
        let found = place(text).unwrap_or_else(|e| panic!("“{text}”: {e}"));
        near(found.latitude_deg, latitude, DEG, text);
        near(found.longitude_deg, longitude, DEG, text);
    }
    // A latitude alone where the longitude has its own field, and both where it has not.
    assert_eq!(latitude_or_place("46,8", true).unwrap(), Ok(46.8));
    near(
        latitude_or_place("38 29", true).unwrap().unwrap(),
        38.483_333_3,
        DEG,
        "38 29",
    );
}

#[test]
fn ways_of_writing_heights_times_and_figures() {
    let heights = [
        ("1800", 1800.0),
        ("1800 m", 1800.0),
        ("1800m", 1800.0),
        ("1.8 km", 1800.0),
        // NIST SP 811 (2008), B.8: 1 ft = 0.3048 m.
        ("5900ft", 1798.32),
        ("5900 feet", 1798.32),
        ("5900'", 1798.32),
        ("1 800 m", 1800.0),
        ("1’800 m", 1800.0),
        ("-430 m", -430.0),
        ("12,5 m", 12.5),
    ];
    for (text, expected) in heights {
        near(elevation_m(text).unwrap(), expected, 1e-9, text);
    }
    let times = [
        ("21:30", "21:30:00"),
        ("9:30pm", "21:30:00"),
        ("9:30 PM", "21:30:00"),
        ("9 p.m.", "21:00:00"),
        ("12:15 am", "00:15:00"),
        ("12 pm", "12:00:00"),
        ("21h30", "21:30:00"),
        ("21.30", "21:30:00"),
        ("2130", "21:30:00"),
        ("21:30:15", "21:30:15"),
        ("midnight", "00:00:00"),
    ];
    for (text, expected) in times {
        assert_eq!(clock_time(text).unwrap().to_string(), expected, "{text}");
    }
    let dates = [
        "2027-01-09",
        "2027/1/9",
        "20270109",
        "9 Jan 2027",
        "January 9, 2027",
        "Jan 9th 2027",
        "2027.01.09",
    ];
    for text in dates {
        assert_eq!(date(text).unwrap(), day(2027, 1, 9), "{text}");
    }
    let exposures = [
        ("1/125", 0.008),
        ("120", 120.0),
        ("2min", 120.0),
        ("2'30\"", 150.0),
        ("1/125 s", 0.008),
        ("90s", 90.0),
        ("0,5", 0.5),
    ];
    for (text, expected) in exposures {
        near(exposure_s(text).unwrap(), expected, 1e-9, text);
    }
    near(pitch_um("0.00595 mm").unwrap(), 5.95, 1e-9, "0.00595 mm");
    near(pitch_um("5.95 µm").unwrap(), 5.95, 1e-9, "5.95 µm");
    near(focal_mm("24mm").unwrap(), 24.0, 0.0, "24mm");
    near(f_number("f/2.8").unwrap(), 2.8, 0.0, "f/2.8");
    near(share("30 %").unwrap(), 0.3, 1e-12, "30 %");
    near(per_cent("0.3 %").unwrap(), 0.3, 1e-12, "0.3 %");
}

#[test]
fn moments_by_the_sites_clock() {
    let denver = TimeZone::get("America/Denver").unwrap();
    let at = |text: &str| moment(text).unwrap().instant(&denver, Some(day(2027, 1, 9)));
    // Mountain Standard Time is UTC-7 in January (tz database).
    let evening: Instant = "2027-01-10T04:30:00Z".parse().unwrap();
    for text in [
        "2027-01-09 21:30",
        "2027-01-09T21:30",
        "2027-01-09 9:30pm",
        "9 Jan 2027 9:30 pm",
        "9:30pm",
        "21:30",
        "2027-01-10T04:30:00Z",
        "2027-01-09T21:30:00-07:00",
        "2027-01-10 04:30 UTC",
        "2027-01-09 21:30 UTC-7",
        "2027-01-09 21:30 MST",
    ] {
        assert_eq!(at(text).unwrap(), evening, "{text}");
    }
    // After midnight is the same night.
    assert_eq!(at("1:30 am").unwrap().to_string(), "2027-01-10T08:30:00Z");
    // The clocks go forward on 2027-03-14 and back on 2027-11-07 at 2 h.
    for (text, words) in [
        ("2027-03-14 02:30", ["skips", "2027-03-14T02:30:00-07"]),
        ("2027-11-07 01:30", ["twice", "2027-11-07T01:30:00-06"]),
        ("2027-01-09 21:30 EEST", ["EEST is not the site's time", "MST"]),
    ] {
        let error = at(text).unwrap_err().to_string();
        assert!(words.iter().all(|w| error.contains(w)), "{text}: {error}");
    }
    assert_eq!(
        at("2027-11-07 01:30 MST").unwrap().to_string(),
        "2027-11-07T08:30:00Z"
    );
}

/// Each is refused with the person's own value in the right form.
#[test]
fn what_is_unclear_or_impossible_is_refused_with_its_right_form() {
    let refused: &[(Result<String, String>, &[&str])] = &[
        (told(latitude_deg("38°75'N")), &["39°15'N", "39.25"]),
        (told(latitude_deg("38.5°29'N")), &["38.5", "38°30'N"]),
        (told(latitude_deg("-38 S")), &["38 S", "-38"]),
        (told(latitude_deg("109.5 W")), &["longitude"]),
        (told(latitude_deg("21 50 30s")), &["21°50'30\"S", "21°50'30\"N"]),
        (told(latitude_deg("up north")), &["38°29'N"]),
        (
            told(latitude_or_place("38 29", false).map(|_| 0)),
            &["38°29'", "38, 29"],
        ),
        (
            told(latitude_or_place("46,8", false).map(|_| 0)),
            &["46.8", "46, 8"],
        ),
        (
            told(latitude_or_place("46, 8", true).map(|_| 0)),
            &["leave one out"],
        ),
        (told(place("109.5 W, 38").map(|_| 0)), &["38, -109.5"]),
        (told(place("38 N, 39 N").map(|_| 0)), &["both are latitudes"]),
        (told(elevation_m("5,900 ft")), &["5900", "5.900"]),
        (told(elevation_m("3900 fet")), &["3900 m", "3900 ft"]),
        (told(elevation_m("high")), &["5900 ft"]),
        (told(clock_time("9")), &["9:30 pm"]),
        (told(clock_time("21:30 pm")), &["21:30", "9:30 pm"]),
        (told(clock_time("25:00")), &["there is no 25:00"]),
        (told(clock_time("9:75")), &["there is no 9:75"]),
        (told(date("09/01/2027")), &["2027-01-09", "2027-09-01"]),
        (told(date("31.12.2027")), &["2027-12-31"]),
        (told(date("9.1.27")), &["2027"]),
        (told(date("2027-02-29")), &["there is no 2027-02-29"]),
        (told(moment("2027-01-09").map(|_| 0)), &["2027-01-09 21:30"]),
        (told(moment("yesterday").map(|_| 0)), &["yesterday", "21:30"]),
        (told(pitch_um("0.00595")), &["millimetres", "5.95"]),
        (told(pitch_um("5950")), &["nanometres", "5.95"]),
        (told(f_number("f/2800000")), &["0.5 to 128"]),
        (told(focal_mm("0.024")), &["1 to 5000"]),
        (told(per_cent("0.3")), &["30 %", "0.3 %"]),
        (told(share("30")), &["30 %", "0.3"]),
        (told(exposure_s("0")), &["above zero"]),
        (told(exposure_s("f/2.8")), &["1/125"]),
    ];
    for (found, words) in refused {
        let error = found.as_ref().expect_err("refused");
        for word in *words {
            assert!(error.contains(word), "“{word}” is missing in: {error}");
        }
    }
}

fn told<T: std::fmt::Debug, E: std::fmt::Display>(found: Result<T, E>) -> Result<String, String> {
    found.map(|v| format!("{v:?}")).map_err(|e| e.to_string())
}

/// 2000 random places, heights, clock times and exposures, as the program prints them.
#[test]
fn what_is_printed_can_be_typed_back() {
    let mut random = Random::new(18);
    let zone = TimeZone::get("Europe/Bucharest").unwrap();
    for _ in 0..2000 {
        let (lat, lon) = (random.between(-90.0, 90.0), random.between(-180.0, 180.0));
        let site = Site::new(lat, lon, random.between(-400.0, 8800.0).round()).unwrap();
        for feet in [false, true] {
            let text = Shows {
                feet,
                ..Shows::default()
            }
            .place(&site);
            let back = place(&text).unwrap_or_else(|e| panic!("{text}: {e}"));
            near(back.latitude_deg, lat, 6e-5, &text);
            near(back.longitude_deg, lon, 6e-5, &text);
            near(back.elevation_m.unwrap(), site.elevation_m, 0.16, &text);
        }
        let at: Instant = Instant::from_timestamp(
            jiff::Timestamp::from_second(1_735_689_600 + random.below(700 * 86_400) as i64).unwrap(),
        );
        let local = zone.to_datetime(at.timestamp());
        let noon = local.hour() >= 12;
        let evening = if noon {
            local.date()
        } else {
            local.date().yesterday().unwrap()
        };
        let back = |text: &str| moment(text).unwrap().instant(&zone, Some(evening)).unwrap();
        near(
            back(&clock(&zone, at)).seconds_since(at),
            0.0,
            0.6,
            &clock(&zone, at),
        );
        assert!(matches!(moment(&at.to_string()).unwrap(), MomentTyped::At(same) if same == at));
        let short = clock_short(&zone, at);
        assert!(clock_time(&short).is_ok(), "{short}");
        assert_eq!(date(&evening.to_string()).unwrap(), evening);
        let seconds = 2f64.powf(random.between(-13.0, 14.0));
        let words = time_words(seconds);
        let read = exposure_s(&words).unwrap_or_else(|e| panic!("{words}: {e}"));
        near(read / seconds, 1.0, 0.02, &words);
    }
}

#[test]
fn settings_and_pages_read_the_same_forms() {
    let text = "[site]\nlatitude_deg = \"38°29'N\"\nlongitude_deg = \"109 30.5 W\"\nelevation_m = \"5900 ft\"\n[seam]\ninstant = 2027-01-09T21:30:00\n";
    let settings = parse_settings(text, "outing.toml").unwrap();
    let site = settings.site.place.unwrap();
    near(site.latitude.deg(), 38.483_333, DEG, "latitude");
    near(site.longitude.deg(), -109.508_333, DEG, "longitude");
    near(site.elevation_m, 1798.32, 1e-6, "elevation");
    assert_eq!(settings.seam.instant.unwrap().to_string(), "2027-01-10T04:30:00Z");

    let page = with_option("", "site", "latitude_deg", "38°29'N 109°30'W").unwrap();
    assert!(
        page.contains("latitude_deg = 38.483333\nlongitude_deg = -109.5")
            || page.contains("latitude_deg = 38.483333\n"),
        "{page}"
    );
    let page = with_option(&page, "site", "elevation_m", "5900ft").unwrap();
    assert!(page.contains("elevation_m = 1798.32"), "{page}");
    let page = with_option(&page, "outing", "evening", "9 Jan 2027").unwrap();
    assert!(page.contains("evening = 2027-01-09"), "{page}");

    for (text, word) in [
        (
            "[site]\nlatitude_deg = 46\nlongitude_deg = 8\nelevation_m = 3900 ft",
            "elevation_m = 1188.72",
        ),
        ("[[outing]]\nname = \"x\"", "write [outing]"),
        ("[site]\nlatitude_deg = \"38°75'\"\nlongitude_deg = 8", "39°15'N"),
        ("[rig]\npixel_um = \"0.00595\"", "write 5.95"),
    ] {
        let error = parse_settings(text, "outing.toml").unwrap_err().to_string();
        assert!(error.contains(word), "{error}");
    }
}
