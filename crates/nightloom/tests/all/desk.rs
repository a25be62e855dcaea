//! The picture finished by hand, as a person does: the sky dragged, the level drawn, the way from built layers to a file, and
//! what is left of it when page or program die.

use std::fs;

use nightloom_simulate::ShotRole;
use serde_json::json;

use crate::browser::{Browser, Served};
use crate::develop::{get, opened, said, settled, slide};
use crate::night::Night;

/// Presses an element as a hand does.
fn press(browser: &Browser, selector: &str) {
    let at = browser.run(&format!(
        "const e = document.querySelector({}); e.scrollIntoView({{ block: 'center' }});
         const b = e.getBoundingClientRect(); return [Math.round(b.left + b.width / 2), Math.round(b.top + b.height / 2)]",
        json!(selector)
    ));
    browser.drag(
        [at[0].as_i64().expect("x"), at[1].as_i64().expect("y")],
        [0, 0],
        1,
    );
}

/// A place of the picture on the page's screen, as shares of what is shown.
fn on_screen(browser: &Browser, [x, y]: [f64; 2]) -> [i64; 2] {
    let at = browser.run(&format!(
        "const v = document.querySelector('nl-viewer'), b = v.canvas.getBoundingClientRect(), r = b.width / v.canvas.width;
         const p = v.onScreen([v.about.width_px * {x}, v.about.height_px * {y}]); return [b.left + p[0] * r, b.top + p[1] * r]"
    ));
    std::array::from_fn(|i| at[i].as_f64().expect("a place").round() as i64)
}

#[test]
fn sky_and_level_by_hand_are_seen_and_taken_back() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1440, 900);
    opened(&browser, &served);
    let values = |key: &str| {
        browser.run(&format!(
            "return document.querySelector('nl-viewer').develop.values.{key}"
        ))
    };
    let undo = || {
        press(&browser, "[data-step=undo]");
        settled(&browser);
    };
    let before = browser.screen();
    // The sky under the land by hand; the arrow keys go on by single pixels.
    press(&browser, "[data-hand=sky]");
    let at = on_screen(&browser, [0.5, 0.3]);
    browser.drag(at, [60, 25], 6);
    settled(&browser);
    let moved = values("offset_px");
    let scale = browser.run("const v = document.querySelector('nl-viewer'); return v.scale * v.canvas.clientWidth / v.canvas.width");
    let px = scale.as_f64().expect("a scale");
    let by: Vec<f64> = moved
        .as_str()
        .expect("two numbers")
        .split(", ")
        .map(|v| v.parse().expect("a number"))
        .collect();
    assert!(
        (by[0] - 60.0 / px).abs() < 2.0 && (by[1] - 25.0 / px).abs() < 2.0,
        "{by:?} at {px}"
    );
    browser.run("document.querySelector('nl-viewer canvas').dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowLeft', bubbles: true, cancelable: true }))");
    settled(&browser);
    assert_eq!(values("offset_px"), format!("{}, {}", by[0] - 1.0, by[1]));
    assert!(browser.screen() != before);
    assert!(said(&browser).contains("px right"), "{}", said(&browser));
    // No file is given away whose border is in no layer.
    browser.run("document.querySelector('.export').open = true");
    press(&browser, "[data-do=export]");
    browser
        .until("document.querySelector('.export [role=status]').textContent.includes('Make it again first')");
    browser.run("document.querySelector('.export').open = false");
    undo();
    undo();
    press(&browser, "[data-hand=sky]");
    assert_eq!(values("offset_px"), "0, 0");
    // A line along what should be level; brush and matte follow the turn.
    press(&browser, "[data-hand=line]");
    let at = on_screen(&browser, [0.3, 0.6]);
    browser.drag(at, [300, 21], 6);
    settled(&browser);
    let level: f64 = values("level_deg")
        .as_str()
        .expect("text")
        .parse()
        .expect("a number");
    assert!((level + 4.0).abs() < 0.11, "{level}");
    let [a, b] = [[0.2, 0.5], [0.8, 0.5]].map(|p| on_screen(&browser, p));
    let lean = ((b[1] - a[1]) as f64).atan2((b[0] - a[0]) as f64).to_degrees();
    assert!((lean + 4.0).abs() < 0.3, "{lean}");
    undo();
    assert_eq!(values("level_deg"), "0");
    // What the program says of the level: the land camera's zenith leans to the left by what it has to be turned clockwise.
    let truth = Night::get().truth();
    let land = truth.frames.iter().find(|f| f.role == ShotRole::Land);
    let [across, down] = [0, 1].map(|axis| land.expect("land").camera_from_ground[1][axis][2]);
    let leans_deg = (-across).atan2(-down).to_degrees();
    let told = get(&served, "/develop")["level_deg"].as_f64().expect("a level");
    assert!((told - leans_deg).abs() < 0.1, "{told} for {leans_deg}");
    let faults = crate::access::faults(&browser, crate::access::DAY);
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn from_built_layers_to_a_file_in_twelve_actions() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1440, 900);
    opened(&browser, &served);
    // From the layers as built to a file: each of these is one action.
    let mut actions = 0;
    let began = std::time::Instant::now();
    let mut act = |what: &mut dyn FnMut()| {
        what();
        actions += 1;
    };
    act(&mut || slide(&browser, "stretch", "0.75"));
    act(&mut || press(&browser, ".crop summary"));
    act(&mut || {
        browser.run("const s = document.querySelector('.crop [name=how]'); s.value = 'hand'; s.dispatchEvent(new Event('change', { bubbles: true }))");
    });
    act(&mut || press(&browser, "[name=brush][value=land]"));
    browser.until("document.querySelector('nl-viewer').brush.ready");
    let at = on_screen(&browser, [0.5, 0.9]);
    act(&mut || browser.drag(at, [80, 0], 8));
    browser.until(
        "document.querySelector('.brush [role=status]').textContent.includes('kept in hints.toml: 1')",
    );
    act(&mut || press(&browser, "[data-do=start]"));
    browser.until("document.querySelector('nl-build').dataset.ended === 'made'");
    settled(&browser);
    act(&mut || press(&browser, ".export summary"));
    act(&mut || press(&browser, "[data-do=export]"));
    browser.until("document.querySelector('.export .written a')");
    let seconds = began.elapsed().as_secs_f64();
    println!("{actions} actions, {seconds:.1} s");
    assert!(actions <= 12 && seconds < 30.0, "{actions} actions, {seconds} s");
    let name = browser.run("return document.querySelector('.export .written a').download");
    let bytes = fs::read(night.join("picture").join(name.as_str().expect("a name"))).expect("a file");
    assert!(bytes.starts_with(&[0xff, 0xd8, 0xff]), "no JPEG");
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(
        text.contains("stretch = 0.75") && text.contains("crop = ["),
        "{text}"
    );
}

/// What is typed or brushed stays, whichever dies: the program is killed, the page loaded anew.
#[test]
fn nothing_typed_is_lost_when_page_or_program_die() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1440, 900);
    // Typed and not left: no change was sent.
    let type_in = |text: &str| {
        browser.run(&format!(
            "const f = document.getElementById('outing.name'); f.focus(); f.value = {}; f.dispatchEvent(new Event('input', {{ bubbles: true }}))",
            json!(text)
        ));
    };
    browser.go(&served.url("/settings"));
    type_in("Half a na");
    opened(&browser, &served);
    slide(&browser, "stretch", "0.61");
    press(&browser, "[name=brush][value=land]");
    browser.until("document.querySelector('nl-viewer').brush.ready");
    let stroke = || {
        let at = on_screen(&browser, [0.5, 0.9]);
        browser.drag(at, [80, 0], 8);
    };
    let served = served.killed(
        || {
            // One goes on, and does not know.
            browser.run("const s = document.querySelector('[data-live=contrast] input[type=range]'); s.value = '1.4'; s.dispatchEvent(new Event('input', { bubbles: true }))");
            stroke();
            browser.until("!document.querySelector('#news').hidden");
        },
        &night,
    );
    browser.go(&served.url("/settings"));
    assert_eq!(
        browser.run("return document.getElementById('outing.name').value"),
        "Half a na"
    );
    let said = browser.run(
        "return document.getElementById('outing.name').closest('.field').querySelector('.said').textContent",
    );
    assert!(said.as_str().expect("words").contains("not saved"), "{said}");
    browser.run("const f = document.getElementById('outing.name'); f.dispatchEvent(new Event('change', { bubbles: true }))");
    browser.until("document.getElementById('outing.name').dataset.was === 'Half a na'");
    opened(&browser, &served);
    for (key, value) in [("stretch", "0.61"), ("contrast", "1.4")] {
        assert_eq!(
            browser.run(&format!(
                "return document.querySelector('nl-viewer').develop.values.{key}"
            )),
            value
        );
    }
    browser.until("document.querySelector('nl-viewer').brush.strokes.length === 1");
    browser.until(
        "document.querySelector('.brush [role=status]').textContent.includes('kept in hints.toml: 1')",
    );
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(text.contains("name = \"Half a na\""), "{text}");
    assert!(night.join("hints.toml").is_file());
}
