//! Frames dropped on the pole's page that are not in the outing.
#![cfg(unix)]

use std::fs;
use std::path::{Path, PathBuf};

use crate::axis::{by_the_words, frames, scenario};
use crate::browser::{Browser, Served, exchange_at, key_of};

fn outing(folder: &Path) {
    fs::create_dir_all(folder).expect("a folder");
    let plan = "[site]\nlatitude_deg = 45.4\nlongitude_deg = 24.1\nelevation_m = 300.0\n";
    fs::write(folder.join("outing.toml"), plan).expect("written");
}

/// All files under a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(next) = open.pop() {
        for entry in fs::read_dir(next).expect("readable").flatten() {
            if entry.path().is_dir() {
                open.push(entry.path());
            }
            all.push(entry.path());
        }
    }
    all.sort();
    all
}

/// Up and east: the axis is off by 70′ and −95′, so hands do the opposite.
#[test]
fn chosen_frames_give_the_axis_and_leave_no_trace() {
    let temp = tempfile::tempdir().expect("a folder");
    let [folder, kept] = ["outing", "kept"].map(|n| temp.path().join(n));
    outing(&folder);
    fs::create_dir(&kept).expect("a folder");
    let taken = frames(&scenario(45.4, [70.0, -95.0]), &temp.path().join("card"));
    let before = files(&folder);
    let served = Served::keeping(&folder, &[], &kept);
    let browser = Browser::start(1000, 900);
    browser.go(&served.url("/pole?exposure=600"));
    let by_keys = browser.run("const f = document.getElementById('drop'); f.focus(); return document.activeElement === f && f.labels[0].textContent.length > 0");
    assert_eq!(by_keys, true);
    let taken: Vec<&Path> = taken.iter().map(PathBuf::as_path).collect();
    browser.choose("#drop", &taken);
    browser.until("document.querySelector('.advice, .wrong')");
    let said =
        browser.run("return document.querySelector('#axis [role=status] .advice, #axis .wrong').textContent");
    let [up, east] = by_the_words(said.as_str().expect("words"));
    assert!((up + 70.0).abs() < 8.0 && (east - 95.0).abs() < 8.0, "{said}");
    let listed = browser.run("return document.querySelector('#first option:checked').textContent");
    assert!(
        listed.as_str().is_some_and(|t| t.ends_with("(dropped)")),
        "{listed}"
    );
    assert_eq!(files(&folder), before, "nothing goes into the outing");
    assert!(
        files(&kept)
            .iter()
            .filter(|p| p.extension().is_some_and(|e| e == "dng"))
            .count()
            == 2
    );
    // The page from before finds them still; forgotten, they are gone.
    browser.run("document.querySelector('form[action=\"/dropped/clear\"] button').click()");
    browser.until("!document.querySelector('form[action=\"/dropped/clear\"]')");
    assert!(
        !files(&kept)
            .iter()
            .any(|p| p.extension().is_some_and(|e| e == "dng"))
    );
    browser.choose("#drop", &taken[..1]);
    browser.until("document.querySelector('form[action=\"/dropped/clear\"]')");
    drop(browser);
    served.interrupt();
    let left: Vec<PathBuf> = files(&kept)
        .into_iter()
        .filter(|p| p.display().to_string().contains("nightloom-dropped"))
        .collect();
    assert_eq!(left, Vec::<PathBuf>::new());
}

#[test]
fn what_is_no_frame_is_told_and_its_name_is_text() {
    let temp = tempfile::tempdir().expect("a folder");
    outing(temp.path());
    let served = Served::at(temp.path());
    let browser = Browser::start(1000, 900);
    browser.go(&served.url("/pole"));
    browser.run(
        "const data = new DataTransfer();
        data.items.add(new File(['no frame'], '<img src=x onerror=window.hit=1>.dng'));
        document.querySelector('nl-drop').dispatchEvent(new DragEvent('drop', { dataTransfer: data, bubbles: true }));",
    );
    browser.until("document.querySelector('#axis .wrong')");
    let named = browser.run("return document.querySelector('#first option:checked').textContent");
    assert!(
        named.as_str().is_some_and(|t| t.contains("<img src=x")),
        "{named}"
    );
    assert_eq!(browser.run("return window.hit ?? 0"), 0);
}

#[test]
fn too_much_is_refused() {
    let temp = tempfile::tempdir().expect("a folder");
    outing(temp.path());
    let served = Served::at(temp.path());
    let at = format!("127.0.0.1:{}", served.port);
    let origin = format!("http://{at}");
    let send = |name: &str| {
        let headers = [("Host", at.as_str()), ("Origin", &origin)];
        exchange_at(&at, "POST", &format!("/dropped?name={name}"), &headers, b"x")
    };
    for n in 1..=12 {
        let path = format!("..%2F..%2F{n}.dng");
        assert_eq!(send(&path).status, 200, "{n}");
    }
    let one_more = send("13.dng");
    assert_eq!(one_more.status, 409);
    assert!(one_more.text().contains("12"), "{}", one_more.text());
    let elsewhere = exchange_at(
        &at,
        "POST",
        "/dropped?name=a.dng",
        &[("Host", &at), ("Origin", "http://evil.example")],
        b"x",
    );
    assert_eq!(elsewhere.status, 403);
    // Only the head is sent: who says it will be too much is not listened to.
    use std::io::{Read, Write};
    let mut stream = std::net::TcpStream::connect(&at).expect("it listens");
    let (bytes, key) = ((200u64 << 20) + 1, key_of(served.port));
    write!(stream, "POST /dropped?name=b.dng HTTP/1.1\r\nHost: {at}\r\nOrigin: {origin}\r\nCookie: {key}\r\nContent-Length: {bytes}\r\n\r\n").expect("sent");
    let mut head = [0; 64];
    let read = stream.read(&mut head).expect("an answer");
    assert!(
        head[..read].starts_with(b"HTTP/1.1 413"),
        "{}",
        String::from_utf8_lossy(&head)
    );
}
