//! `nightloom subjects`, run as a person runs it.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

fn subjects(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg("subjects")
        .args(args)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_name_however_spelt_comes_first_in_the_answer() {
    for (query, name) in [
        ("m31", "Andromeda Galaxy"),
        ("α Ori", "Betelgeuse"),
        ("HIP 104214", "HIP 104214"),
    ] {
        let output = subjects(&[query, "--json"]);
        assert_eq!(output.status.code(), Some(0), "{query}");
        let first = &json(&output)["subjects"][0];
        assert_eq!(first["name"], name, "{query}");
        assert!(
            first["right_ascension_deg"].is_f64() && first["constellation"].is_string(),
            "{first}"
        );
    }
    let shower = &json(&subjects(&["perseids", "--json"]))["subjects"][0];
    assert_eq!(shower["shower"]["iau_number"], 7);
    assert!(
        shower["right_ascension_deg"].is_null(),
        "a radiant wanders: {shower}"
    );
}

#[test]
fn the_whole_list_is_told_and_given() {
    let told = String::from_utf8(subjects(&[]).stdout).unwrap();
    let given = json(&subjects(&["--json"]));
    let count = given["subjects"].as_array().unwrap().len();
    assert!(count > 600);
    assert_eq!(told.lines().count(), count);
    assert!(
        told.lines().all(|line| line.chars().count() < 160),
        "a line is too long to read"
    );
}

#[test]
fn an_unknown_name_is_a_no_that_offers_names() {
    let output = subjects(&["Betelguese"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(output.stdout.is_empty());
    assert!(String::from_utf8_lossy(&output.stderr).contains("Betelgeuse"));
    assert_eq!(subjects(&["400,10"]).status.code(), Some(2));
}
