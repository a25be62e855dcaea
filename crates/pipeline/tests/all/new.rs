//! The first `outing.toml`.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_outing::{Filled, FolderError, OUTING_TOML, Step, World, read_settings, turn_to_write};
use nightloom_pipeline::{NewError, NewOptions, new_outing};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta};
use nightloom_sky::Instant;

use crate::temp::Temp;

/// A world in which every frame tells the same, but for those named.
#[derive(Default)]
struct Told {
    meta: FrameMeta,
    broken: Vec<&'static str>,
    stop: AtomicBool,
    steps: Mutex<Vec<f64>>,
}

impl World for Told {
    fn now(&self) -> Instant {
        "2026-09-13T08:00:00Z".parse().unwrap()
    }
    fn progress(&self, step: &Step<'_>) {
        self.steps.lock().unwrap().push(step.done);
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.stop
    }
    fn decode(&self, path: &Path, _: &DecodeOptions) -> Result<Frame, DecodeError> {
        Err(DecodeError::Empty {
            file: path.display().to_string(),
        })
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        let file = path.file_name().unwrap().to_str().unwrap().to_owned();
        if self.broken.contains(&file.as_str()) {
            Err(DecodeError::Empty { file })
        } else {
            Ok(self.meta.clone())
        }
    }
}

fn told() -> Told {
    let meta = FrameMeta {
        exposure_s: Some(90.0),
        iso: Some(1600.0),
        f_number: Some(2.0),
        focal_mm: Some(24.0),
        pixel_um: Some(5.9512),
        taken_local: Some("2026-09-12T23:10:00".into()),
        taken_offset: Some("+02:00".into()),
        make: Some("Maker".into()),
        model: Some("Body \"7\"".into()),
        lens: Some("24 mm f/1.8".into()),
        gps_deg: Some([46.5, 8.25]),
        gps_elevation_m: Some(1850.0),
        ..FrameMeta::default()
    };
    Told {
        meta,
        ..Told::default()
    }
}

fn outing() -> Temp {
    let folder = Temp::new();
    for name in [
        "sky/1.dng",
        "sky/2.dng",
        "land/3.dng",
        "darks/4.dng",
        "broken.dng",
    ] {
        folder.file(name, b"x");
    }
    folder
}

#[test]
fn what_the_frames_tell_is_filled_in() {
    let folder = outing();
    let world = Told {
        broken: vec!["broken.dng"],
        ..told()
    };
    let report = new_outing(folder.path(), &NewOptions::default(), &world).unwrap();
    let text = std::fs::read_to_string(folder.path().join(OUTING_TOML)).unwrap();
    let settings = read_settings(folder.path()).unwrap();
    let place = settings.site.place.unwrap();
    assert!((place.latitude.deg() - 46.5).abs() < 1e-9 && (place.longitude.deg() - 8.25).abs() < 1e-9);
    assert_eq!(place.elevation_m, 1850.0);
    assert_eq!(settings.rig.camera.as_deref(), Some("Maker Body \"7\""));
    assert_eq!(settings.rig.focal_mm, Some(24.0));
    assert_eq!(settings.rig.pixel_um, Some(5.951));
    assert_eq!(settings.camera_clock.offset_s, Some(7200));
    assert_eq!(
        report.roles,
        BTreeMap::from([("sky".into(), 2), ("land".into(), 1), ("dark".into(), 1)])
    );
    assert_eq!(report.unreadable.len(), 1);
    assert!(
        text.contains("#   2 sky: sky/1.dng to sky/2.dng (lies in the folder “sky”)"),
        "{text}"
    );
    assert!(text.contains("not readable: broken.dng"), "{text}");
    assert!(text.contains("# stretch = 0.5"), "{text}");
    assert_eq!(world.steps.lock().unwrap().len(), 5);
}

#[test]
fn frames_that_tell_nothing_give_a_file_all_the_same() {
    let folder = outing();
    let report = new_outing(folder.path(), &NewOptions::default(), &Told::default()).unwrap();
    assert!(report.filled.is_empty());
    assert_eq!(read_settings(folder.path()).unwrap(), Default::default());
}

/// EXIF is input like any other: nonsense in it must not make a file that cannot be read again.
#[test]
fn nonsense_in_the_exif_is_not_written() {
    let folder = outing();
    let meta = FrameMeta {
        gps_deg: Some([460.0, 8.0]),
        focal_mm: Some(f64::NAN),
        pixel_um: Some(-1.0),
        taken_offset: Some("+99:99".into()),
        lens: Some("----".into()),
        model: Some("two\nlines \"\"\" # \u{7}".into()),
        ..FrameMeta::default()
    };
    let report = new_outing(
        folder.path(),
        &NewOptions::default(),
        &Told {
            meta,
            ..Told::default()
        },
    )
    .unwrap();
    assert_eq!(report.filled, ["rig.camera"]);
    assert_eq!(
        read_settings(folder.path()).unwrap().rig.camera.as_deref(),
        Some("two\nlines \"\"\" # \u{7}")
    );
}

#[test]
fn what_a_person_wrote_is_kept() {
    let folder = outing();
    let mine = "# mine\n[picture]\nstretch = 0.9\n[rig]\nfocal_mm = 135.0\n";
    folder.file(OUTING_TOML, mine.as_bytes());
    let merged = new_outing(folder.path(), &NewOptions::default(), &told()).unwrap();
    let settings = read_settings(folder.path()).unwrap();
    assert_eq!(
        (settings.picture.stretch, settings.rig.focal_mm),
        (0.9, Some(135.0))
    );
    assert!(settings.site.place.is_some(), "the frames' place is added");
    assert!(merged.old.is_none() && merged.filled.contains(&"site.latitude_deg".to_owned()));
    let keys: Vec<&str> = merged.differences.iter().map(|d| d.key.as_str()).collect();
    assert_eq!(keys, ["rig.focal_mm"]);
    let text = std::fs::read_to_string(folder.path().join(OUTING_TOML)).unwrap();
    assert!(text.starts_with("# mine\n"), "{text}");

    let force = NewOptions {
        force: true,
        ..NewOptions::default()
    };
    let report = new_outing(folder.path(), &force, &told()).unwrap();
    let old = std::fs::read_to_string(report.old.unwrap()).unwrap();
    assert_eq!(old, text, "the old one is kept as it was");
    let anew = read_settings(folder.path()).unwrap();
    assert_eq!((anew.picture.stretch, anew.rig.focal_mm), (0.9, Some(135.0)));
    let second = new_outing(folder.path(), &force, &told()).unwrap();
    assert!(second.old.unwrap().ends_with("outing.toml.old2"));
    assert!(folder.path().join("outing.toml.old").exists());
}

/// A plan begins an outing before there are frames, in a folder that is made for it.
#[test]
fn a_plan_begins_an_outing() {
    let folder = Temp::new();
    let trip = folder.path().join("trip");
    let given = [("latitude_deg", "38.48"), ("longitude_deg", "-109.5")].map(|(key, toml)| Filled {
        section: "site",
        key,
        toml: toml.into(),
        from: "as given".into(),
    });
    let options = NewOptions {
        given: given.to_vec(),
        ..NewOptions::default()
    };
    let report = new_outing(&trip, &options, &told()).unwrap();
    assert_eq!(report.filled, ["site.latitude_deg", "site.longitude_deg"]);
    let site = read_settings(&trip).unwrap().site.place.unwrap();
    assert!((site.longitude.deg() + 109.5).abs() < 1e-9);
}

#[test]
fn nothing_to_begin_with_is_told() {
    let folder = Temp::new();
    let empty = new_outing(folder.path(), &NewOptions::default(), &told()).unwrap_err();
    assert!(
        matches!(&empty, NewError::Folder(FolderError::NoFrames { .. })),
        "{empty}"
    );
    let none = new_outing(&folder.path().join("none"), &NewOptions::default(), &told()).unwrap_err();
    assert!(
        matches!(&none, NewError::Folder(FolderError::Missing { .. })),
        "{none}"
    );
}

#[test]
fn stopped_means_nothing_written() {
    let folder = outing();
    let world = told();
    world.stop.store(true, Ordering::Relaxed);
    assert!(matches!(
        new_outing(folder.path(), &NewOptions::default(), &world),
        Err(NewError::Cancelled)
    ));
    assert!(!folder.path().join(OUTING_TOML).exists());
}

/// Whoever writes into the folder is waited for, and nothing of either is lost.
#[test]
fn what_a_page_writes_meanwhile_stays() {
    let folder = outing();
    let file = folder.path().join(OUTING_TOML);
    let turn = turn_to_write(folder.path()).unwrap();
    std::thread::scope(|scope| {
        let made = scope.spawn(|| new_outing(folder.path(), &NewOptions::default(), &told()).map(drop));
        std::thread::sleep(std::time::Duration::from_millis(300));
        assert!(!made.is_finished() && !file.exists(), "it did not wait");
        std::fs::write(&file, "[outing]\nname = \"Ridge\"\n").unwrap();
        drop(turn);
        made.join().unwrap().unwrap();
    });
    let settings = read_settings(folder.path()).unwrap();
    assert_eq!(settings.outing.name.as_deref(), Some("Ridge"));
    assert_eq!(settings.rig.focal_mm, Some(24.0));
}
