//! What a browser remembers of how it wants to be shown things: units, whose time, the light that follows the night.

use std::fs;
use std::time::{SystemTime, UNIX_EPOCH};

use crate::browser::{Answer, Browser, Served, exchange};
use crate::pages::{outing, white_picture};

fn asked(served: &Served, path: &str, cookies: &str) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    exchange(
        served.port,
        "GET",
        path,
        &[("Host", &host), ("Cookie", cookies)],
        "",
    )
}

/// The first time in the shot list, as minutes.
fn first_time(page: &str) -> i64 {
    let cell = page.split("<tbody><tr><td>").nth(1).expect("a table");
    let (hours, minutes) = cell[..5].split_once(':').expect("a time");
    60 * hours.parse::<i64>().expect("hours") + minutes.parse::<i64>().expect("minutes")
}

#[test]
fn heights_and_times_are_told_as_wanted() {
    let folder = outing();
    let plan = folder.path().join("outing.toml");
    let text = fs::read_to_string(&plan).unwrap();
    fs::write(
        &plan,
        text.replace(
            "longitude_deg = 8.03\n",
            "longitude_deg = 8.03\nelevation_m = 1850.0\n",
        ),
    )
    .unwrap();
    let served = Served::at(folder.path());
    let (usual, wanted) = ("", "nightloom-units=imperial; nightloom-time=utc");
    assert!(asked(&served, "/", usual).text().contains("1850 m"));
    assert!(asked(&served, "/", wanted).text().contains("6070 ft"));
    // Central European Summer Time is UTC+2.
    let [local, utc] = [usual, wanted].map(|cookies| asked(&served, "/exposure", cookies).text());
    assert_eq!((first_time(&local) - first_time(&utc)).rem_euclid(1440), 120);
    assert!(local.contains("Times in Europe/Zurich") && utc.contains("Times in UTC"));
    // The charts' addresses carry it, and the charts heed it.
    let night = asked(&served, "/night", wanted).text();
    assert!(night.contains("units=imperial&amp;time=utc"), "{night}");
    for chart in ["strip.svg", "view.svg", "sight.svg"] {
        let [local, utc] = ["look=day", "look=day&units=imperial&time=utc"]
            .map(|how| asked(&served, &format!("/chart/{chart}?{how}"), usual).text());
        assert!(
            local.contains("1850 m") && !local.contains("times in UTC"),
            "{chart}"
        );
        assert!(
            utc.contains("6070 ft") && utc.contains("times in UTC") && !utc.contains("1850 m"),
            "{chart}"
        );
    }
    let year = asked(
        &served,
        "/chart/year.svg?look=day&units=imperial&time=utc&year=2026",
        usual,
    )
    .text();
    assert!(year.contains("6070 ft") && !year.contains("UTC"));
}

/// A longitude where it is that many hours from midnight now, by the mean sun; the equation of time is below 0.3 h.
#[allow(
    clippy::disallowed_methods,
    reason = "the program started by the test has the real clock"
)]
fn longitude(from_midnight_h: f64) -> f64 {
    let now = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .expect("a clock")
        .as_secs_f64();
    let hours = now / 3600.0;
    (15.0 * (from_midnight_h - hours) + 180.0).rem_euclid(360.0) - 180.0
}

fn place(folder: &std::path::Path, from_midnight_h: f64) {
    let plan = format!(
        "[site]\nlatitude_deg = 0.0\nlongitude_deg = {:.3}\n",
        longitude(from_midnight_h)
    );
    fs::write(folder.join("outing.toml"), plan).expect("written");
}

#[test]
fn the_light_follows_the_sun_where_asked() {
    for (from_midnight_h, look) in [
        (0.0, "red"),
        (4.5, "red"),
        (7.5, "day"),
        (12.0, "day"),
        (16.5, "day"),
        (19.5, "red"),
    ] {
        let folder = tempfile::tempdir().expect("a folder");
        place(folder.path(), from_midnight_h);
        let served = Served::at(folder.path());
        let page = asked(&served, "/", "nightloom-look=follow");
        assert!(
            page.text().contains(&format!("data-look=\"{look}\"")),
            "{from_midnight_h} h"
        );
        assert!(page.head.to_ascii_lowercase().contains("vary: cookie"));
        assert!(
            asked(&served, "/", "").text().contains("data-look=\"day\""),
            "not asked for"
        );
    }
}

#[test]
fn changing_the_light_keeps_the_place() {
    let folder = outing();
    let served = Served::at(folder.path());
    let browser = Browser::start(800, 700);
    browser.go(&served.url("/night?date=2026-09-10&subject=M31"));
    browser.wear_red();
    let here = browser.run("return location.pathname + location.search");
    assert_eq!(here, "/night?date=2026-09-10&subject=M31");
}

#[test]
fn sunset_turns_an_open_page_red() {
    let folder = tempfile::tempdir().expect("a folder");
    place(folder.path(), 12.0);
    white_picture(&folder.path().join("a.png"));
    let served = Served::at(folder.path());
    let browser = Browser::start(1000, 900);
    browser.go(&served.url("/settings"));
    browser.run(
        "document.getElementById('look').value = 'follow'; document.getElementById('units').value = 'imperial';
        document.querySelector('#shown button').click()",
    );
    browser.until("'follows' in document.documentElement.dataset");
    assert_eq!(
        browser.run("return document.getElementById('units').value"),
        "imperial",
        "remembered"
    );
    assert_eq!(browser.run("return document.documentElement.dataset.look"), "day");
    browser.go(&served.url("/frames"));
    browser.until("document.querySelector('.sheet img').complete");
    place(folder.path(), 0.0);
    browser.until("document.documentElement.dataset.look === 'red' && document.readyState === 'complete'");
    browser.until("document.querySelector('.sheet img').complete");
    let worst = browser.worst();
    assert!(worst[0] <= 200 && worst[1] <= 8 && worst[2] <= 8, "{worst:?}");
}

/// A page's charts are saved as PNG and PDF too, in the look and the units they are shown in.
#[test]
fn charts_are_saved_as_png_and_pdf() {
    let folder = outing();
    let served = Served::at(folder.path());
    for (ending, kind, begins) in [
        ("png", "image/png", &b"\x89PNG"[..]),
        ("pdf", "application/pdf", b"%PDF-1.7"),
    ] {
        let saved = asked(
            &served,
            &format!("/chart/strip.{ending}?look=red&units=imperial"),
            "",
        );
        assert_eq!(saved.status, 200, "{}", saved.text());
        assert!(
            saved.head.contains(kind) && saved.body.starts_with(begins),
            "{}",
            saved.head
        );
        let missing = asked(&served, &format!("/chart/none.{ending}"), "");
        assert_eq!(missing.status, 404);
    }
    let night = asked(&served, "/night", "").text();
    assert!(
        night.contains("/chart/strip.pdf?") && night.contains("/chart/year.png?"),
        "{night}"
    );
}
