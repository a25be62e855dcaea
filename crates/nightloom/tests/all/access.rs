//! Every page and the field sheet through axe: no serious or critical fault, by day and in red, on a phone and on a
//! desk's screen.

use std::fs;

use serde_json::Value;

use crate::browser::{Browser, Served};
use crate::pages::{PAGES, outing, white_picture};

const AXE: &str = include_str!("../data/axe/axe.min.js");

/// Normal text by day (WCAG 2.2, 1.4.3).
pub(crate) const DAY: f64 = 4.5;
/// Red under the limit cannot have that on black (it takes a red of 236 and more): all text has what the same
/// criterion asks of large text.
pub(crate) const RED: f64 = 3.0;
/// The sheet's dim look is for those to whom that is too bright; our own floor, no source.
const DIM: f64 = 2.0;

/// What axe calls serious or critical, each with the places where it is so.
///
/// By day the contrasts are those of WCAG 2.2, 1.4.3. In red light text has at least `least` on its ground.
pub(crate) fn faults(browser: &Browser, least: f64) -> Vec<String> {
    // Run by the driver, not by the page: the page's own policy lets no other script in.
    browser.run(AXE);
    if least < DAY {
        browser.run(&format!(
            "const to = {{ expected: {least} }};
            axe.configure({{ checks: [{{ id: 'color-contrast', options: {{ contrastRatio: {{ normal: to, large: to }} }} }}] }})"
        ));
    }
    let found =
        browser.run("return axe.run(document, { resultTypes: ['violations'] }).then((r) => r.violations)");
    let found: Vec<&Value> = found.as_array().expect("a list").iter().collect();
    let bad = found
        .into_iter()
        .filter(|v| v["impact"] == "serious" || v["impact"] == "critical");
    bad.map(|v| {
        let nodes = v["nodes"].as_array().expect("places").iter();
        let places: Vec<String> = nodes
            .take(4)
            .map(|n| format!("{} ({})", n["html"], n["failureSummary"]))
            .collect();
        let of = |key: &str| v[key].as_str().unwrap_or_default().to_owned();
        format!("{} {}: {}", of("impact"), of("id"), places.join("; "))
    })
    .collect()
}

#[test]
fn axe_finds_no_serious_fault_on_any_page() {
    let folder = outing();
    white_picture(&folder.path().join("a.png"));
    let served = Served::at(folder.path());
    let browser = Browser::start(1200, 900);
    let mut all = Vec::new();
    for look in ["day", "red"] {
        browser.go(&served.url("/"));
        if look == "red" {
            browser.wear_red();
        }
        for (width, height) in [(360, 740), (1200, 900)] {
            browser.size(width, height);
            for path in PAGES.into_iter().chain(["/frames/look?name=a.png", "/nowhere"]) {
                browser.go(&served.url(path));
                let here = faults(&browser, if look == "red" { RED } else { DAY });
                all.extend(here.iter().map(|f| format!("{path}, {look}, {width} px: {f}")));
            }
        }
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn axe_finds_no_serious_fault_on_the_field_sheet() {
    let folder = outing();
    let made = std::process::Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg("sheet")
        .arg(folder.path())
        .output()
        .expect("the program starts");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let file = folder.path().join("field-sheet.html");
    assert!(fs::metadata(&file).expect("a sheet").len() <= 400 * 1024);
    let browser = Browser::start(1200, 900);
    let mut all = Vec::new();
    for (width, height) in [(360, 740), (1200, 900)] {
        browser.size(width, height);
        browser.go(&format!("file://{}", file.display()));
        for (look, least) in [("night", RED), ("dim", DIM), ("day", DAY)] {
            browser.run(&format!(
                "document.querySelector('[data-look-of={look}]').click()"
            ));
            // Everything open, so that all of it is looked at.
            browser.run(
                "document.querySelectorAll('[aria-controls][aria-expanded=false]').forEach((b) => b.click())",
            );
            let here = faults(&browser, least);
            all.extend(here.iter().map(|f| format!("{look}, {width} px: {f}")));
        }
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn axe_sees_what_is_wrong() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("bad.html");
    let bad = "<!DOCTYPE html><html lang=en><title>x</title><main><h1>x</h1><p style='color:#bbb;background:#fff'>pale</p><input></main>";
    fs::write(&file, bad).expect("written");
    let browser = Browser::start(600, 600);
    browser.go(&format!("file://{}", file.display()));
    let found = faults(&browser, DAY).join(" ");
    assert!(
        found.contains("color-contrast:") && found.contains("label:"),
        "{found}"
    );
}
