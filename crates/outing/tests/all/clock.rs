//! What a camera's clock is worth.

use nightloom_outing::{ClockFrame, ClockReport, ClockSettings, SiteSettings, read_clock};
use nightloom_raster::FrameMeta;
use nightloom_sky::Site;

type Taken = (String, FrameMeta);

fn frame(name: &str, taken: Option<&str>, offset: Option<&str>) -> Taken {
    let meta = FrameMeta {
        exposure_s: Some(90.0),
        taken_local: taken.map(Into::into),
        taken_offset: offset.map(Into::into),
        ..FrameMeta::default()
    };
    (name.into(), meta)
}

fn read_at(frames: &[Taken], clock: ClockSettings, site: SiteSettings) -> ClockReport {
    let frame = |(name, meta): &'_ Taken| -> ClockFrame<'static> {
        // Leaked for the length of the test.
        let (name, meta) = Box::leak(Box::new((name.clone(), meta.clone())));
        ClockFrame {
            name,
            meta,
            starry: true,
        }
    };
    let frames: Vec<ClockFrame<'_>> = frames.iter().map(frame).collect();
    read_clock(
        &frames,
        &clock,
        &site,
        Some("2026-09-13T12:00:00Z".parse().unwrap()),
    )
}

fn read(frames: &[Taken], clock: ClockSettings, zone: Option<&str>) -> ClockReport {
    let site = SiteSettings {
        place: None,
        zone: zone.map(Into::into),
        skyline: None,
    };
    read_at(frames, clock, site)
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
fn a_night_of_the_first_of_january_is_a_date_like_any_other() {
    for time in [
        "2020-01-01T01:40:00",
        "2020-01-01T22:15:00",
        "2015-01-01T05:30:00",
    ] {
        let report = read(
            &[frame("a1.dng", Some(time), Some("+01:00"))],
            ClockSettings::default(),
            None,
        );
        assert!(report.absolute && report.notes.is_empty(), "{time}: {report:?}");
    }
}

#[test]
fn one_untimed_frame_takes_only_its_own_time_away() {
    let frames = [
        frame("a1.dng", Some("2026-09-12T23:00:00"), Some("+02:00")),
        frame("a2.dng", None, None),
        frame("a3.dng", Some("2026-09-12T23:04:00"), Some("+02:00")),
    ];
    let report = read(&frames, ClockSettings::default(), None);
    assert!(report.relative && report.absolute, "{report:?}");
    assert!(report.times[0].is_some() && report.times[1].is_none() && report.times[2].is_some());
    assert!(
        report.notes.len() == 1 && report.notes[0].contains("a2.dng"),
        "{report:?}"
    );
}

/// At Greenwich the sun culminates near noon UTC: no stars then.
#[test]
fn stars_under_the_sun_mean_a_wrong_clock() {
    let site = SiteSettings {
        place: Some(Site::new(51.48, 0.0, 0.0).unwrap()),
        ..SiteSettings::default()
    };
    let taken = |time: &str| [frame("a1.dng", Some(time), Some("+00:00"))];
    let day = read_at(
        &taken("2026-06-21T12:00:00"),
        ClockSettings::default(),
        site.clone(),
    );
    assert!(
        !day.absolute && day.relative && day.notes[0].contains("the sun stood at 62°"),
        "{day:?}"
    );
    let night = read_at(&taken("2026-06-21T00:00:00"), ClockSettings::default(), site);
    assert!(night.absolute && night.notes.is_empty(), "{night:?}");
}

/// Files can be renamed: numbers that fall behind the clock are told and decide nothing.
#[test]
fn numbers_against_the_clock_are_told_and_a_changed_date_is_not_used() {
    let frames = [
        frame("IMG_0001.dng", Some("2026-09-12T23:00:00"), Some("+02:00")),
        frame("IMG_0002.dng", Some("2026-09-12T22:02:00"), Some("+02:00")),
    ];
    let report = read(&frames, ClockSettings::default(), None);
    assert!(
        report.relative && report.absolute && report.notes[0].contains("IMG_0002.dng"),
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
        !report.relative && report.times == [None, None] && report.notes[0].contains("None of the 2"),
        "{report:?}"
    );
}
