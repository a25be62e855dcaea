//! Charts as PNG and PDF, and the same SVG drawn by a browser and by other programs.
//!
//! The browser draws with the same letters, which are given to it, so that what differs is how edges are smoothed.
//! `rsvg-convert` (Debian: librsvg2-bin) and CairoSVG (PyPI: cairosvg) are asked where they are there; a line says so where
//! they are not.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use nightloom_chart::{ChartFormat, chart_file};
use serde_json::json;
use tempfile::TempDir;

use crate::axis;
use crate::browser::Browser;

/// The most that two drawings may differ: a level of 255 in the mean of a pixel, as smoothing edges otherwise makes it; and
/// pixels, of a thousand, that differ by more than a quarter of all levels after a mean over 3 × 3.
const MOST: [f64; 2] = [1.0, 0.5];
/// The same for rows of letters that end some pixels elsewhere, of means over squares of 8 units, which is smaller than a
/// word and larger than a letter.
const ROUNDED_LETTERS: [f64; 2] = [1.0, 0.0];
const SQUARE_PX: usize = 16;

struct Charts {
    folder: TempDir,
    names: Vec<&'static str>,
}

fn run(folder: &Path, args: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args(args)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{args:?}: {told}");
}

/// Two small frames of a night from where the other charts are of.
fn two_frames(folder: &Path) -> [String; 2] {
    let frames = axis::frames(&axis::scenario(45.42, [70.0, -95.0]), &folder.join("frames"));
    [0, 1].map(|n| frames[n].to_str().unwrap().to_owned())
}

/// Every chart that a command writes, in a format.
fn charts(ending: &str, red: bool, frames: &[String; 2]) -> Charts {
    let folder = tempfile::tempdir().unwrap();
    let name = |stem: &str| format!("{stem}.{ending}");
    let both = name("both");
    let place = ["--lat", "45.42", "--lon", "24.1"];
    let hills: String = (0..72)
        .map(|n| format!("{},{:.2}\n", n * 5, 5.0 + 2.0 * (f64::from(n) / 4.0).sin()))
        .collect();
    fs::write(
        folder.path().join("hills.csv"),
        format!("azimuth_deg,altitude_deg\n{hills}"),
    )
    .unwrap();
    let (strip, view, year) = (name("strip"), name("view"), name("year"));
    let (sight, trail, ladder, signal) = (name("sight"), name("trail"), name("ladder"), name("signal"));
    let (axis, map) = (name("axis"), name("map"));
    let asked: [Vec<&str>; 9] = [
        vec!["axis", &frames[0], &frames[1], "--chart", &axis],
        vec!["stars", &frames[0], "--map", &map],
        vec![
            "night",
            "--date",
            "2027-07-05",
            "--beside",
            "2027-07-25",
            "--subject",
            "Milky Way core",
            "--strip",
            &both,
        ],
        vec![
            "night",
            "--date",
            "2027-07-05",
            "--subject",
            "Milky Way core",
            "--subject",
            "Antares",
            "--strip",
            &strip,
            "--view",
            &view,
            "--focal",
            "24",
            "--frames",
            "2x1",
            "--skyline",
            "hills.csv",
        ],
        vec!["year", "--year", "2027", "--chart", &year],
        vec!["pole", "--at", "2027-07-05T21:00:00Z", "--sight-view", &sight],
        vec![
            "trail",
            "--dec",
            "-5",
            "--ha",
            "0",
            "--focal",
            "24",
            "--pitch",
            "5.95",
            "--exposure",
            "20",
            "--chart",
            &trail,
        ],
        vec!["exposure", "--from", "20s f/2.8 ISO3200", "--chart", &ladder],
        vec![
            "exposure",
            "--sky",
            "21.3",
            "--f-number",
            "2.8",
            "--pitch",
            "5.95",
            "--qe",
            "0.5",
            "--transmission",
            "0.8",
            "--read-noise",
            "3",
            "--chart",
            &signal,
        ],
    ];
    for mut args in asked {
        if !["exposure", "stars"].contains(&args[0]) {
            args.extend(place);
        }
        if red {
            args.push("--red");
        }
        run(folder.path(), &args);
    }
    let names = vec![
        "axis", "map", "strip", "both", "view", "year", "sight", "trail", "ladder", "signal",
    ];
    Charts { folder, names }
}

impl Charts {
    fn path(&self, stem: &str, ending: &str) -> PathBuf {
        self.folder.path().join(format!("{stem}.{ending}"))
    }
}

/// Width, height and pixels over white.
fn pixels(bytes: &[u8]) -> (usize, usize, Vec<[f32; 3]>) {
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::normalize_to_color8());
    let mut reader = decoder.read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut pixels).unwrap();
    let channels = info.color_type.samples();
    let over_white = |p: &[u8]| {
        let alpha = p.get(3).map_or(1.0, |a| f32::from(*a) / 255.0);
        [0, 1, 2].map(|k| f32::from(p[k]) * alpha + 255.0 * (1.0 - alpha))
    };
    assert!(channels >= 3);
    let all = pixels[..info.buffer_size()]
        .chunks_exact(channels)
        .map(over_white);
    (info.width as usize, info.height as usize, all.collect())
}

/// Mean difference in levels, and pixels of a thousand that are far apart after a mean over 3 × 3.
fn apart(a: &(usize, usize, Vec<[f32; 3]>), b: &(usize, usize, Vec<[f32; 3]>)) -> (f64, f64) {
    assert_eq!((a.0, a.1), (b.0, b.1), "sizes");
    let (width, height) = (a.0, a.1);
    let difference = |at: usize| [0, 1, 2].map(|k| a.2[at][k] - b.2[at][k]);
    let mean: f64 = (0..width * height)
        .map(|at| difference(at).iter().map(|d| f64::from(d.abs())).sum::<f64>() / 3.0)
        .sum::<f64>()
        / (width * height) as f64;
    let mut far = 0usize;
    for y in 1..height - 1 {
        for x in 1..width - 1 {
            let mut sum = [0.0f32; 3];
            for (dy, dx) in (0..9).map(|n| (n / 3, n % 3)) {
                let d = difference((y + dy - 1) * width + x + dx - 1);
                (0..3).for_each(|k| sum[k] += d[k] / 9.0);
            }
            far += usize::from(sum.iter().any(|d| d.abs() > 64.0));
        }
    }
    (mean, far as f64 * 1000.0 / (width * height) as f64)
}

/// The picture in means over squares, each nine times, so that a mean over 3 × 3 has its own alone.
fn squares((width, height, pixels): &(usize, usize, Vec<[f32; 3]>)) -> (usize, usize, Vec<[f32; 3]>) {
    let (columns, rows) = (width / SQUARE_PX, height / SQUARE_PX);
    let mean = |column: usize, row: usize| {
        let mut sum = [0.0f32; 3];
        for n in 0..SQUARE_PX * SQUARE_PX {
            let (x, y) = (
                column * SQUARE_PX + n % SQUARE_PX,
                row * SQUARE_PX + n / SQUARE_PX,
            );
            (0..3).for_each(|k| sum[k] += pixels[y * width + x][k]);
        }
        sum.map(|v| v / (SQUARE_PX * SQUARE_PX) as f32)
    };
    let all = (0..9 * columns * rows).map(|n| {
        let (x, y) = (n % (3 * columns), n / (3 * columns));
        mean(x / 3, y / 3)
    });
    (3 * columns, 3 * rows, all.collect())
}

fn assert_alike(what: &str, ours: &[u8], theirs: &[u8], most: [f64; 2]) {
    let both = [ours, theirs].map(pixels);
    let (mean, far) = if most == ROUNDED_LETTERS {
        apart(&squares(&both[0]), &squares(&both[1]))
    } else {
        apart(&both[0], &both[1])
    };
    println!("{what}: {mean:.2} levels, {far:.2} ‰ far");
    if mean > most[0] || far > most[1] {
        for (name, bytes) in [("ours", ours), ("theirs", theirs)] {
            let file = std::env::temp_dir().join(format!("{}-{name}.png", what.replace([' ', ':'], "-")));
            let _ = fs::write(&file, bytes);
        }
        panic!(
            "{what}: {mean:.2} levels, {far:.2} ‰; both are in {}",
            std::env::temp_dir().display()
        );
    }
}

/// Where the embedded letters are, for programs that choose fonts by themselves.
fn letters() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../chart/data")
        .canonicalize()
        .unwrap()
}

/// The chart as a page that has the program's letters.
fn page(svg: &str) -> String {
    let face = |weight: &str, file: &str| {
        format!(
            "@font-face{{font-family:Letters;font-weight:{weight};src:url('file://{}/roboto-{file}.ttf')}}",
            letters().display()
        )
    };
    let at = svg.find("font-family=\"").unwrap() + "font-family=\"".len();
    let end = at + svg[at..].find('"').unwrap();
    format!(
        "<!DOCTYPE html><meta charset=utf-8><style>{}{}body{{margin:0}}svg{{display:block}}text{{text-rendering:geometricPrecision}}</style>{}Letters{}",
        face("400", "regular"),
        face("600", "bold"),
        &svg[..at],
        &svg[end..]
    )
}

#[test]
fn a_browser_draws_every_chart_as_the_png() {
    let browser = Browser::start(1000, 1000);
    let night = tempfile::tempdir().unwrap();
    let frames = two_frames(night.path());
    for red in [false, true] {
        let svgs = charts("svg", red, &frames);
        for stem in &svgs.names {
            let svg = fs::read_to_string(svgs.path(stem, "svg")).unwrap();
            let sides: Vec<u32> = svg
                .split("viewBox=\"0 0 ")
                .nth(1)
                .unwrap()
                .split('"')
                .next()
                .unwrap()
                .split(' ')
                .map(|v| v.parse().unwrap())
                .collect();
            let file = svgs.path(stem, "html");
            fs::write(&file, page(&svg)).unwrap();
            browser.devtools(
                "Emulation.setDeviceMetricsOverride",
                &json!({ "width": sides[0], "height": sides[1], "deviceScaleFactor": 2, "mobile": false }),
            );
            browser.go(&format!("file://{}", file.display()));
            browser.until("document.fonts.status === 'loaded' && document.fonts.check('12px Letters')");
            let shot = browser.shot();
            let ours = chart_file(&svg, ChartFormat::Png).unwrap().bytes;
            assert_alike(&format!("{stem} red {red}: browser"), &ours, &shot, MOST);
        }
    }
}

/// A program that draws SVG, and its arguments but for the files.
fn other(name: &str) -> Option<PathBuf> {
    let found = std::env::var_os("PATH").and_then(|path| {
        std::env::split_paths(&path)
            .map(|folder| folder.join(name))
            .find(|file| file.is_file())
    });
    if found.is_none() {
        println!("SKIPPED: {name} is not installed, so its drawing was not compared");
    }
    found
}

/// The chart without its words.
fn wordless(svg: &str) -> String {
    let mut parts = svg.split("<text ");
    let mut bare = parts.next().unwrap().to_owned();
    parts.for_each(|part| bare += part.split_once("</text>").unwrap().1);
    bare
}

/// Fontconfig with the embedded letters and no others.
fn only_our_letters(folder: &Path) -> PathBuf {
    let file = folder.join("fonts.conf");
    let text = format!(
        "<?xml version=\"1.0\"?><!DOCTYPE fontconfig SYSTEM \"fonts.dtd\"><fontconfig><dir>{}</dir><cachedir>{}</cachedir></fontconfig>",
        letters().display(),
        folder.join("cache").display()
    );
    fs::write(&file, text).unwrap();
    file
}

/// Lines and areas as close as ever; of the words, `rsvg-convert` sets each where it belongs, CairoSVG rounds the width of
/// every letter to whole pixels, so that its rows end some pixels further left or right.
fn compare_with_other_programs(red: bool) {
    let programs = [("rsvg-convert", MOST), ("cairosvg", ROUNDED_LETTERS)];
    let programs = programs.map(|(name, most)| (name, other(name), most));
    if programs.iter().all(|(_, found, _)| found.is_none()) {
        return;
    }
    let night = tempfile::tempdir().unwrap();
    let frames = two_frames(night.path());
    let svgs = charts("svg", red, &frames);
    let fonts = only_our_letters(svgs.folder.path());
    for stem in &svgs.names {
        let whole = fs::read_to_string(svgs.path(stem, "svg")).unwrap();
        for (part, svg, lines_alone) in [("lines", wordless(&whole), true), ("whole", whole, false)] {
            // Lines in red lie where they lie in black.
            if red && lines_alone {
                continue;
            }
            let from = svgs.path(stem, "part.svg");
            fs::write(&from, &svg).unwrap();
            let ours = chart_file(&svg, ChartFormat::Png).unwrap().bytes;
            for (name, program, most) in &programs {
                let Some(program) = program else { continue };
                let to = svgs.path(stem, &format!("{name}.png"));
                let mut command = Command::new(program);
                match *name {
                    "cairosvg" => command.arg(&from).args(["--scale", "2", "-o"]).arg(&to),
                    _ => command.args(["--zoom", "2", "-o"]).arg(&to).arg(&from),
                };
                let done = command.env("FONTCONFIG_FILE", &fonts).output().unwrap();
                assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
                let most = if lines_alone { MOST } else { *most };
                assert_alike(
                    &format!("{stem} red {red}: {name} {part}"),
                    &ours,
                    &fs::read(&to).unwrap(),
                    most,
                );
            }
        }
    }
}

#[test]
fn other_programs_draw_every_chart_as_the_png() {
    compare_with_other_programs(false);
}

#[test]
fn other_programs_draw_every_red_chart_as_the_png() {
    compare_with_other_programs(true);
}

/// A PDF has the chart's words as text, its own size, and every object where its table says (ISO 32000-1, 7.5.4).
#[test]
fn a_pdf_is_whole_and_an_unknown_ending_is_refused() {
    let night = tempfile::tempdir().unwrap();
    let frames = two_frames(night.path());
    let pdfs = charts("pdf", false, &frames);
    let (svgs, pngs) = (charts("svg", false, &frames), charts("png", false, &frames));
    for stem in &pngs.names {
        let svg = fs::read_to_string(svgs.path(stem, "svg")).unwrap();
        let ours = chart_file(&svg, ChartFormat::Png).unwrap().bytes;
        assert!(fs::read(pngs.path(stem, "png")).unwrap() == ours, "{stem}");
    }
    for stem in &pdfs.names {
        let bytes = fs::read(pdfs.path(stem, "pdf")).unwrap();
        let text: String = bytes.iter().map(|b| char::from(*b)).collect();
        assert!(
            text.starts_with("%PDF-1.7") && text.trim_end().ends_with("%%EOF"),
            "{stem}"
        );
        for part in ["/FontFile2", "/ToUnicode", "/Identity-H", "/MediaBox [0 0 "] {
            assert!(text.contains(part), "{stem}: {part}");
        }
        let xref = text.rfind("xref\n0").unwrap();
        let entries = text[xref..].lines().skip(2).take_while(|l| l.len() >= 18);
        let mut objects = 0;
        for (number, entry) in entries.enumerate().filter(|(_, e)| e.contains(" n")) {
            let offset: usize = entry.split(' ').next().unwrap().parse().unwrap();
            assert!(
                bytes[offset..].starts_with(format!("{number} 0 obj").as_bytes()),
                "{stem}: {number}"
            );
            objects += 1;
        }
        assert!(objects >= 10, "{stem}: {objects}");
    }
    if let Some(program) = other("pdftotext") {
        let told = Command::new(program)
            .arg(pdfs.path("strip", "pdf"))
            .arg("-")
            .output()
            .unwrap();
        let words = String::from_utf8_lossy(&told.stdout).into_owned();
        assert!(
            words.contains("Milky Way core") && words.contains("sunset"),
            "{words}"
        );
    }
    let refused = Command::new(env!("CARGO_BIN_EXE_nightloom"))
        .args([
            "year",
            "--lat",
            "45",
            "--lon",
            "24",
            "--year",
            "2027",
            "--chart",
            "IMG_0001.CR3",
        ])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(2));
    assert!(told.contains(".svg, .png or .pdf"), "{told}");
}
