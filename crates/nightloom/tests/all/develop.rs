//! Live development: what the page shows against what the build writes, and the page driven as a person does.

use std::fs;
use std::path::Path;

use nightloom_raster::colour::{apply, rec2020_to_srgb, srgb_decode, srgb_encode};
use serde_json::{Value, json};
use tiff::decoder::{Decoder, DecodingResult};

use crate::browser::{Answer, Browser, Served, exchange};
use crate::night::{Night, built};

pub(crate) fn get(served: &Served, path: &str) -> Value {
    let host = format!("127.0.0.1:{}", served.port);
    let answer = exchange(served.port, "GET", path, &[("Host", &host)], "");
    assert_eq!(answer.status, 200, "{path}: {}", answer.text());
    serde_json::from_slice(&answer.body).expect("JSON")
}

pub(crate) fn post(served: &Served, path: &str, body: &Value) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    let origin = format!("http://{host}");
    let headers = [
        ("Host", host.as_str()),
        ("Origin", &origin),
        ("Content-Type", "application/json"),
    ];
    exchange(served.port, "POST", path, &headers, &body.to_string())
}

/// What was drawn: its head, and red, green and blue of each pixel.
fn pixels(answer: &Answer) -> (Value, Vec<[u8; 3]>) {
    assert_eq!(answer.status, 200, "{}", answer.text());
    let length = u32::from_le_bytes(answer.body[..4].try_into().expect("a length")) as usize;
    let head = serde_json::from_slice(&answer.body[4..4 + length]).expect("a head");
    let rgba = &answer.body[4 + length..];
    (head, rgba.chunks_exact(4).map(|p| [p[0], p[1], p[2]]).collect())
}

/// Settings that are kept with the others and seen after the next build.
const LATER: [&str; 4] = ["crop", "grow", "white", "offset_px"];

fn whole(about: &Value, values: &Value) -> Value {
    let mut values = values.clone();
    values
        .as_object_mut()
        .expect("settings")
        .retain(|key, _| !LATER.contains(&key.as_str()));
    json!({
        "identity": about["identity"], "values": values, "level": 0, "left": 0, "top": 0,
        "width": about["width_px"], "height": about["height_px"],
    })
}

/// The built picture as sRGB: its own samples, read by an independent reader, and the standards' matrices.
fn written(night: &Path) -> Vec<[u8; 3]> {
    written_with_size(night).0
}

fn written_with_size(night: &Path) -> (Vec<[u8; 3]>, [usize; 2]) {
    let file = fs::File::open(night.join("picture/picture.tif")).expect("a picture");
    let mut tiff = Decoder::new(std::io::BufReader::new(file)).expect("a TIFF");
    let (width, height) = tiff.dimensions().expect("a size");
    let DecodingResult::U16(values) = tiff.read_image().expect("pixels") else {
        panic!("the picture is not 16-bit")
    };
    let matrix = rec2020_to_srgb();
    let shown = |p: &[u16]| {
        let light: [f64; 3] = std::array::from_fn(|c| f64::from(srgb_decode(f32::from(p[c]) / 65535.0)));
        apply(&matrix, light).map(|v| (srgb_encode(v.clamp(0.0, 1.0) as f32) * 255.0).round() as u8)
    };
    (
        values.chunks_exact(3).map(shown).collect(),
        [width as usize, height as usize],
    )
}

/// The middle of a picture, of one size out of another.
fn middle(of: &[[u8; 3]], [width, height]: [usize; 2], [w, h]: [usize; 2]) -> Vec<[u8; 3]> {
    let (left, top) = ((width - w) / 2, (height - h) / 2);
    assert_eq!([(width - w) % 2, (height - h) % 2], [0, 0]);
    let rows = (top..top + h).flat_map(|y| &of[y * width + left..][..w]);
    rows.copied().collect()
}

fn plan(night: &Path, picture: &str) {
    fs::write(night.join("outing.toml"), format!("[picture]\n{picture}")).expect("written");
}

/// Every setting that is seen at once, moved.
const MOVED: &str = "look = \"deep\"\nstretch = 0.7\ncontrast = 1.4\nblack_point = 0.15\nwhite_point = 0.8\nsky_stops = -0.2\nmidtones = 1.5\ngradient = 0.4\nnoise_reduction = 0.6\nland_stops = 0.5\nland_lift = 0.6\ntemperature = 20.0\ntint = -3.0\nsaturation = 1.3\nstar_size = 0.6\nstar_colour = 1.7\nvignette = 0.6\nlevel_deg = -2.5\n";

#[test]
fn what_is_seen_at_full_size_is_what_the_build_writes() {
    let temp = Night::get().few_built();
    let night = temp.night();
    for picture in ["", MOVED] {
        plan(&night, picture);
        built(&night);
        let served = Served::at(&night);
        let about = get(&served, "/develop");
        assert_eq!(about["kept"], about["built"]);
        let (head, seen) = pixels(&post(&served, "/develop/view", &whole(&about, &about["kept"])));
        let (written, size) = written_with_size(&night);
        assert_eq!(head["tally"]["all"], json!(written.len()));
        let full = ["width_px", "height_px"].map(|side| about[side].as_u64().expect("a size") as usize);
        assert_eq!(size == full, picture.is_empty(), "{size:?} of {full:?}");
        let seen = middle(&seen, full, size);
        let far = written
            .iter()
            .zip(&seen)
            .map(|(w, s)| (0..3).map(|c| w[c].abs_diff(s[c])).max());
        let worst = far.clone().max();
        let off = far.filter(|d| *d > Some(0)).count();
        println!(
            "worst {worst:?} of 255, {off} of {} pixels off at all",
            seen.len()
        );
        assert!(worst <= Some(Some(1)), "{worst:?}");
    }
}

#[test]
fn every_setting_changes_what_is_seen_and_what_cannot_be_is_a_sentence() {
    let temp = Night::get().few_built();
    let served = Served::at(&temp.night());
    let about = get(&served, "/develop");
    let usual = about["usual"].clone();
    let (_, plain) = pixels(&post(&served, "/develop/view", &whole(&about, &usual)));
    let moved: std::collections::BTreeMap<&str, &str> = MOVED
        .lines()
        .filter_map(|l| l.split_once(" = "))
        .map(|(k, v)| (k, v.trim_matches('"')))
        .collect();
    let at_once = usual.as_object().expect("settings").keys();
    let at_once = at_once.filter(|key| !LATER.contains(&key.as_str()));
    assert_eq!(moved.len(), at_once.count(), "one is not tried");
    for (key, value) in &moved {
        let mut values = usual.clone();
        values[*key] = json!(value);
        let (_, seen) = pixels(&post(&served, "/develop/view", &whole(&about, &values)));
        // The land of this night is as bright as any look wants it: nothing is there to raise. Dark land is tried where the
        // development is.
        assert_eq!(seen != plain, *key != "land_lift", "{key} = {value}");
    }
    // The sky moved is the sky as it is, elsewhere.
    let moved = |by: [i64; 2]| {
        let mut asked = whole(&about, &usual);
        asked["sky_moved_px"] = json!(by);
        asked["layer"] = json!("sky");
        pixels(&post(&served, "/develop/view", &asked)).1
    };
    let (still, moved) = (moved([0, 0]), moved([31, -12]));
    let [width, height] =
        ["width_px", "height_px"].map(|side| about[side].as_u64().expect("a size") as usize);
    for y in 0..height - 12 {
        assert!(
            moved[y * width + 31..(y + 1) * width] == still[(y + 12) * width..(y + 13) * width - 31],
            "row {y}"
        );
    }
    for (key, value, part) in [
        ("star_size", "0.1", "0.3"),
        ("level_deg", "90", "45"),
        ("vignette", "nan", "expected"),
        ("stretch", "2", "stretch"),
        ("stretch", "1e400", "expected"),
        ("look", "noir", "expected"),
        ("name", "all", "not seen at once"),
        ("stretch", "0.5\nname = 1", "expected"),
    ] {
        let mut values = usual.clone();
        values[key] = json!(value);
        let answer = post(&served, "/develop/view", &whole(&about, &values));
        assert_eq!(answer.status, 422, "{}", answer.text());
        assert!(answer.text().contains(part), "{}", answer.text());
    }
    for (key, value) in [("level", 30), ("left", 100_000), ("width", 0)] {
        let mut asked = whole(&about, &usual);
        asked[key] = json!(value);
        assert_eq!(post(&served, "/develop/view", &asked).status, 422, "{key}");
    }
    let mut other = whole(&about, &usual);
    other["identity"] = json!("00");
    assert_eq!(post(&served, "/develop/view", &other).status, 409);
}

/// The page with the picture developed on it.
pub(crate) fn opened(browser: &Browser, served: &Served) {
    browser.go(&served.url("/picture"));
    settled(browser);
}

pub(crate) fn settled(browser: &Browser) {
    browser.until("document.querySelector('nl-viewer')?.develop?.live.settled");
}

/// Puts a slider to a value as a hand does.
pub(crate) fn slide(browser: &Browser, key: &str, value: &str) {
    browser.run(&format!(
        "const s = document.querySelector('[data-live={key}] input[type=range]'); s.focus(); s.value = '{value}';
         s.dispatchEvent(new Event('input', {{ bubbles: true }}))"
    ));
    settled(browser);
}

pub(crate) fn said(browser: &Browser) -> String {
    let said = browser.run("return document.querySelector('.develop [role=status]').textContent");
    said.as_str().unwrap_or_default().to_owned()
}

#[test]
fn a_tone_is_seen_at_once_taken_back_and_built_and_the_place_stays() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1440, 900);
    opened(&browser, &served);
    assert!(
        said(&browser).contains("This is the built picture"),
        "{}",
        said(&browser)
    );
    // Pixel by pixel at a place of one's own.
    browser.run("const v = document.querySelector('nl-viewer'); v.act('full'); v.centre([300, 200])");
    settled(&browser);
    let place = "const v = document.querySelector('nl-viewer'); return [v.scale, v.left, v.top]";
    let (at, before) = (browser.run(place), browser.screen());
    slide(&browser, "stretch", "0.9");
    let brighter = browser.screen();
    assert!(brighter != before);
    assert!(
        said(&browser).contains("Differs") && said(&browser).contains("Dark tones lifted"),
        "{}",
        said(&browser)
    );
    // Taken back and done again by keys.
    let press = |key: &str| {
        browser.run(&format!(
            "document.body.dispatchEvent(new KeyboardEvent('keydown', {{ key: '{key}', ctrlKey: true, bubbles: true }}))"
        ));
        settled(&browser);
    };
    press("z");
    assert!(said(&browser).contains("This is the built picture"));
    press("y");
    assert!(said(&browser).contains("Differs"));
    // Taken over as text, from another outing; a line that cannot be is told and nothing taken.
    let text = |text: &str| {
        browser.run(&format!(
            "const t = document.querySelector('[data-recipe]'); t.value = {}; t.dispatchEvent(new Event('change', {{ bubbles: true }}))",
            json!(text)
        ));
        settled(&browser);
        browser.run("const v = document.querySelector('nl-viewer').develop.values; return [v.stretch, v.look, v.crop]")
    };
    let plan = "[picture]\nstretch = 0.25 # dark\nlook = \"deep\"\ncrop = \"all\"\n";
    assert_eq!(text(plan), json!(["0.25", "deep", "all"]));
    assert_eq!(
        text("stretch = 0.4\nlook = \"noir\"\n"),
        json!(["0.25", "deep", "all"])
    );
    assert!(said(&browser).contains("noir"), "{}", said(&browser));
    press("z");
    assert_eq!(
        browser.run("return document.querySelector('nl-viewer').develop.values.stretch"),
        "0.9"
    );
    // Nothing is lost when the page goes.
    browser.run("location.reload()");
    browser.until("document.readyState === 'complete'");
    settled(&browser);
    assert_eq!(
        browser.run("return document.querySelector('[data-live=stretch] input').value"),
        "0.9"
    );
    assert_eq!(browser.run(place), at, "the place is lost by a reload");
    // A second page looks on.
    let other = Browser::start(1000, 800);
    opened(&other, &served);
    // Built: the settings are in the file, and both pages show the new picture where they were.
    browser.run("document.querySelector('[data-do=start]').click()");
    browser.until("document.querySelector('nl-build').dataset.ended === 'made'");
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(text.contains("stretch = 0.9"), "{text}");
    for page in [&browser, &other] {
        page.until(
            "document.querySelector('.develop [role=status]').textContent.includes('This is the built')",
        );
        settled(page);
        assert_eq!(
            page.run("return document.querySelector('[data-live=stretch] input').value"),
            "0.9"
        );
    }
    assert_eq!(browser.run(place), at, "the place is lost by a build");
    // What is shown is what was written.
    let about = get(&served, "/develop");
    let (_, seen) = pixels(&post(&served, "/develop/view", &whole(&about, &about["kept"])));
    let worst = written(&night)
        .iter()
        .zip(&seen)
        .map(|(w, s)| (0..3).map(|c| w[c].abs_diff(s[c])).max())
        .max();
    assert!(worst <= Some(Some(1)), "{worst:?}");
}

#[test]
fn two_pages_do_not_write_over_each_other() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let keep = |was: &str, value: &str| {
        post(
            &served,
            "/develop/keep",
            &json!({ "changed": { "stretch": { "was": was, "value": value } } }),
        )
    };
    assert_eq!(keep("0.5", "0.6").status, 200);
    let late = keep("0.5", "0.7");
    assert_eq!(late.status, 409, "{}", late.text());
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(text.contains("stretch = 0.6"), "{text}");
    // Two at once, one of which cannot be: neither is kept.
    let both = json!({ "changed": { "gradient": { "was": "0.7", "value": "0.1" }, "tint": { "was": "0", "value": "99" } } });
    assert_eq!(post(&served, "/develop/keep", &both).status, 422);
    assert_eq!(
        fs::read_to_string(night.join("outing.toml")).expect("a plan"),
        text
    );
}

#[test]
fn the_desk_is_red_in_red_and_fits_a_phone() {
    let temp = Night::get().few_built();
    let served = Served::at(&temp.night());
    let browser = Browser::start(1100, 900);
    browser.go(&served.url("/"));
    browser.wear_red();
    opened(&browser, &served);
    slide(&browser, "stretch", "1");
    browser.run("document.querySelector('[data-marks]').click()");
    settled(&browser);
    for (width, height) in [(360, 740), (1440, 900), (2560, 1440)] {
        browser.size(width, height);
        settled(&browser);
        let worst = browser.worst();
        assert!(
            worst[0] <= 200 && worst[1] <= 8 && worst[2] <= 8,
            "{width} px: {worst:?}"
        );
        let beyond = browser.run("return document.documentElement.scrollWidth - innerWidth");
        assert!(
            beyond.as_i64().is_some_and(|px| px <= 0),
            "{beyond} px too wide at {width}"
        );
        let share = browser.run("const b = document.querySelector('nl-viewer canvas').getBoundingClientRect(); return b.top >= 0 && b.bottom <= innerHeight ? (b.width * b.height) / (innerWidth * innerHeight) : 0");
        assert!(
            share.as_f64().is_some_and(|s| s > 0.4),
            "{width} px: the picture has {share} of the window"
        );
    }
    let faults = crate::access::faults(&browser, crate::access::RED);
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn a_picture_is_given_away_at_the_size_asked_for_and_nothing_is_overwritten() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let about = get(&served, "/develop");
    let asked = |kind: &str, long: Value, crop: Value| {
        let mut body = whole(&about, &about["kept"]);
        body["kind"] = json!(kind);
        body["long_px"] = long;
        body["sharpen"] = json!(0.0);
        body["crop"] = crop;
        post(&served, "/export", &body)
    };
    let told = |answer: Answer| -> Value {
        assert_eq!(answer.status, 200, "{}", answer.text());
        serde_json::from_slice(&answer.body).expect("JSON")
    };
    // The whole picture in 16 bits is what the build wrote.
    let full = told(asked("tiff", Value::Null, Value::Null));
    assert_eq!(full["name"], "export-full.tif");
    let read = |path: &Path| {
        let file = fs::File::open(path).expect("a picture");
        let mut tiff = Decoder::new(std::io::BufReader::new(file)).expect("a TIFF");
        match tiff.read_image().expect("pixels") {
            DecodingResult::U16(values) => values,
            _ => panic!("not 16-bit"),
        }
    };
    let (ours, built) = (
        read(&night.join("picture/export-full.tif")),
        read(&night.join("picture/picture.tif")),
    );
    assert_eq!(ours.len(), built.len());
    let worst = ours.iter().zip(&built).map(|(a, b)| a.abs_diff(*b)).max();
    println!("exported against built: {worst:?} of 65535");
    // A level of 255 is 257 of 65535.
    assert!(worst <= Some(128), "{worst:?}");
    // Reduced, cropped, in other kinds; the second of a name stands beside the first.
    let small = told(asked("png", json!(300), json!([100, 50, 500, 350])));
    assert_eq!([&small["width_px"], &small["height_px"]], [300, 225]);
    let file = fs::File::open(night.join("picture/export-300.png")).expect("a PNG");
    let reader = png::Decoder::new(std::io::BufReader::new(file))
        .read_info()
        .expect("a head");
    assert_eq!((reader.info().width, reader.info().height), (300, 225));
    let again = told(asked("png", json!(300), Value::Null));
    assert_eq!(again["name"], "export-300-2.png");
    let jpeg = told(asked("jpeg", json!(200), Value::Null));
    let host = format!("127.0.0.1:{}", served.port);
    let path = format!("/export/file?name={}", jpeg["name"].as_str().expect("a name"));
    let answer = exchange(served.port, "GET", &path, &[("Host", &host)], "");
    let head = answer.head.to_ascii_lowercase();
    assert!(head.contains("content-disposition: attachment"), "{head}");
    // ITU-T T.81, annex B.
    assert!(answer.body.starts_with(&[0xff, 0xd8, 0xff]), "no JPEG");
    for name in ["picture.tif", "export-../outing.toml", "export-9.jpg", ""] {
        let path = format!("/export/file?name={name}");
        let answer = exchange(served.port, "GET", &path, &[("Host", &host)], "");
        assert_eq!(answer.status, 404, "{name}");
    }
    // What cannot be is a sentence.
    for (long, crop, part) in [
        (json!(3), Value::Null, "from 16"),
        (json!(300), json!([0, 0, 9000, 10]), "inside the picture"),
        (json!(300), json!([20, 0, 10, 10]), "inside the picture"),
    ] {
        let answer = asked("png", long, crop);
        assert_eq!(answer.status, 422, "{}", answer.text());
        assert!(answer.text().contains(part), "{}", answer.text());
    }
    // Exports are no frames.
    let frames = exchange(served.port, "GET", "/frames", &[("Host", &host)], "").text();
    assert!(!frames.contains("export-"));
}

#[test]
fn finished_pictures_are_kept_compared_and_brought_back() {
    let temp = Night::get().few_built();
    let night = temp.night();
    plan(&night, "stretch = 0.8\nsaturation = 1.4\n");
    built(&night);
    let served = Served::at(&night);
    let all = get(&served, "/versions");
    assert_eq!(all.as_array().expect("a list").len(), 2);
    assert_eq!((&all[0]["number"], &all[1]["number"]), (&json!(2), &json!(1)));
    let changed = all[0]["changed"].as_str().expect("words");
    assert!(changed.contains("Saturation 1.0 → 1.4"), "{changed}");
    assert!(changed.contains("Dark tones lifted 0.5 → 0.8"), "{changed}");
    // Building again what is built makes no version.
    built(&night);
    assert_eq!(get(&served, "/versions").as_array().expect("a list").len(), 2);
    let browser = Browser::start(1400, 900);
    opened(&browser, &served);
    browser.until("document.querySelectorAll('.versions li').length === 2");
    browser.run(
        "document.querySelector('.versions').open = true;
         document.querySelector('.versions li[data-number=\"1\"] button').click()",
    );
    browser.until(
        "((v) => v.before?.name === 'version/1' && v.before.ready)(document.querySelector('nl-viewer'))",
    );
    settled(&browser);
    let before = browser.screen();
    // The divider is dragged on the picture itself.
    let at = browser.run(
        "const v = document.querySelector('nl-viewer'), b = v.canvas.getBoundingClientRect();
         return [Math.round(b.left + b.width * v.split), Math.round(b.top + b.height / 3)]",
    );
    let at = [at[0].as_i64().expect("x"), at[1].as_i64().expect("y")];
    browser.drag(at, [-200, 0], 10);
    let split = browser.run("return document.querySelector('nl-viewer').split");
    assert!(split.as_f64().is_some_and(|s| s < 0.4), "{split}");
    assert!(browser.screen() != before, "the divider moves nothing");
    // Brought back as settings in hand, which can be taken back too.
    browser.run("document.querySelector('.versions li[data-number=\"1\"] button:nth-of-type(2)').click()");
    settled(&browser);
    let said = said(&browser);
    assert!(
        said.contains("Dark tones lifted") && said.contains("Saturation"),
        "{said}"
    );
    let faults = crate::access::faults(&browser, crate::access::DAY);
    assert!(faults.is_empty(), "{faults:#?}");
}

#[test]
fn a_crop_is_drawn_by_hand_in_a_proportion_and_built() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1400, 900);
    opened(&browser, &served);
    browser.run(
        "document.querySelector('.crop').open = true;
         const put = (name, value) => {
           const s = document.querySelector(`.crop [name=${name}]`);
           s.value = value;
           s.dispatchEvent(new Event('change', { bubbles: true }));
         };
         put('shape', '1.5');
         put('how', 'hand')",
    );
    let frame = "return document.querySelector('nl-viewer').develop.frame";
    let corner = browser.run(&format!("{frame}.onScreen()"));
    let origin = browser.run(
        "const v = document.querySelector('nl-viewer'), b = v.canvas.getBoundingClientRect();
         return [b.left, b.top, b.width / v.canvas.width]",
    );
    let f = |v: &Value| v.as_f64().expect("a number");
    let at: [i64; 2] =
        std::array::from_fn(|i| (f(&origin[i]) + f(&corner[i]) * f(&origin[2])).round() as i64);
    let before = browser.run(&format!("{frame}.box"));
    browser.drag(at, [60, 40], 10);
    let after = browser.run(&format!("{frame}.box"));
    assert!(f(&after[0]) > f(&before[0]) + 20.0, "{before} {after}");
    let ratio = (f(&after[2]) - f(&after[0])) / (f(&after[3]) - f(&after[1]));
    assert!((ratio - 1.5).abs() < 0.02, "{after}");
    assert!(said(&browser).contains("Frame"), "{}", said(&browser));
    browser.run("document.querySelector('[data-do=start]').click()");
    browser.until("document.querySelector('nl-build').dataset.ended === 'made'");
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(text.contains("crop = ["), "{text}");
    let about = get(&served, "/develop");
    assert_eq!(about["crop_px"], after);
    assert_eq!(f(&about["width_px"]), f(&after[2]) - f(&after[0]));
}

#[test]
fn frames_stand_in_time_with_the_builds_verdict_and_can_be_left_out() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1400, 900);
    browser.go(&served.url("/frames"));
    browser.until("document.querySelector('.sheet li .say')");
    let names =
        browser.run("return [...document.querySelectorAll('ul.sheet > li')].map((li) => li.dataset.name)");
    // The tracked frames were taken before the land; by name the land would come first.
    assert_eq!(names[0], "sky/OWL_4101.dng");
    assert_eq!(names[5], "land/OWL_4114.dng");
    let words = browser.run("return document.querySelector('ul.sheet > li .built').textContent");
    assert!(
        words.as_str().is_some_and(|w| w.contains("In the picture")),
        "{words}"
    );
    browser.run(
        "const s = document.querySelector('ul.sheet > li:nth-child(2) [name=use]');
         s.value = 'false';
         s.dispatchEvent(new Event('change', { bubbles: true }))",
    );
    browser.until(
        "document.querySelector('ul.sheet > li:nth-child(2) .say .said').textContent.includes('Kept')",
    );
    let text = fs::read_to_string(night.join("outing.toml")).expect("a plan");
    assert!(text.contains("\"sky/OWL_4102.dng\" = { use = false }"), "{text}");
    // Said from an old page, it is refused; of no frame of this outing, too.
    let say = |name: &str| {
        let body = json!({ "name": name, "was": ["", ""], "role": "land", "used": "" });
        post(&served, "/frames/say", &body).status
    };
    assert_eq!(say("sky/OWL_4102.dng"), 409);
    assert_eq!(say("../x.dng"), 404);
    let report = built(&night);
    let frames = report["frames"].as_array().expect("frames");
    let out = frames.iter().find(|f| f["path"] == "sky/OWL_4102.dng");
    assert_eq!(out.map(|f| &f["used"]), Some(&json!(false)));
    browser.go(&served.url("/frames"));
    browser.until("document.querySelector('li[data-out]')");
    let faults = crate::access::faults(&browser, crate::access::DAY);
    assert!(faults.is_empty(), "{faults:#?}");
    // Closely: the next frame at the same place, and the one beside it in its stead.
    browser.go(&served.url("/frames/look?name=sky/OWL_4103.dng"));
    browser.until("document.querySelector('nl-viewer').about");
    browser.run("const v = document.querySelector('nl-viewer'); v.act('full'); v.centre([200, 150])");
    let place = "const v = document.querySelector('nl-viewer'); return [v.scale, v.left, v.top]";
    let at = browser.run(place);
    browser.run("document.querySelector('[data-go=after]').click()");
    browser.until("location.search.includes('OWL_4104') && document.querySelector('nl-viewer')?.about");
    assert_eq!(browser.run(place), at);
    browser.run("document.querySelector('button[data-do=blink]').click()");
    browser.until(
        "((v) => v.base.name === 'sky/OWL_4103.dng' && v.base.ready)(document.querySelector('nl-viewer'))",
    );
}

#[test]
fn a_build_by_a_command_is_seen_on_an_open_page_with_layers_and_without() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1000, 800);
    opened(&browser, &served);
    let before = browser.screen();
    plan(&night, "stretch = 0.95\n");
    built(&night);
    browser.until("document.querySelector('nl-viewer').develop.values.stretch === '0.95'");
    browser
        .until("document.querySelector('.develop [role=status]').textContent.includes('This is the built')");
    settled(&browser);
    assert!(browser.screen() != before, "the old picture is shown");
    // As an older build left it: no layers, the picture as it was written.
    for entry in fs::read_dir(night.join(".nightloom/files"))
        .expect("work files")
        .flatten()
    {
        if entry.file_name().to_string_lossy().starts_with("develop-") {
            fs::remove_file(entry.path()).expect("removed");
        }
    }
    browser.go(&served.url("/picture"));
    browser.until("((v) => v?.about && !v.develop && v.base.settled && v.base.ready)(document.querySelector('nl-viewer'))");
    let version = "return document.querySelector('nl-viewer').base.about.version";
    let (old, before) = (browser.run(version), browser.screen());
    plan(&night, "stretch = 0.2\n");
    built(&night);
    browser.until(&format!(
        "((v) => v.renewed && v.base.about.version !== {old} && v.base.settled)(document.querySelector('nl-viewer'))"
    ));
    browser.run(
        "return new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))",
    );
    assert!(browser.screen() != before, "the old picture is shown");
    // A tile of the old content is refused, and one of the new may be kept for good.
    let host = format!("127.0.0.1:{}", served.port);
    let tile = |version: &Value| {
        let version = version.as_str().expect("a version");
        let path = format!("/pixels/tile?name=picture/picture.tif&version={version}&look=day");
        exchange(served.port, "GET", &path, &[("Host", &host)], "")
    };
    assert_eq!(tile(&old).status, 409);
    let new = tile(&browser.run(version));
    assert_eq!(new.status, 200);
    assert!(
        new.head.to_ascii_lowercase().contains("immutable"),
        "{}",
        new.head
    );
}
