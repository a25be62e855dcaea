//! Settings, strokes, skylines, tiles, the journal, and what people type.

use std::io::{Cursor, Write};
use std::path::Path;
use std::sync::atomic::AtomicBool;

use nightloom_develop::recipe_settings;
use nightloom_frames::{FrameTold, identify_frame};
use nightloom_journal::Journal;
use nightloom_outing::shelf::{Kind, Shelf};
use nightloom_outing::{
    FrameOverride, World, hash_bytes, option_in, options, parse_settings, read_tiles, typed, with_frame,
    with_option,
};
use nightloom_pipeline::{LandHints, version_recipe, versions};
use nightloom_raster::{DecodeError, DecodeOptions, Frame, FrameMeta, read_regular};
use nightloom_sky::Instant;
use nightloom_sky::skyline::{North, read_csv};

use super::{Place, Target, data, files, seed};

const NOW: &str = "2026-09-12T22:00:00Z";

fn now() -> Result<Instant, String> {
    NOW.parse().map_err(|_| "no time".into())
}

pub(super) fn settings() -> Target {
    Target::new("outing.toml", vec![seed("outing.toml")], |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let read = parse_settings(&text, "outing.toml");
        let _ = option_in(&text, "site", "latitude_deg");
        let edits = [
            with_option(&text, "rig", "focal_mm", "24").ok(),
            with_frame(&text, "sky/a.dng", &FrameOverride::default()).ok(),
        ];
        // An edit of what can be read can be read.
        for edited in edits.into_iter().flatten().filter(|_| read.is_ok()) {
            parse_settings(&edited, "outing.toml").map_err(|e| e.to_string())?;
        }
        any_value(&text)
    })
}

/// Every option given what stands in the text: it is taken and can be read, or refused.
fn any_value(text: &str) -> Result<(), String> {
    let value = text.lines().nth(text.len() % 7).unwrap_or_default();
    let all = options::OPTIONS;
    let option = &all[text.len() % all.len()];
    match with_option("", option.section, option.key, value) {
        Ok(edited) => parse_settings(&edited, "outing.toml")
            .map(drop)
            .map_err(|e| e.to_string()),
        Err(_) => Ok(()),
    }
}

pub(super) fn hints() -> Target {
    let place = Place::new("hints");
    Target::new("hints.toml", vec![seed("hints.toml")], move |bytes| {
        place.with("hints.toml", bytes);
        if let Ok(hints) = LandHints::read(&place.0) {
            let _ = (hints.version(), hints.on_canvas([600, 400], [0, 0]).is_ok());
        }
        Ok(())
    })
}

pub(super) fn skyline() -> Target {
    Target::new("skyline.csv", vec![seed("skyline.csv")], |bytes| {
        match read_csv(&String::from_utf8_lossy(bytes), North::True) {
            Ok(skyline) if skyline.points().any(|(_, a)| !(-90.0..=90.0).contains(&a.deg())) => {
                Err("an altitude beyond the zenith".into())
            }
            _ => Ok(()),
        }
    })
}

/// A height model of 1201 × 1201 posts is the smallest of its kind: its size is its header.
fn heights() -> Vec<u8> {
    (0..1201u32 * 1201)
        .flat_map(|n| ((n % 3000) as u16).to_be_bytes())
        .collect()
}

pub(super) fn tiles() -> Target {
    let place = Place::new("tiles");
    let mut corpus = files(&data().join("fuzz"), &["tif"]);
    corpus.push(heights());
    Target::new("tiles", corpus, move |bytes| {
        for name in ["N45E006.hgt", "land.tif"] {
            let path = place.with(name, bytes);
            let _ = read_tiles(&[path], 45.5, 6.5, 150_000.0);
        }
        Ok(())
    })
}

pub(super) fn zipped_tiles() -> Target {
    let place = Place::new("zipped");
    let mut corpus = Vec::new();
    for method in [zip::CompressionMethod::Stored, zip::CompressionMethod::Deflated] {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        let options = zip::write::SimpleFileOptions::default().compression_method(method);
        let begun = zip.start_file("N45E006.hgt", options);
        let even = vec![0; 2 * 1201 * 1201];
        // A method that is not built in gives no seed.
        if begun.is_ok() && zip.write_all(&even).is_ok() {
            corpus.extend(zip.finish().ok().map(Cursor::into_inner));
        }
    }
    Target::new("zipped tiles", corpus, move |bytes| {
        let path = place.with("N45E006.hgt.zip", bytes);
        let _ = read_tiles(&[path], 45.5, 6.5, 150_000.0);
        Ok(())
    })
}

pub(super) fn journal() -> Target {
    let place = Place::new("journal");
    let corpus = files(&data().join("fuzz"), &["jsonl"]);
    let target = Target::new("journal", corpus, move |bytes| {
        place.with(".nightloom/journal.jsonl", bytes);
        place.with(".nightloom/hashes.jsonl", bytes);
        let journal = Journal::open(&place.0, now()?).map_err(|e| e.to_string())?;
        for entry in journal.entries() {
            // What lines name outside the outing is nobody's output.
            let _ = journal.fresh(&entry.step, entry.key);
        }
        Ok(())
    });
    target.mended(sealed)
}

/// Gives each line the checksum of what it has become.
fn sealed(bytes: &mut Vec<u8>) {
    const MARK: &[u8] = b",\"check\":\"";
    let mut all = Vec::new();
    for line in bytes.split_inclusive(|b| *b == b'\n') {
        match line.windows(MARK.len()).rposition(|w| w == MARK) {
            Some(at) => {
                let check = hash_bytes(&line[..at]).to_string();
                all.extend([&line[..at], MARK, &check.as_bytes()[..32], b"\"}\n"].concat());
            }
            None => all.extend(line),
        }
    }
    *bytes = all;
}

/// What people type: a finite figure or a refusal that says something.
pub(super) fn typed() -> Target {
    let corpus = [
        "46.5 N, 8.03 E",
        "46° 31' 12.5\" N 8° 1' 48\" W 1850 m",
        "-33,5",
        "1/250",
        "2.5 min",
        "f/2,8",
        "24 mm",
        "4.3 µm",
        "35 %",
        "1850 ft",
        "-12 °C",
        "2026-08-12",
        "12 Aug 2026",
        "2026-08-12 23:10",
        "2026-08-12T22:00:00Z",
        "11:30 pm",
    ];
    let corpus = corpus.iter().map(|t| t.as_bytes().to_vec()).collect();
    Target::new("typed", corpus, |bytes| {
        let text = &*String::from_utf8_lossy(bytes);
        let place = typed::place(text);
        let figures = [
            typed::latitude_deg(text),
            typed::longitude_deg(text),
            place.as_ref().map(|p| p.latitude_deg).map_err(Clone::clone),
            place.as_ref().map(|p| p.longitude_deg).map_err(Clone::clone),
            typed::number(text),
            typed::exposure_s(text),
            typed::f_number(text),
            typed::focal_mm(text),
            typed::pitch_um(text),
            typed::per_cent(text),
            typed::share(text),
            typed::elevation_m(text),
            typed::elevation_by(text, true),
            typed::temperature_c(text, true),
            typed::temperature_c(text, false),
        ];
        let _ = (
            typed::latitude_or_place(text, true),
            typed::date(text),
            typed::clock_time(text),
        );
        if let Ok(moment) = typed::moment(text) {
            let _ = moment.instant(&jiff::tz::TimeZone::UTC, None);
        }
        for figure in figures {
            match figure {
                Ok(value) if !value.is_finite() => return Err(format!("{value} was read")),
                Err(refused) if refused.to_string().is_empty() => return Err("refused without a word".into()),
                _ => {}
            }
        }
        Ok(())
    })
}

/// Sites, rigs and preferences kept by name.
pub(super) fn kept_words() -> Target {
    let place = Place::new("shelf");
    let shelf = Shelf::at(&place.0);
    let corpus = ["height = \"ft\"\ntemperature = \"F\"\n"].map(|t| t.as_bytes().to_vec());
    let corpus = corpus.into_iter().chain([seed("outing.toml")]).collect();
    Target::new("kept words", corpus, move |bytes| {
        for name in ["sites/a.toml", "rigs/a.toml", "preferences.toml"] {
            place.with(name, bytes);
        }
        let _ = (shelf.names(Kind::Site), shelf.rig("a"), shelf.preferences());
        match shelf.site("a") {
            Ok(site) if site.place.is_none() => Err("a site without a place".into()),
            _ => Ok(()),
        }
    })
}

/// How a picture was developed, and what is kept of finished ones.
pub(super) fn recipe() -> Target {
    let place = Place::new("recipe");
    let text = "[picture]\nlook = \"deep\"\nstretch = 0.8\ncrop = [0, 0, 600, 400]\nwhite = \"as-shot\"\ntint = 0.1\n";
    let about = "{\"number\":1,\"at\":\"2026-09-12T22:00:00Z\",\"size_px\":[600,400],\"sky_frames\":4,\"changed\":[[\"look\",\"a\",\"b\"]]}";
    let corpus = vec![text.as_bytes().to_vec(), about.as_bytes().to_vec()];
    Target::new("recipe", corpus, move |bytes| {
        let _ = recipe_settings(&String::from_utf8_lossy(bytes));
        for name in ["about.json", "recipe.toml"] {
            place.with(&format!(".nightloom/versions/00001/{name}"), bytes);
        }
        let _ = (versions(&place.0), version_recipe(&place.0, 1));
        Ok(())
    })
}

/// Lenses as the stars showed them, read before a frame is.
pub(super) fn lenses() -> Target {
    let place = Place::new("lenses");
    let text = "[[lens]]\nmake = \"Owl\"\nmodel = \"One\"\nlens = \"Wide\"\nfocal_mm = 24.0\nsize_px = [600, 400]\nprojection = \"rectilinear\"\nfocal_px = 420.5\ncentre_px = [299.5, 199.5]\nradial = [0.01, -0.002, 0.0]\n";
    Target::new("lenses", vec![text.as_bytes().to_vec()], move |bytes| {
        let told = FrameTold {
            lenses: Some(place.with("lenses.toml", bytes)),
            ..FrameTold::default()
        };
        match identify_frame(
            Path::new("no such frame.dng"),
            &told,
            &Nowhere(AtomicBool::new(false)),
        ) {
            Ok(_) => Err("stars in a frame that is not there".into()),
            Err(_) => Ok(()),
        }
    })
}

/// A world without frames.
struct Nowhere(AtomicBool);

impl World for Nowhere {
    fn now(&self) -> Instant {
        Instant::from_timestamp(jiff::Timestamp::UNIX_EPOCH)
    }
    fn cancelled(&self) -> &AtomicBool {
        &self.0
    }
    fn decode(&self, path: &Path, _: &DecodeOptions) -> Result<Frame, DecodeError> {
        Err(nothing(path))
    }
    fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
        Err(nothing(path))
    }
}

fn nothing(path: &Path) -> DecodeError {
    DecodeError::Unreadable {
        file: path.display().to_string(),
        why: read_regular(path, 1).map_or_else(|e| e.to_string(), |_| "it is there".into()),
    }
}
