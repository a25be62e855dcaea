//! The frames' page while frames land.

use std::fs;

use nightloom_simulate::Counts;

use crate::axis::{frames, scenario};
use crate::browser::{Browser, Served};

#[test]
fn a_frame_that_lands_is_judged_on_the_open_page() {
    let temp = tempfile::tempdir().expect("a folder");
    let mut night = scenario(45.4, [0.0, 0.0]);
    night.counts = Counts {
        sky: 5,
        ..night.counts
    };
    let card = frames(&night, &temp.path().join("card"));
    let folder = temp.path().join("outing");
    fs::create_dir_all(folder.join("sky")).expect("a folder");
    fs::write(
        folder.join("outing.toml"),
        "[site]\nlatitude_deg = 45.4\nlongitude_deg = 24.1\n",
    )
    .expect("written");
    let to = |n: usize| folder.join("sky").join(card[n].file_name().expect("a name"));
    for (n, frame) in card.iter().enumerate().take(4) {
        fs::copy(frame, to(n)).expect("copied");
    }
    let served = Served::at(&folder);
    let browser = Browser::start(1100, 900);
    browser.go(&served.url("/frames"));
    browser.until("document.querySelectorAll('nl-verdict strong').length === 4");
    browser.run("window.same = true");
    // Let the first look into the folder pass.
    browser.until("document.querySelector('.course li')");
    fs::copy(&card[4], to(4)).expect("copied");
    browser.until("document.querySelectorAll('nl-verdict strong').length === 5");
    browser.until("document.querySelector('.course strong').textContent.includes('5 frames')");
    let name = browser.run("return document.querySelector('li[data-new] a span').textContent");
    assert_eq!(name, format!("sky/{}", card[4].file_name().unwrap().display()));
    assert_eq!(browser.run("return [...document.querySelectorAll('.sheet li')].indexOf(document.querySelector('li[data-new]'))"), 4);
    assert_eq!(
        browser.run("return window.same"),
        true,
        "the page was loaded anew"
    );
    let course = browser.run("return document.querySelector('.course').innerText");
    println!("{course}");
    // News that were missed are caught up with.
    browser.run(
        "document.querySelector('.sheet li').remove(); document.dispatchEvent(new CustomEvent('missed'))",
    );
    browser.until("document.querySelectorAll('.sheet li').length === 5");
    fs::remove_file(to(0)).expect("removed");
    browser.until("document.querySelectorAll('.sheet li').length === 4");
    // An editor's change of outing.toml is followed too.
    let settings = Browser::start(1000, 800);
    settings.go(&served.url("/settings"));
    fs::write(
        folder.join("outing.toml"),
        "[site]\nlatitude_deg = 45.4\nlongitude_deg = 24.1\nelevation_m = 812.0\n",
    )
    .expect("written");
    settings.until("document.getElementById('site.elevation_m').value === '812.0'");
}
