//! What a camera's clock is worth.

use nightloom_outing::{ClockReport, ClockSettings, FrameFacts, SiteSettings, read_clock};
use nightloom_raster::FrameMeta;

fn frame(name: &str, taken: Option<&str>, offset: Option<&str>) -> FrameFacts {
    let meta = FrameMeta {
        exposure_s: Some(90.0),
        taken_local: taken.map(Into::into),
        taken_offset: offset.map(Into::into),
        ..FrameMeta::default()
    };
    FrameFacts {
        name: name.into(),
        meta,
        ..FrameFacts::default()
    }
}

fn read(frames: &[FrameFacts], clock: ClockSettings, zone: Option<&str>) -> ClockReport {
    let site = SiteSettings {
        place: None,
        zone: zone.map(Into::into),
        skyline: None,
    };
    let frames: Vec<&FrameFacts> = frames.iter().collect();
    read_clock(&frames, &clock, &site, "2026-09-13T12:00:00Z".parse().unwrap())
}

fn start(report: &ClockReport, i: usize) -> String {
    report.times[i].unwrap().start.to_string()
}

#[test]
fn the_files_offset_makes_utc() {
    let report = read(
        &[frame("a1.dng", Some("2026-09-12T23:00:00.25"), Some("+02:00"))],
        ClockSettings::default(),
        None,
    );
    assert_eq!(start(&report, 0), "2026-09-12T21:00:00.25Z");
    assert_eq!(
        report.times[0].unwrap().middle().to_string(),
        "2026-09-12T21:00:45.25Z"
    );
    assert!(
        report.absolute && report.relative && report.notes.is_empty(),
        "{report:?}"
    );
}

#[test]
fn settings_go_before_the_file_and_the_zone_after_it() {
    let told = [frame("a1.dng", Some("2026-09-12T23:00:00"), Some("+02:00"))];
    let clock = ClockSettings {
        offset_s: Some(3600),
        error_s: 30.0,
    };
    assert_eq!(
        start(&read(&told, clock, Some("America/Denver")), 0),
        "2026-09-12T21:59:30Z"
    );
    let untold = [frame("a1.dng", Some("2026-09-12T23:00:00"), None)];
    assert_eq!(
        start(
            &read(&untold, ClockSettings::default(), Some("America/Denver")),
            0
        ),
        "2026-09-13T05:00:00Z"
    );
    let report = read(&untold, ClockSettings::default(), None);
    assert_eq!(start(&report, 0), "2026-09-12T23:00:00Z");
    assert!(report.notes[0].contains("camera_clock.offset"), "{report:?}");
}

#[test]
fn a_clock_never_set_still_gives_differences() {
    for day in ["1970-01-01", "2000-01-01", "2015-01-01"] {
        let frames = [
            frame("a1.dng", Some(&format!("{day}T00:10:00")), Some("+00:00")),
            frame("a2.dng", Some(&format!("{day}T00:12:00")), Some("+00:00")),
        ];
        let report = read(&frames, ClockSettings::default(), None);
        assert!(report.relative && !report.absolute, "{report:?}");
        assert_eq!(report.notes.len(), 1);
        assert!(
            report.notes[0].contains("a1.dng") && report.notes[0].contains("camera_clock.error_s"),
            "{report:?}"
        );
        let gap = report.times[1]
            .unwrap()
            .start
            .seconds_since(report.times[0].unwrap().start);
        assert!((gap - 120.0).abs() < 1e-9);
    }
}

#[test]
fn the_future_is_not_believed() {
    let report = read(
        &[frame("a1.dng", Some("2031-01-05T23:00:00"), Some("+00:00"))],
        ClockSettings::default(),
        None,
    );
    assert!(
        !report.absolute && report.notes[0].contains("still to come"),
        "{report:?}"
    );
}

#[test]
fn a_clock_changed_in_between_is_not_used() {
    let frames = [
        frame("IMG_0001.dng", Some("2026-09-12T23:00:00"), Some("+02:00")),
        frame("IMG_0002.dng", Some("2026-09-12T22:02:00"), Some("+02:00")),
    ];
    let report = read(&frames, ClockSettings::default(), None);
    assert!(
        !report.relative && report.notes[0].contains("IMG_0002.dng"),
        "{report:?}"
    );
    let apart = [
        frame("IMG_0001.dng", Some("2026-09-02T23:00:00"), Some("+02:00")),
        frame("IMG_0002.dng", Some("2026-09-12T22:02:00"), Some("+02:00")),
    ];
    assert!(!read(&apart, ClockSettings::default(), None).relative);
}

#[test]
fn a_counter_that_runs_over_is_no_changed_clock() {
    let frames = [
        frame("IMG_9999.dng", Some("2026-09-12T23:00:00"), Some("+02:00")),
        frame("IMG_0001.dng", Some("2026-09-12T23:02:00"), Some("+02:00")),
    ];
    assert!(read(&frames, ClockSettings::default(), None).relative);
}

#[test]
fn frames_that_tell_no_time_are_counted() {
    let frames = [
        frame("a1.fits", None, None),
        frame("a2.fits", Some("rubbish"), None),
    ];
    let report = read(&frames, ClockSettings::default(), None);
    assert!(
        !report.relative && report.times == [None, None] && report.notes[0].contains("2 of 2"),
        "{report:?}"
    );
}
