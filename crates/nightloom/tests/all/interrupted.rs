//! Builds that are stopped, killed, repeated, or run on another number of threads.

use std::fs;
use std::path::Path;
use std::process::Stdio;
use std::thread::sleep;
use std::time::{Duration, Instant};

use serde_json::Value;

use crate::night::{
    Chance, DELIVERED, Night, assert_same_results, build_command, built, json, status, stderr,
};

/// A killed build runs this often at least before one may end by itself.
const KILLS: usize = 6;

#[test]
fn killed_at_any_moment_and_run_again_gives_the_same_bytes() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    let mut took = shared.few_report()["seconds"].as_f64().unwrap();
    let mut chance = Chance(20_241_120);
    let mut killed = 0;
    for _ in 0..4 * KILLS {
        if killed == KILLS {
            break;
        }
        let mut child = build_command(&night)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        sleep(Duration::from_secs_f64(took * (0.05 + 0.45 * chance.part())));
        // SIGKILL: nothing can be tidied.
        if child.try_wait().unwrap().is_none() {
            child.kill().unwrap();
            child.wait().unwrap();
            killed += 1;
        } else {
            // The machine was busier when the shared night was built. Again from the start, and sooner.
            took *= 0.5;
            for done in [".nightloom", "picture"] {
                fs::remove_dir_all(night.join(done)).unwrap();
            }
            continue;
        }
        for name in DELIVERED {
            let ours = night.join("picture").join(name);
            if let Ok(ours) = fs::read(ours) {
                let expected = fs::read(shared.few().join("picture").join(name)).unwrap();
                assert!(ours == expected, "{name} is half-written after a kill");
            }
        }
    }
    assert_eq!(killed, KILLS, "too few came in time");
    let report = built(&night);
    assert_same_results(&night, &shared.few());
    assert_eq!(told(&report, &night), told(&shared.few_report(), &shared.few()));
    // What the killed builds had begun is gone.
    let begun = fs::read_dir(night.join(".nightloom/files")).unwrap().flatten();
    let expected = fs::read_dir(shared.few().join(".nightloom/files"))
        .unwrap()
        .flatten();
    assert_eq!(begun.count(), expected.count());
}

/// A report without what is of this run only.
fn told(report: &Value, night: &Path) -> Value {
    let text = report.to_string().replace(&night.display().to_string(), "NIGHT");
    let mut report: Value = serde_json::from_str(&text).unwrap();
    for key in ["seconds", "peak_memory_mib", "steps"] {
        report.as_object_mut().unwrap().remove(key).unwrap();
    }
    report
}

#[test]
fn one_thread_and_eight_give_the_same_bytes() {
    let shared = Night::get();
    for threads in [1, 8] {
        let temp = shared.few_frames();
        let output = build_command(&temp.night())
            .args(["--threads", &threads.to_string()])
            .output()
            .unwrap();
        assert_eq!(status(&output), 0, "{}", stderr(&output));
        // The shared one was built with as many threads as there are cores.
        assert_same_results(&temp.night(), &shared.few());
    }
}

/// A second build that does nothing takes no longer, seconds: it reads hashes and the journal.
const NOTHING_TO_DO_S: f64 = 2.0;

#[test]
fn a_second_build_does_nothing_and_says_the_same() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    let report = built(&night);
    assert_eq!(report["steps"]["done"], 0, "{}", report["steps"]);
    assert!(report["steps"]["kept"].as_u64().unwrap() > 0);
    assert!(report["seconds"].as_f64().unwrap() < NOTHING_TO_DO_S);
    // Also of an outing that was moved: the paths are where the results are now.
    assert_eq!(told(&report, &night), told(&shared.few_report(), &shared.few()));
    assert_same_results(&night, &shared.few());
}

#[test]
fn another_tone_curve_redoes_only_the_picture() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    fs::write(night.join("outing.toml"), "[picture]\nstretch = 0.8\n").unwrap();
    let report = built(&night);
    let (done, kept) = (&report["steps"]["done"], &report["steps"]["kept"]);
    assert_eq!(*done, 1, "the picture and nothing else: {}", report["steps"]);
    assert!(kept.as_u64().unwrap() >= 6, "{}", report["steps"]);
    let file = |folder: &Path, name: &str| fs::read(folder.join("picture").join(name)).unwrap();
    for same in ["linear.fits", "coverage.tif", "matte.tif"] {
        assert!(file(&night, same) == file(&shared.few(), same), "{same}");
    }
    for other in ["picture.tif", "preview.jpg", "layers.ora", "report.html"] {
        assert!(file(&night, other) != file(&shared.few(), other), "{other}");
    }
    // And back again: the picture of before.
    fs::remove_file(night.join("outing.toml")).unwrap();
    built(&night);
    assert_same_results(&night, &shared.few());
}

/// Settings, or the frames, changed in a folder.
type Change = fn(&Path);

#[test]
fn what_is_kept_serves_no_other_settings_and_no_other_frames() {
    let shared = Night::get();
    let changes: [Change; 4] = [
        |night| {
            fs::write(
                night.join("outing.toml"),
                "[picture]\nstretch = 0.8\ncrop = \"all\"\n",
            )
            .unwrap()
        },
        |night| {
            let text = "[picture]\nwhite = \"as-shot\"\nnoise_reduction = 0.0\nland_stops = 1.0\n";
            fs::write(night.join("outing.toml"), text).unwrap();
        },
        |night| fs::write(night.join("outing.toml"), "[sky]\nrejection = \"none\"\n").unwrap(),
        |night| fs::remove_file(night.join(crate::night::SKY[3])).unwrap(),
    ];
    // One after the other on a night that keeps what it can, and each on its frames alone.
    let kept = shared.few_built();
    for change in changes {
        let fresh = shared.few_frames();
        for folder in [&kept, &fresh] {
            change(&folder.night());
            if !folder.night().join(crate::night::SKY[3]).exists() {
                let _ = fs::remove_file(folder.night().join("outing.toml"));
            }
            built(&folder.night());
        }
        assert_same_results(&kept.night(), &fresh.night());
    }
}

#[test]
fn another_tone_makes_lost_results_again_too() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    fs::remove_file(night.join("picture/linear.fits")).unwrap();
    fs::write(night.join("picture/matte.tif"), b"scribbled over").unwrap();
    fs::write(night.join("outing.toml"), "[picture]\nstretch = 0.3\n").unwrap();
    built(&night);
    for same in ["linear.fits", "matte.tif", "coverage.tif"] {
        let file = |folder: &Path| fs::read(folder.join("picture").join(same)).unwrap();
        assert!(file(&night) == file(&shared.few()), "{same}");
    }
    assert_eq!(
        fs::read(night.join("picture/matte-kept-1.tif")).unwrap(),
        b"scribbled over"
    );
}

#[test]
fn a_lost_result_is_made_again() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    fs::write(night.join("picture/picture.tif"), b"scribbled over").unwrap();
    fs::remove_file(night.join("picture/preview.jpg")).unwrap();
    built(&night);
    assert_same_results(&night, &shared.few());
}

#[test]
fn one_more_frame_redoes_only_what_rests_on_it() {
    let shared = Night::get();
    let temp = shared.few_built();
    let night = temp.night();
    let name = crate::night::SKY[4];
    fs::copy(shared.whole().join(name), night.join(name)).unwrap();
    let report = built(&night);
    assert_eq!(report["sky"]["frames_used"], 5);
    // At least the six frames' facts and the six prepared frames are kept.
    assert!(
        report["steps"]["kept"].as_u64().unwrap() >= 12,
        "{}",
        report["steps"]
    );
}

/// Stopping takes a second at most on a machine that does nothing else; tests share theirs.
#[cfg(unix)]
const STOPS_WITHIN: Duration = Duration::from_secs(3);

#[cfg(unix)]
#[test]
fn ctrl_c_stops_a_build_and_the_next_one_goes_on() {
    let shared = Night::get();
    let temp = shared.few_frames();
    let night = temp.night();
    let child = build_command(&night)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let files = night.join(".nightloom/files");
    let began = Instant::now();
    while fs::read_dir(&files).map_or(0, Iterator::count) < 4 {
        assert!(began.elapsed() < Duration::from_secs(60), "it never began");
        sleep(Duration::from_millis(10));
    }
    let asked = Instant::now();
    let kill = std::process::Command::new("sh")
        .args(["-c", &format!("kill -INT {}", child.id())])
        .status();
    assert!(kill.unwrap().success());
    let output = child.wait_with_output().unwrap();
    let took = asked.elapsed();
    println!("stopped in {took:?}");
    assert!(took < STOPS_WITHIN, "it took {took:?}");
    assert_eq!(status(&output), 2, "{}", stderr(&output));
    let said = json(&output)["error"].as_str().unwrap().to_owned();
    assert!(said.contains("stopped"), "{said}");
    let report = built(&night);
    assert!(
        report["steps"]["kept"].as_u64().unwrap() > 0,
        "{}",
        report["steps"]
    );
    assert_same_results(&night, &shared.few());
}
