//! What is read is told with its evidence, in the command as in the README.

use std::path::Path;
use std::process::Command;

use nightloom_raster::INPUT_FORMATS;

#[test]
fn command_and_readme_tell_every_format_with_its_evidence() {
    let output = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg("formats")
        .output()
        .unwrap();
    assert!(output.status.success());
    let said = String::from_utf8(output.stdout).unwrap();
    let readme = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../README.md");
    let readme = std::fs::read_to_string(readme).unwrap();
    for format in INPUT_FORMATS {
        let endings: Vec<String> = format.endings.iter().map(|e| format!(".{e}")).collect();
        let row = format!(
            "| {} ({}) | {} | {} |",
            format.name,
            endings.join(", "),
            format.evidence.words(),
            format.note
        );
        assert!(readme.contains(&row), "the README lacks: {row}");
        let line = said
            .lines()
            .find(|l| l.starts_with(format.name))
            .unwrap_or_default();
        assert!(
            line.contains(format.evidence.words()) && line.contains(format.note),
            "{line}"
        );
    }
    let json = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(["formats", "--json"])
        .output()
        .unwrap();
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(json["formats"].as_array().unwrap().len(), INPUT_FORMATS.len());
}
