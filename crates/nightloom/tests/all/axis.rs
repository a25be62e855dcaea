//! `nightloom axis` on rendered raw frames whose tracker is off by known amounts.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::atomic::AtomicBool;

use nightloom_simulate::{Aim, Counts, Mishaps, Scenario, Size, TrackerFaults, TruthPictures, render};
use nightloom_sky::{Air, Angle, Site};
use serde_json::Value;

use crate::night::Temp;

fn ask(args: &[&str], frames: &[PathBuf]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg("axis")
        .args(frames)
        .args(args)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn answer(args: &[&str], frames: &[PathBuf]) -> Value {
    let output = ask(args, frames);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

/// Two frames five minutes apart; the axis off by these arcminutes up and east of the pole that is above the
/// horizon, without air.
pub(crate) fn scenario(latitude: f64, off_arcmin: [f64; 2]) -> Scenario {
    // The renderer's axis is the end in the north: what raises one end lowers the other.
    let end = if latitude < 0.0 { -1.0 } else { 1.0 };
    let mut scenario = Scenario {
        site: Site::new(latitude, 24.1, 300.0).unwrap(),
        air: Air::at_elevation(300.0, 10.0),
        size: Size::Small,
        counts: Counts {
            sky: 2,
            land: 0,
            dark: 0,
            flat: 0,
        },
        frame_pause_s: 270.0,
        nudge_every: 0,
        sky_aim: Aim {
            azimuth: Angle::from_deg(if latitude < 0.0 { 20.0 } else { 230.0 }),
            altitude: Angle::from_deg(52.0),
            roll: Angle::from_deg(3.0),
        },
        tracker: TrackerFaults {
            axis_off_up: Angle::from_arcmin(end * off_arcmin[0]),
            axis_off_east: Angle::from_arcmin(end * off_arcmin[1]),
            periodic_amplitude: Angle::default(),
            ..TrackerFaults::default()
        },
        mishaps: Mishaps::none(),
        truth_pictures: TruthPictures::None,
        ..Scenario::default()
    };
    scenario.sky_exposure.seconds = 30.0;
    scenario
}

pub(crate) fn frames(scenario: &Scenario, folder: &Path) -> Vec<PathBuf> {
    render(scenario, folder, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    let mut frames: Vec<PathBuf> = std::fs::read_dir(folder.join("sky"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    frames.sort();
    frames
}

/// What the words tell hands to do: up and east, arcminutes.
pub(crate) fn by_the_words(advice: &str) -> [f64; 2] {
    let amount = |after: &str| {
        let rest = advice.split_once(after).unwrap_or_else(|| panic!("{advice}")).1;
        let rest = rest.split_once("by ").unwrap().1;
        let text: String = rest
            .chars()
            .take_while(|c| c.is_ascii_digit() || *c == '.')
            .collect();
        let value: f64 = text.parse().unwrap();
        if rest[text.len()..].starts_with('°') {
            60.0 * value
        } else {
            value
        }
    };
    let lower = advice.to_lowercase();
    let up = match (lower.contains("raise the axis"), lower.contains("lower the axis")) {
        (true, false) => amount("the axis"),
        (false, true) => -amount("the axis"),
        _ => 0.0,
    };
    let east = match (lower.contains("turn it east"), lower.contains("turn it west")) {
        (true, false) => amount("turn it east"),
        (false, true) => -amount("turn it west"),
        _ => 0.0,
    };
    [up, east]
}

/// The worst bug this tool could have is a wrong sign: the words are obeyed in the renderer and the error falls.
/// One case in each hemisphere; all eight are tried on vectors where the words are made.
#[test]
fn doing_what_is_advised_brings_the_axis_to_the_pole() {
    for (latitude, off) in [(45.4, [70.0, -95.0]), (-33.0, [-70.0, -95.0])] {
        let temp = Temp::new();
        let before = frames(&scenario(latitude, off), &temp.night().join("before"));
        let found = answer(&["--json", "--exposure", "600"], &before);
        let error = &found["error"];
        let sigma = number(&error["sigma_arcmin"]);
        // The refracted pole is above the true one by less than 2′ there.
        assert!(
            (number(&error["altitude_arcmin"]) - off[0]).abs() < 2.0 + 4.0 * sigma,
            "{found}"
        );
        assert!(
            (number(&error["azimuth_arcmin"]) - off[1]).abs() < 2.0 + 4.0 * sigma,
            "{found}"
        );
        let [up, east] = by_the_words(found["advice"].as_str().unwrap());
        let after = frames(
            &scenario(latitude, [off[0] + up, off[1] + east]),
            &temp.night().join("after"),
        );
        let again = answer(&["--json", "--exposure", "600"], &after);
        let (was, is) = (
            number(&error["total_arcmin"]),
            number(&again["error"]["total_arcmin"]),
        );
        assert!(is < 0.2 * was, "{latitude}° {off:?}: {was}′ became {is}′");
    }
}

#[test]
fn what_cannot_be_is_said() {
    let said = |output: &Output| String::from_utf8_lossy(&output.stderr).into_owned();
    let none = ask(&[], &[]);
    assert_eq!(none.status.code(), Some(2));
    assert!(said(&none).contains("no frames were named"));
    let missing = ask(
        &["--json"],
        &[PathBuf::from("nowhere.dng"), PathBuf::from("nowhere2.dng")],
    );
    assert_eq!(missing.status.code(), Some(2));
    assert!(said(&missing).contains("nowhere.dng"), "{}", said(&missing));
    let temp = Temp::new();
    let both = frames(&scenario(45.4, [70.0, 95.0]), &temp.night());
    let one = ask(&["--json"], &both[..1]);
    assert_eq!(one.status.code(), Some(1));
    assert!(said(&one).contains("second frame"), "{}", said(&one));
    let twice = ask(&[], &[both[0].clone(), both[0].clone()]);
    assert_eq!(twice.status.code(), Some(1));
    assert!(said(&twice).contains("same instant"), "{}", said(&twice));
    let bad = ask(&["--exposure", "-5"], &both);
    assert_eq!(bad.status.code(), Some(2));
    assert!(said(&bad).contains("--exposure is -5"), "{}", said(&bad));
    // The place on the other side of the Earth: the frames know better.
    let other = ask(&["--lat", "-45.4", "--lon", "-155.9", "--json"], &both);
    assert_eq!(other.status.code(), Some(2), "{}", said(&other));
    assert!(said(&other).contains("km from where"), "{}", said(&other));
    let in_words = ask(
        &[
            "--exposure",
            "1200",
            "--knob-alt",
            "1.5",
            "--knob-az",
            "2",
            "--zoom",
            "5",
        ],
        &both,
    );
    let words = String::from_utf8_lossy(&in_words.stdout).into_owned();
    for expected in [
        "Lower the axis",
        "turn it west",
        "turns down",
        "screen",
        "tonight",
        "rate",
        "quarter of a degree",
    ] {
        assert!(words.contains(expected), "{expected}: {words}");
    }
}

/// The classical senses, from numbers read at the screen.
#[test]
fn by_eye() {
    let lens = ["--lat", "46", "--focal", "200", "--pitch", "4", "--json"];
    let args: Vec<&str> = lens.iter().copied().chain(["--drift", "0,12,300"]).collect();
    let found = answer(&args, &[]);
    assert!(
        number(&found["error"]["azimuth_arcmin"]) < 0.0,
        "a meridian star drifts north: too far west"
    );
    let south = [
        "--lat", "-46", "--focal", "200", "--pitch", "4", "--json", "--drift", "0,12,300",
    ];
    assert!(number(&answer(&south, &[])["error"]["azimuth_arcmin"]) > 0.0);
    let output = ask(&["--drift", "0,12,300", "--lat", "46"], &[]);
    assert_eq!(output.status.code(), Some(2));
}
