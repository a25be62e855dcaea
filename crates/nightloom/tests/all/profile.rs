//! `nightloom build --profile FILE`: what each step cost, and nothing of the photographer's overwritten.

use std::fs;

use serde_json::Value;

use crate::night::{Night, build_command, json, sentence, status, stderr};

#[test]
fn a_profile_tells_each_step_and_its_parts_make_the_whole() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    let file = night.with_file_name("cost.json");
    let run = || {
        let output = build_command(&night)
            .arg("--profile")
            .arg(&file)
            .output()
            .unwrap();
        assert_eq!(status(&output), 0, "{}", stderr(&output));
        let profile: Value = serde_json::from_slice(&fs::read(&file).unwrap()).unwrap();
        (json(&output), profile)
    };
    let (report, profile) = run();
    let steps = profile["steps"].as_array().unwrap();
    let names: Vec<&str> = steps.iter().map(|s| s["step"].as_str().unwrap()).collect();
    for expected in [
        "Registering sky frames",
        "Stacking sky frames",
        "Writing the picture",
    ] {
        assert!(names.contains(&expected), "{names:?}");
    }
    let total = |key: &str| profile["total"][key].as_f64().unwrap();
    for key in ["wall_s", "user_s", "system_s", "read_bytes", "written_bytes"] {
        let sum: f64 = steps.iter().map(|s| s[key].as_f64().unwrap()).sum();
        assert!(
            (sum - total(key)).abs() <= 1e-6 * sum.max(1.0),
            "{key}: {sum} of {}",
            total(key)
        );
    }
    let seconds = report["seconds"].as_f64().unwrap();
    assert!(
        total("wall_s") >= seconds && total("wall_s") < seconds + 1.0,
        "{seconds}"
    );
    // All cores at most, and a picture does not come from nothing.
    let cores = std::thread::available_parallelism().unwrap().get() as f64;
    let processor = total("user_s") + total("system_s");
    assert!(
        processor > 0.2 * seconds && processor < 1.1 * cores * total("wall_s"),
        "{processor} of {seconds}"
    );
    let delivered: u64 = fs::read_dir(night.join("picture"))
        .unwrap()
        .map(|e| e.unwrap().metadata().unwrap().len())
        .sum();
    assert!(total("written_bytes") >= delivered as f64, "{delivered}");
    let most = steps
        .iter()
        .map(|s| s["peak_mib"].as_f64().unwrap())
        .fold(0.0, f64::max);
    assert!(most > 20.0 && (most - total("peak_mib")).abs() < 1e-9);
    assert!(report["peak_memory_mib"].as_f64().unwrap() >= most);
    // A profile may be written anew, and tells that nothing was done.
    let (_, again) = run();
    assert!(again["total"]["wall_s"].as_f64() < profile["total"]["wall_s"].as_f64());
}

#[test]
fn a_profile_overwrites_no_frame() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    let frame = night.join(crate::night::SKY[0]);
    let before = fs::read(&frame).unwrap();
    let output = build_command(&night)
        .arg("--profile")
        .arg(&frame)
        .output()
        .unwrap();
    assert!(sentence(&output, 2).contains("no profile"));
    assert_eq!(fs::read(&frame).unwrap(), before);
    assert!(!night.join(".nightloom").exists(), "nothing was begun");
}
