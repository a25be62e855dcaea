//! What is built in is told: licences, and what SECURITY.md names.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn read(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

#[test]
fn every_package_of_the_lock_file_has_its_licence_told() {
    let (lock, told) = (read("Cargo.lock"), read("licences/THIRD-PARTY.txt"));
    let value = |block: &str, key: &str| {
        let line = block.lines().find_map(|l| l.strip_prefix(key))?;
        Some(line.trim_matches('"').to_owned())
    };
    let mut count = 0;
    for block in lock.split("[[package]]").filter(|b| b.contains("source = ")) {
        let (name, version) = (
            value(block, "name = ").unwrap(),
            value(block, "version = ").unwrap(),
        );
        assert!(
            told.contains(&format!("\n{name} {version}: ")),
            "{name} {version} is not in licences/THIRD-PARTY.txt; run scripts/licences"
        );
        count += 1;
    }
    assert!(count > 100, "{count}");
    let notice = read("NOTICE");
    for part in [
        "rawler",
        "GNU Lesser General Public License 2.1",
        "Independent JPEG Group",
        "THIRD-PARTY",
    ] {
        assert!(notice.contains(part), "{part}");
    }
}

/// Tests that SECURITY.md leans on exist under those names.
#[test]
fn the_threat_model_names_tests_that_are_there() {
    let mut code = String::new();
    let mut open = vec![root().join("crates")];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                code += &fs::read_to_string(path).unwrap();
            }
        }
    }
    let model = read("SECURITY.md");
    let mut rows = 0;
    for row in model
        .lines()
        .filter(|l| l.starts_with("| ") && l.matches('|').count() == 4)
    {
        let held = row.split('|').nth(3).unwrap();
        for name in held.split('`').skip(1).step_by(2).filter(|n| !n.contains('.')) {
            assert!(code.contains(&format!("fn {name}(")), "{name}");
            rows += 1;
        }
    }
    assert!(rows >= 18, "{rows}");
}
