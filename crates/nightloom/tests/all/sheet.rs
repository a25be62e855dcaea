//! The field sheet, made as a person makes it. Its figures are those of `night`, `shots` and `pole`; their own tests
//! hold those.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

/// Its own tests check it against NIST's vectors.
#[path = "../../src/sheet/digest.rs"]
mod digest;
#[path = "../../src/sheet/pdf/widths.rs"]
mod widths;

const NAME: &str = "Owlstone Ridge under the Northern Cross";
const FIELD: &[&str] = &[
    "--sky-exposure",
    "90s f/2.8 ISO800",
    "--land-exposure",
    "f/4 ISO400",
];

/// A folder with an outing in it, removed at the end.
struct Folder(PathBuf);

impl Folder {
    fn new(test: &str, name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("nightloom-sheet-{test}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).unwrap();
        let name = toml_edit::Value::from(name);
        let text = format!(
            "[outing]\nname = {name}\nevening = 2024-11-20\nsubject = \"Deneb\"\n[site]\nlatitude_deg = 45.42\nlongitude_deg = 24.10\nelevation_m = 1240.0\nzone = \"Europe/Bucharest\"\n"
        );
        fs::write(path.join("outing.toml"), text).unwrap();
        Self(path)
    }

    fn page(&self) -> String {
        fs::read_to_string(self.0.join("field-sheet.html")).unwrap()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn run(command: &str, folder: &Path, args: &[&[&str]]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .arg(command)
        .arg(folder)
        .args(args.concat())
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The answer in JSON, which must be a yes.
fn json(output: &Output) -> Value {
    assert_eq!(output.status.code(), Some(0), "{}", said(output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// What stands between the first `open` and the next `close`.
fn between<'a>(text: &'a str, open: &str, close: &str) -> &'a str {
    let from = text.find(open).unwrap_or_else(|| panic!("no {open}")) + open.len();
    let long = text[from..].find(close).unwrap_or_else(|| panic!("no {close}"));
    &text[from..from + long]
}

/// What the page gives its script.
fn data(page: &str) -> Value {
    serde_json::from_str(between(
        page,
        "<script type=\"application/json\" id=\"data\">",
        "</script>",
    ))
    .unwrap()
}

fn ms(time: &Value) -> i64 {
    let at: jiff::Timestamp = time.as_str().unwrap().parse().unwrap();
    at.as_millisecond()
}

#[test]
fn the_page_is_small_and_needs_nothing_else() {
    let folder = Folder::new("alone", NAME);
    let told = json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let page = folder.page();
    assert_eq!(told["html"]["bytes"], page.len());
    println!("the page has {} bytes", page.len());
    assert!(page.len() <= 400 * 1024, "{}", page.len());
    let without_meta = page.replace("http-equiv", "");
    for reaching in [
        "http",
        "//cdn",
        "@import",
        "url(",
        "<iframe",
        "<object",
        " src=",
        "fetch(",
        "XMLHttpRequest",
    ] {
        assert!(!without_meta.contains(reaching), "{reaching}");
    }
    // Inline handlers and styles would be blocked by its own policy.
    assert!(!page.contains(" style=") && !page.contains(" onclick="));
}

/// The longest list there can be, with a nudge after every frame.
#[test]
fn a_long_list_still_fits_a_phone() {
    let folder = Folder::new("long-list", NAME);
    let many = [
        "--sky-exposure",
        "10s f/2.8 ISO3200",
        "--sky-frames",
        "2000",
        "--nudge-every",
        "1",
        "--json",
    ];
    let output = run("sheet", &folder.0, &[&many]);
    // It has no room in the night, and says so.
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let steps = told["sheet"]["steps"].as_array().unwrap();
    let sky = steps
        .iter()
        .filter(|s| s["kind"] == "sky")
        .map(|s| s["count"].as_u64().unwrap());
    assert_eq!(sky.sum::<u64>(), 2000);
    assert!(
        steps
            .iter()
            .any(|s| s["note"].as_str().unwrap().contains("after every frame"))
    );
    let page = folder.page();
    println!("{} lines, {} bytes", steps.len(), page.len());
    assert!(page.len() <= 400 * 1024, "{}", page.len());
    let output = run("sheet", &folder.0, &[&many, &["--recheck", "10s"]]);
    assert_eq!(output.status.code(), Some(2), "{}", said(&output));
    assert!(said(&output).contains("fewer re-checks"), "{}", said(&output));
}

#[test]
fn the_policy_names_exactly_what_stands_in_the_page() {
    let folder = Folder::new("policy", NAME);
    json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let page = folder.page();
    let policy = between(&page, "Content-Security-Policy\" content=\"", "\"");
    assert!(policy.starts_with("default-src 'none'"), "{policy}");
    assert!(!policy.contains("unsafe"), "{policy}");
    let style = between(&page, "<style>", "</style>");
    let script = between(&page, "<script>", "</script>");
    for (what, text) in [("style-src", style), ("script-src", script)] {
        let named = format!("{what} '{}'", digest::policy_hash(text));
        assert!(policy.contains(&named), "{named} is not in {policy}");
    }
    assert_eq!(page.matches("<script").count(), 2, "the data and the script");
    assert_eq!(page.matches("<style").count(), 1);
}

#[test]
fn a_hostile_name_is_text() {
    let name = "</title></script><script>alert(1)</script><img src=x onerror=alert(2)>\"'& \u{202e}egdiR";
    let folder = Folder::new("hostile", name);
    json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let page = folder.page();
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"));
    for bad in ["<script>alert", "<img", "\u{202e}"] {
        assert!(!page.contains(bad), "{bad:?}");
    }
    assert_eq!(page.matches("<script").count(), 2);
    let block = between(&page, "id=\"data\">", "</script>");
    assert!(
        !block.contains(['<', '>', '&']),
        "the data could end their element"
    );
    let long = Folder::new("long", &"W".repeat(5000));
    let pdf = long.0.join("long.pdf");
    let out = run(
        "sheet",
        &long.0,
        &[FIELD, &["--json", "--pdf", pdf.to_str().unwrap()]],
    );
    let title = json(&out)["sheet"]["title"].as_str().unwrap().to_owned();
    assert!(title.ends_with('…') && title.chars().count() == 121, "{title}");
    check_paper(&fs::read(pdf).unwrap(), [419.53, 595.28]);
}

#[test]
fn its_times_are_those_of_the_other_commands() {
    let folder = Folder::new("times", NAME);
    let sheet = json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let shots = json(&run("shots", &folder.0, &[FIELD, &["--json"]]));
    let night = json(&run("night", &folder.0, &[&["--json"]]));
    let page = folder.page();
    let data = data(&page);
    let (steps, blocks) = (
        sheet["sheet"]["steps"].as_array().unwrap(),
        shots["blocks"].as_array().unwrap(),
    );
    assert_eq!(steps.len(), blocks.len());
    assert!(steps.len() >= 10, "{}", steps.len());
    for (k, (step, block)) in steps.iter().zip(blocks).enumerate() {
        for key in [
            "kind",
            "from",
            "to",
            "count",
            "exposure_s",
            "f_number",
            "iso",
            "note",
        ] {
            assert_eq!(step[key], block[key], "{k} {key}");
        }
        for key in ["from", "to"] {
            let shown = data["steps"][k][key].as_i64().unwrap();
            assert!((shown - ms(&block[key])).abs() <= 100, "{k} {key}");
        }
        // What waits for the evening's light cannot be put off.
        assert_eq!(data["steps"][k]["moves"], block["kind"] != "land", "{k}");
        // In winter the clocks of Bucharest are two hours ahead (tz database).
        let local = ms(&block["from"]) + 2 * 3_600_000 + 30_000;
        let (h, m) = (local / 3_600_000 % 24, local / 60_000 % 60);
        let row = between(&page, &format!("<li data-step=\"{k}\">"), "</li>");
        assert!(row.contains(&format!("<b>{h:02}:{m:02}</b>")), "{row}");
    }
    let moments = sheet["sheet"]["moments"].as_array().unwrap();
    let (sun, moon, deneb) = (&night["sun"], &night["moon"], &night["subjects"][0]);
    for (words, at) in [
        ("sunset", &sun["sunset"]),
        ("nautical dusk", &sun["nautical_dusk"]),
        ("night, sun below", &sun["astronomical_dusk"]),
        ("first dawn", &sun["astronomical_dawn"]),
        ("sunrise", &sun["sunrise"]),
        ("moonrise", &moon["rises"][0]),
        ("dark: no sun", &night["dark"][0]["from"]),
        ("Deneb up and dark", &deneb["windows"][0]["from"]),
        ("Deneb no longer", &deneb["windows"][0]["to"]),
    ] {
        let found = moments
            .iter()
            .filter(|m| m["words"].as_str().unwrap().starts_with(words));
        let near = found.filter(|m| (ms(&m["at"]) - ms(at)).abs() <= 100);
        assert_eq!(near.count(), 1, "{words} at {at} in {moments:?}");
    }
    assert!(moments.is_sorted_by_key(|m| ms(&m["at"])));
}

/// Between the rows of its table the page goes straight: within 0.01° and 0.01′ of `nightloom pole`, wherever the
/// pole stands 10° high at least.
#[test]
fn the_pole_star_stands_where_the_pole_command_has_it() {
    for (place, lat, lon) in [
        ("north", "45.42", "24.10"),
        ("south", "-33.9", "18.4"),
        ("low", "12.0", "77.6"),
    ] {
        let out = std::env::temp_dir().join(format!("nightloom-sheet-{place}-{}.html", std::process::id()));
        let at_place = ["--lat", lat, "--lon", lon, "--elevation", "500"];
        let args = ["--date", "2026-09-10", "--json", "--out", out.to_str().unwrap()];
        let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
        json(&command.arg("sheet").args(at_place).args(args).output().unwrap());
        let page = fs::read_to_string(&out).unwrap();
        let _ = fs::remove_file(&out);
        let pole = &data(&page)["pole"];
        for minutes in [365.0, 618.5, 904.0] {
            let (angle, off) = interpolated(pole, minutes);
            let at = pole["from"].as_i64().unwrap() + (minutes * 60_000.0) as i64;
            let at = jiff::Timestamp::from_millisecond(at).unwrap().to_string();
            let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
            let told = json(
                &command
                    .arg("pole")
                    .args(at_place)
                    .args(["--at", &at, "--json"])
                    .output()
                    .unwrap(),
            );
            let refracted = &told["refracted"];
            let turn = angle - refracted["clock_angle_deg"].as_f64().unwrap();
            let turn = (turn + 540.0).rem_euclid(360.0) - 180.0;
            let apart = off - refracted["separation_arcmin"].as_f64().unwrap();
            println!("{place} {at}: {turn:.4}° {apart:.4}′");
            assert!(
                turn.abs() < 0.01 && apart.abs() < 0.01,
                "{place} {at}: {turn}° {apart}′"
            );
        }
    }
}

/// As the page's script does it.
fn interpolated(pole: &Value, minutes: f64) -> (f64, f64) {
    let row = minutes * 60_000.0 / pole["every_ms"].as_f64().unwrap();
    let (k, part) = (row.floor() as usize, row.fract());
    let of = |what: &str, k: usize| pole[what][k].as_f64().unwrap();
    let turn = (of("clock_angle_deg", k + 1) - of("clock_angle_deg", k) + 540.0).rem_euclid(360.0) - 180.0;
    let off = of("separation_arcmin", k) * (1.0 - part) + of("separation_arcmin", k + 1) * part;
    ((of("clock_angle_deg", k) + part * turn).rem_euclid(360.0), off)
}

/// Half a pixel of drift at T[s]·X[′]·f[mm]/p[µm] = 23 636, so a whole one in 4 min at 24 mm and 5.95 µm at 49′.
#[test]
fn the_lens_says_how_well_the_axis_must_stand() {
    let folder = Folder::new("axis", NAME);
    let settings = folder.0.join("outing.toml");
    let text = fs::read_to_string(&settings).unwrap() + "[rig]\nfocal_mm = 24.0\npixel_um = 5.95\n";
    let four_minutes = ["--sky-exposure", "4min f/2.8 ISO800", "--json"];
    json(&run("sheet", &folder.0, &[&four_minutes]));
    assert!(!folder.page().contains("need the axis within"));
    fs::write(&settings, text).unwrap();
    json(&run("sheet", &folder.0, &[&four_minutes]));
    let page = folder.page();
    let pole = between(&page, "<section id=\"pole\">", "</section>");
    assert!(
        pole.contains("240 s with this lens need the axis within 49′"),
        "{pole}"
    );
}

#[test]
fn the_ladder_has_the_plan_in_it_and_the_same_light_on_every_rung() {
    let folder = Folder::new("ladder", NAME);
    let sheet = json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let ladders = sheet["sheet"]["ladders"].as_array().unwrap();
    assert_eq!(ladders.len(), 2, "sky and land");
    let rungs = ladders[0]["rungs"].as_array().unwrap();
    let plan = rungs.iter().find(|r| r["stops"] == 0.0).unwrap();
    assert_eq!(plan["settings"]["seconds"], 90.0);
    assert!(rungs.len() >= 6, "{}", rungs.len());
    // EV100 = log2(N²/t) − log2(ISO/100) (ISO 2720); marks are rounded by up to an eighth of a stop.
    let ev = |r: &Value| {
        let s = &r["settings"];
        let [t, n, iso] = ["seconds", "f_number", "iso"].map(|k| s[k].as_f64().unwrap());
        (n * n / t * 100.0 / iso).log2()
    };
    for rung in rungs {
        assert!((ev(rung) - ev(plan)).abs() < 0.25, "{rung}");
    }
    let bare = json(&run("sheet", &folder.0, &[&["--json"]]));
    assert_eq!(bare["sheet"]["ladders"].as_array().unwrap().len(), 0);
    assert!(folder.page().contains("no ladder"));
}

#[test]
fn equal_plans_are_one_sheet_and_others_another() {
    let folder = Folder::new("equal", NAME);
    let id = |args: &[&str]| json(&run("sheet", &folder.0, &[args, &["--json"]]))["sheet"]["id"].clone();
    let (first, page) = (id(FIELD), folder.page());
    assert_eq!(id(FIELD), first);
    assert_eq!(folder.page(), page);
    assert_ne!(id(&["--sky-exposure", "60s f/2.8 ISO800"]), first);
    assert_eq!(first.as_str().unwrap().len(), 16);
}

#[test]
fn cautions_stand_beside_the_instructions() {
    let folder = Folder::new("cautions", NAME);
    json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let page = folder.page();
    let care = between(&page, "<section id=\"care\">", "</section>");
    for part in [
        "Local law",
        "Cold and dark",
        "edge",
        "water",
        "Do not drive tired",
        "never towards aircraft",
    ] {
        assert!(care.contains(part), "{part}");
    }
    // A way without a beam comes first, there and beside the pole star.
    for section in ["care", "pole"] {
        let text = between(&page, &format!("<section id=\"{section}\">"), "</section>");
        let without = text.find("sighting tube").unwrap();
        assert!(without < text.find("laser").unwrap(), "{section}");
    }
}

/// By night no colour holds any green or blue, so none can flash; the rest of the style names its inks only.
#[test]
fn the_night_looks_are_red_and_nothing_else() {
    let style = include_str!("../../assets/sheet.css");
    let (screen, paper) = style.split_once("@media print").unwrap();
    let mut seen = 0;
    for rule in screen.split('}') {
        let night = rule.contains(":root{") || rule.contains(":root[data-look=dim]{");
        let day = rule.contains("data-look=day");
        for colour in rule
            .split('#')
            .skip(1)
            .map(|c| c.chars().take_while(char::is_ascii_hexdigit).collect::<String>())
        {
            let dark = (colour.len() == 6 && colour.ends_with("0000")) || colour == "000";
            if night {
                assert!(dark, "#{colour}");
                seen += 1;
            } else {
                // The names of elements begin with # too: none of them is as long as a colour and all digits.
                assert!(day || !matches!(colour.len(), 3 | 6), "#{colour} in {rule}");
            }
        }
    }
    assert!(seen >= 10, "{seen}");
    for named in [":white", " white;", "rgb(", "hsl(", "gray", "grey"] {
        assert!(!screen.contains(named), "{named}");
    }
    assert!(paper.contains("--paper:#fff;--ink:#000"));
}

#[test]
fn everything_that_opens_something_has_it() {
    let folder = Folder::new("names", NAME);
    json(&run("sheet", &folder.0, &[FIELD, &["--json"]]));
    let page = folder.page();
    let ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|r| r.split('"').next().unwrap())
        .collect();
    let mut once = ids.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), ids.len(), "an id stands twice");
    for opened in page.split("aria-controls=\"").skip(1) {
        let opened = opened.split('"').next().unwrap();
        assert!(ids.contains(&opened), "{opened}");
    }
    let keys: Vec<&str> = page
        .split("data-tick=\"")
        .skip(1)
        .map(|r| r.split('"').next().unwrap())
        .collect();
    let mut unique = keys.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), keys.len(), "a tick's name stands twice");
    assert!(keys.len() > 40, "{}", keys.len());
    assert_eq!(page.matches("<input").count(), keys.len());
    assert_eq!(
        page.matches("<label>").count(),
        keys.len(),
        "every box has its words"
    );
}

#[test]
fn the_paper_is_whole() {
    let folder = Folder::new("paper", NAME);
    for (paper, size) in [("a5", [419.53, 595.28]), ("a4", [595.28, 841.89])] {
        let file = folder.0.join(format!("{paper}.pdf"));
        let args = ["--json", "--paper", paper, "--pdf", file.to_str().unwrap()];
        let told = json(&run("sheet", &folder.0, &[FIELD, &args]));
        let bytes = fs::read(&file).unwrap();
        assert_eq!(told["pdf"]["bytes"], bytes.len());
        let (pages, words) = check_paper(&bytes, size);
        assert_eq!(told["pdf"]["pages"], pages);
        println!("{paper}: {pages} pages, {} bytes", bytes.len());
        assert!(pages <= 8, "{pages}");
        for part in [
            "Owlstone Ridge",
            "sky frames",
            "Take care",
            "90\u{a0}s",
            "Polaris",
            "never towards aircraft,",
        ] {
            assert!(words.contains(part), "{paper}: {part}");
        }
        assert!(words.matches("alignment check").count() == 1);
        assert!(!words.contains('?') || words.contains("Tracker on?"));
    }
    assert!(
        !folder.0.join("field-sheet.html").exists(),
        "only what was asked for"
    );
}

#[test]
fn letters_that_paper_cannot_show_are_said_to_be_missing() {
    let folder = Folder::new("letters", "Creasta Făgăraș 山");
    let file = folder.0.join("letters.pdf");
    let args = ["--json", "--pdf", file.to_str().unwrap()];
    json(&run("sheet", &folder.0, &[FIELD, &args]));
    let (_, words) = check_paper(&fs::read(&file).unwrap(), [419.53, 595.28]);
    assert!(words.contains("Creasta Fagaras ?"));
    assert!(words.contains("cannot show"));
}

/// Checks a file made here as far as a reader would: every object where the table says (ISO 32000-1, 7.5.4), pages of
/// the right size, no text beyond the margins. Gives the number of pages and all words.
fn check_paper(bytes: &[u8], size: [f64; 2]) -> (usize, String) {
    // One character a byte, so that offsets stay.
    let text: String = bytes.iter().map(|b| char::from(*b)).collect();
    let raw = |from: usize| {
        bytes[from..]
            .iter()
            .map(|b| char::from(*b))
            .take(40)
            .collect::<String>()
    };
    assert!(text.starts_with("%PDF-1.7") && text.trim_end().ends_with("%%EOF"));
    let xref: usize = text
        .rsplit("startxref")
        .next()
        .unwrap()
        .split_whitespace()
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert!(raw(xref).starts_with("xref"));
    let table = &text[text.rfind("xref\n0").unwrap()..];
    for (number, entry) in table.lines().skip(2).take_while(|l| l.len() >= 18).enumerate() {
        if let Some(offset) = entry.strip_suffix(" n ").or_else(|| entry.strip_suffix(" n")) {
            let offset: usize = offset.split(' ').next().unwrap().parse().unwrap();
            assert!(raw(offset).starts_with(&format!("{number} 0 obj")), "{number}");
        }
    }
    let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page ").count();
    let mut words = String::new();
    for stream in text.split("stream\n").filter(|s| s.contains("BT\n")) {
        for block in stream.split("BT\n").skip(1) {
            words.push_str(&check_text(block, size));
            words.push(' ');
        }
    }
    for box_of in text.split("/MediaBox [").skip(1) {
        let numbers: Vec<f64> = box_of
            .split(']')
            .next()
            .unwrap()
            .split(' ')
            .map(|n| n.parse().unwrap())
            .collect();
        assert!(
            (numbers[2] - size[0]).abs() < 0.1 && (numbers[3] - size[1]).abs() < 0.1,
            "{numbers:?}"
        );
    }
    (pages, words)
}

/// One line of text: its place, its width by the font's metrics, its words.
fn check_text(block: &str, [width, height]: [f64; 2]) -> String {
    let mut lines = block.lines();
    let font: Vec<&str> = lines.next().unwrap().split(' ').collect();
    let place: Vec<f64> = lines
        .next()
        .unwrap()
        .split(' ')
        .take(2)
        .map(|n| n.parse().unwrap())
        .collect();
    let shown = shown(block);
    let table = if font[0] == "/B" {
        &widths::BOLD
    } else {
        &widths::REGULAR
    };
    let size: f64 = font[1].parse().unwrap();
    let wide: f64 = shown
        .iter()
        .map(|b| f64::from(table[usize::from(*b) - 32]))
        .sum::<f64>()
        * size
        / 1000.0;
    let margin = 33.0;
    assert!(
        place[0] >= margin && place[0] + wide <= width - margin,
        "{place:?} {wide}: {block}"
    );
    assert!(place[1] >= 18.0 && place[1] <= height - margin, "{place:?}");
    shown.iter().map(|b| char::from(*b)).collect()
}

/// A string of a content stream, in round brackets or hexadecimal (ISO 32000-1, 7.3.4).
fn shown(block: &str) -> Vec<u8> {
    let end = block.find(" Tj").unwrap();
    let line = &block[..end];
    if let Some(hex) = line.rsplit('\n').next().unwrap().strip_prefix('<') {
        let digits: Vec<u8> = hex.bytes().filter(u8::is_ascii_hexdigit).collect();
        let pair = |p: &[u8]| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap();
        return digits.chunks(2).map(pair).collect();
    }
    let inside = &line[line.find('(').unwrap() + 1..line.len() - 1];
    let mut bytes = Vec::new();
    let mut escaped = false;
    for c in inside.chars() {
        if c == '\\' && !escaped {
            escaped = true;
        } else {
            bytes.push(u8::try_from(u32::from(c)).unwrap());
            escaped = false;
        }
    }
    bytes
}

#[test]
fn a_plan_without_room_is_told_and_still_on_paper() {
    let folder = Folder::new("no-room", NAME);
    let output = run("sheet", &folder.0, &[&["--sky-frames", "400", "--json"]]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("does not fit"), "{}", said(&output));
    assert!(folder.page().contains("This plan does not fit the night by"));
    let out = folder.0.join("summer.html");
    let far_north = [
        "--lat",
        "65",
        "--lon",
        "24",
        "--date",
        "2026-06-20",
        "--out",
        out.to_str().unwrap(),
    ];
    let output = run("sheet", &folder.0, &[&far_north]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(!out.exists(), "no sheet of no night");
}

#[test]
fn slips_are_told_in_a_sentence() {
    let folder = Folder::new("slips", NAME);
    let missing = folder.0.join("missing/sheet.html");
    for (args, part) in [
        (["--out", "frame.dng"], "ends in .html"),
        (["--pdf", "sheet.html"], "ends in .pdf"),
        (["--paper", "a3"], "a3"),
        (["--sky-exposure", "f/2.8"], "has no time"),
        (["--out", missing.to_str().unwrap()], "cannot be written"),
    ] {
        let output = run("sheet", &folder.0, &[&args]);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", said(&output));
        assert!(said(&output).contains(part), "{args:?}: {}", said(&output));
    }
}
