//! Hints for the edge, brushed in a real browser; the viewer's layers; the build run from its page.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use tiff::decoder::{Decoder, DecodingResult};

use crate::browser::{Answer, Browser, Served, exchange};
use crate::night::{Night, Temp, built};

/// The picture page with the edge ready to be brushed.
fn brushing(browser: &Browser, served: &Served, brush: &str) {
    browser.go(&served.url("/picture"));
    browser.until(
        "document.querySelector('nl-viewer')?.about && document.querySelector('nl-viewer').brush?.version",
    );
    browser.run(&format!(
        "document.querySelector('[name=brush][value={brush}]').click();
         document.querySelector('nl-viewer canvas').scrollIntoView({{ block: 'center', behavior: 'instant' }})"
    ));
    browser.until("document.querySelector('nl-viewer').brush.ready && document.querySelector('nl-viewer').matte?.settled");
}

/// Where a pixel of the picture is on the page.
fn on_page(browser: &Browser, [x, y]: [i64; 2]) -> [i64; 2] {
    let at = browser.run(&format!(
        "const v = document.querySelector('nl-viewer'), box = v.canvas.getBoundingClientRect();
         const [x, y] = v.onScreen([{x}, {y}]), k = box.width / v.canvas.width;
         return [Math.round(box.left + x * k), Math.round(box.top + y * k)]"
    ));
    [at[0].as_i64().expect("x"), at[1].as_i64().expect("y")]
}

fn answered(browser: &Browser) -> f64 {
    browser.until("document.querySelector('.brush').dataset.answered");
    let ms = browser.run("const p = document.querySelector('.brush'), ms = Number(p.dataset.answered); delete p.dataset.answered; return ms");
    ms.as_f64().expect("a number")
}

/// The matte as the program shows it, with the strokes or without any, row by row.
fn matte(served: &Served, version: &str, [width, height]: [usize; 2]) -> Vec<u8> {
    const SIDE: usize = 512;
    let mut whole = vec![0; width * height];
    for (x0, y0) in (0..height)
        .step_by(SIDE)
        .flat_map(|y| (0..width).step_by(SIDE).map(move |x| (x, y)))
    {
        let (x, y) = (x0 / SIDE, y0 / SIDE);
        let answer = get(
            served,
            &format!("/hints/matte?level=0&x={x}&y={y}&version={version}"),
        );
        assert_eq!(answer.status, 200, "{}", answer.text());
        let (w, h) = (SIDE.min(width - x0), SIDE.min(height - y0));
        assert_eq!(answer.body.len(), (w + 1) * (h + 1), "a tile with its neighbours");
        for (j, row) in answer.body.chunks_exact(w + 1).take(h).enumerate() {
            whole[(y0 + j) * width + x0..][..w].copy_from_slice(&row[..w]);
        }
    }
    whole
}

fn get(served: &Served, path: &str) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    exchange(served.port, "GET", path, &[("Host", &host)], "")
}

fn post(served: &Served, path: &str, body: &Value) -> Answer {
    let host = format!("127.0.0.1:{}", served.port);
    let origin = format!("http://{host}");
    let headers = [
        ("Host", host.as_str()),
        ("Origin", &origin),
        ("Content-Type", "application/json"),
    ];
    exchange(served.port, "POST", path, &headers, &body.to_string())
}

fn matte_file(night: &Path) -> (usize, Vec<u16>) {
    let file = fs::File::open(night.join("picture/matte.tif")).expect("a matte");
    let mut tiff = Decoder::new(std::io::BufReader::new(file)).expect("a TIFF");
    let (width, _) = tiff.dimensions().expect("its size");
    let DecodingResult::U16(values) = tiff.read_image().expect("pixels") else {
        panic!("the matte is not 16-bit")
    };
    (width as usize, values)
}

/// A place deep in the land of the small night, and how far the stroke goes.
fn deep_land(night: &Path) -> ([i64; 2], i64) {
    let (width, values) = matte_file(night);
    let height = values.len() / width;
    let y = height - height / 12;
    assert!(
        (0..width).all(|x| values[y * width + x] == 0),
        "the night's lower part is land"
    );
    ([width as i64 / 3, y as i64], width as i64 / 4)
}

#[test]
fn a_stroke_changes_the_matte_at_once_and_undo_brings_it_back() {
    let temp: Temp = Night::get().few_built();
    let night = temp.night();
    let before_file = matte_file(&night);
    let (from, by) = deep_land(&night);
    let served = Served::at(&night);
    let browser = Browser::start(1280, 1000);
    brushing(&browser, &served, "sky");
    let size = [before_file.0, before_file.1.len() / before_file.0];
    let untouched = matte(&served, "none", size);
    let middle = from[1] as usize * size[0] + (from[0] + by / 2) as usize;
    assert_eq!(untouched[middle], 0);
    let seen = browser.screen();
    let start = on_page(&browser, from);
    let end = on_page(&browser, [from[0] + by, from[1]]);
    browser.drag(start, [end[0] - start[0], end[1] - start[1]], 20);
    let ms = answered(&browser);
    println!("matte in view solved again and shown after {ms} ms");
    let with_stroke = matte(&served, "now", size);
    assert_eq!(with_stroke[middle], 255, "under the stroke is sky");
    assert_ne!(browser.screen(), seen, "nothing is to be seen of it");
    let text = fs::read_to_string(night.join("hints.toml")).expect("kept");
    assert!(
        text.contains("is = \"sky\"") && text.matches("[[stroke]]").count() == 1,
        "{text}"
    );

    browser.run("document.querySelector('[data-hint=undo]').click()");
    answered(&browser);
    assert!(!night.join("hints.toml").exists());
    assert!(
        matte(&served, "now", size) == untouched,
        "undo does not bring the old matte back"
    );
    // Again, by keys on the picture.
    browser.run("document.querySelector('nl-viewer canvas').focus()");
    browser.run("document.querySelector('nl-viewer canvas').dispatchEvent(new KeyboardEvent('keydown', { key: 'r', bubbles: true }))");
    answered(&browser);
    assert!(matte(&served, "now", size) == with_stroke, "done again");

    // A page loaded anew and a program started anew know it still.
    browser.run("location.reload()");
    browser.until("document.querySelector('nl-viewer')?.brush?.strokes.length === 1");
    drop(served);
    let served = Served::at(&night);
    brushing(&browser, &served, "land");
    browser.until("document.querySelector('nl-viewer').brush.strokes.length === 1");
    assert!(matte(&served, "now", size) == with_stroke);
    drop(served);

    // The next build follows it, and changes nothing far away.
    built(&night);
    let (width, after) = matte_file(&night);
    let at = |x: i64, y: i64| after[y as usize * width + x as usize];
    assert!(
        (from[0]..from[0] + by).all(|x| at(x, from[1]) == u16::MAX),
        "the build's matte does not follow"
    );
    let far = from[1] as usize / 2;
    assert!(
        after[..far * width] == before_file.1[..far * width],
        "far from the stroke"
    );
    let byte = |v: u16| (u32::from(v) * 255 / 65535) as u8;
    let differs = with_stroke.iter().zip(&after).map(|(a, b)| a.abs_diff(byte(*b)));
    assert!(
        differs.max() <= Some(1),
        "the page showed another matte than the build made"
    );
}

#[test]
fn two_pages_brush_on_the_same_strokes_and_nonsense_is_refused() {
    let temp = Night::get().few_built();
    let night = temp.night();
    let (from, by) = deep_land(&night);
    let served = Served::at(&night);
    let (one, two) = (Browser::start(1000, 900), Browser::start(1000, 900));
    brushing(&one, &served, "sky");
    brushing(&two, &served, "land");
    let version = one.run("return document.querySelector('nl-viewer').brush.version");
    let start = on_page(&one, from);
    let end = on_page(&one, [from[0] + by, from[1]]);
    one.drag(start, [end[0] - start[0], end[1] - start[1]], 10);
    answered(&one);
    two.until("document.querySelector('nl-viewer').brush.strokes.length === 1");
    // One that missed it does not write over it.
    let stroke =
        |radius: f64, at: f64| json!({ "is": "land", "radius_px": radius, "points_px": [[at, 10.0]] });
    let late = post(
        &served,
        "/hints",
        &json!({ "was": version, "strokes": [stroke(3.0, 10.0)] }),
    );
    assert_eq!(late.status, 409, "{}", late.text());
    let now: Value = serde_json::from_slice(&get(&served, "/hints").body).expect("JSON");
    for (strokes, status, part) in [
        (json!([stroke(0.0, 10.0)]), 422, "radius_px"),
        (json!([stroke(3.0, 1e9)]), 422, "land frame"),
        (json!(vec![stroke(3.0, 10.0); 1001]), 422, "1001 strokes"),
        (
            json!([{ "is": "water", "radius_px": 3, "points_px": [[1, 2]] }]),
            422,
            "water",
        ),
    ] {
        let answer = post(
            &served,
            "/hints",
            &json!({ "was": now["version"], "strokes": strokes }),
        );
        assert_eq!(answer.status, status, "{}", answer.text());
        assert!(answer.text().contains(part), "{}", answer.text());
    }
    let host = format!("127.0.0.1:{}", served.port);
    let foreign = [
        ("Host", host.as_str()),
        ("Origin", "http://evil.example"),
        ("Content-Type", "application/json"),
    ];
    let body = json!({ "was": now["version"], "strokes": [] }).to_string();
    assert_eq!(
        exchange(served.port, "POST", "/hints", &foreign, &body).status,
        403
    );
    let again: Value = serde_json::from_slice(&get(&served, "/hints").body).expect("JSON");
    assert_eq!(again, now, "something refused was kept");
}

#[test]
fn the_picture_is_made_from_its_page_stopped_and_made_to_the_end() {
    let temp = Night::get().few_frames();
    let night = temp.night();
    let served = Served::at(&night);
    let browser = Browser::start(1000, 900);
    browser.go(&served.url("/picture"));
    browser.until("document.querySelector('nl-build').start");
    browser.run("document.querySelector('[data-do=start]').click()");
    browser.until("document.querySelector('nl-build progress').value > 0.05");
    browser.run("document.querySelector('[data-do=stop]').click()");
    browser.until("document.querySelector('nl-build').dataset.ended === 'not-made'");
    let said = browser.run("return document.querySelector('nl-build [role=status]').textContent");
    assert!(said.as_str().is_some_and(|s| s.contains("Stopped")), "{said}");
    assert!(!night.join("picture/picture.tif").exists());
    browser.run("document.querySelector('[data-do=start]').click()");
    // What is kept takes no time, so that this may be over between two looks.
    browser.until(
        "document.querySelector('nl-build progress')?.value > 0.3 || document.querySelector('nl-viewer')?.about",
    );
    browser.until("document.querySelector('nl-viewer')?.about");
    assert!(night.join("picture/picture.tif").exists());
    // What was finished before the stop was not done again.
    let journal = fs::read_to_string(night.join(".nightloom/journal.jsonl")).expect("a journal");
    let lines: Vec<Value> = journal
        .lines()
        .map(|l| serde_json::from_str(l).expect("an entry"))
        .collect();
    let mut keys: Vec<String> = lines
        .iter()
        .map(|l| format!("{} {}", l["step"], l["key"]))
        .collect();
    let all = keys.len();
    keys.sort();
    keys.dedup();
    assert_eq!(keys.len(), all, "a step was done twice");
}

#[test]
fn layers_go_on_and_off_and_red_stays_red() {
    let temp = Night::get().few_built();
    let served = Served::at(&temp.night());
    let browser = Browser::start(1100, 1000);
    browser.go(&served.url("/"));
    browser.wear_red();
    brushing(&browser, &served, "sky");
    let start = on_page(&browser, deep_land(&temp.night()).0);
    browser.drag(start, [60, 4], 10);
    answered(&browser);
    let tick = |what: &str| browser.run(&format!("document.querySelector('[data-over={what}]').click()"));
    let settled = |browser: &Browser| {
        browser.until("((v) => v.matte.settled && [v.base, v.before].every((t) => !t || t.ready))(document.querySelector('nl-viewer'))");
        browser.run(
            "return new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))",
        );
    };
    let mut seen = Vec::new();
    for what in ["", "matte", "line", "land", "sky", "land", "before"] {
        if !what.is_empty() {
            tick(what);
        }
        settled(&browser);
        let screen = browser.screen();
        let worst = screen
            .iter()
            .fold([0; 3], |w, p| [w[0].max(p[0]), w[1].max(p[1]), w[2].max(p[2])]);
        assert!(
            worst[0] <= 200 && worst[1] <= 8 && worst[2] <= 8,
            "{what}: {worst:?}"
        );
        assert!(!seen.contains(&screen), "{what} changes nothing");
        seen.push(screen);
    }
    let faults = crate::access::faults(&browser, crate::access::RED);
    assert!(faults.is_empty(), "{faults:#?}");
    browser.size(360, 740);
    let beyond = browser.run("return document.documentElement.scrollWidth - innerWidth");
    assert!(beyond.as_i64().is_some_and(|px| px <= 0), "{beyond} px too wide");
}
