//! What is fuzzed, by a mutator of our own: plain functions that take bytes.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use nightloom_outing::{option_in, parse_settings, read_tiles, with_option};
use nightloom_pipeline::{Journal, LandHints};
use nightloom_raster::{DecodeError, DecodeOptions, Limits, Wall, decode_here, read_meta};
use nightloom_sky::skyline::{North, read_csv};

/// No input may take longer.
const LONGEST: Duration = Duration::from_secs(10);

/// One parser.
pub(crate) struct Target {
    pub(crate) name: &'static str,
    corpus: Vec<Vec<u8>>,
    found: Vec<Vec<u8>>,
    work: Box<Work>,
}

/// What a parser is asked; an error is what must not happen.
type Work = dyn Fn(&[u8]) -> Result<(), String>;

/// What came of a run.
pub(crate) struct Told {
    pub(crate) inputs: usize,
    pub(crate) longest: Duration,
    pub(crate) failed: Vec<String>,
}

impl Target {
    /// Tries what was found before, the corpus, and then `most` mutations of it, or fewer when the time is over.
    pub(crate) fn run(&self, seed: u64, span: Duration, most: usize) -> Told {
        let mut random = Random(seed ^ self.name.bytes().fold(0, |h, b| h * 31 + u64::from(b)));
        let mut told = Told {
            inputs: 0,
            longest: Duration::ZERO,
            failed: Vec::new(),
        };
        for input in self.found.iter().chain(&self.corpus) {
            self.one(input, &mut told);
        }
        let (began, before) = (Instant::now(), told.inputs);
        while began.elapsed() < span && told.inputs - before < most && told.failed.len() < 5 {
            let mut input = self.corpus[random.below(self.corpus.len())].clone();
            for _ in 0..=random.below(4) {
                mutate(&mut input, &self.corpus, &mut random);
            }
            self.one(&input, &mut told);
        }
        told
    }

    fn one(&self, input: &[u8], told: &mut Told) {
        let began = Instant::now();
        let came = catch_unwind(AssertUnwindSafe(|| (self.work)(input)));
        let took = began.elapsed();
        told.inputs += 1;
        told.longest = told.longest.max(took);
        let what = match came {
            Ok(Ok(())) if took <= LONGEST => return,
            Ok(Ok(())) => format!("took {:.1} s", took.as_secs_f64()),
            Ok(Err(what)) => what,
            Err(panic) => {
                let text = panic.downcast_ref::<String>().cloned();
                let text = text.or_else(|| panic.downcast_ref::<&str>().map(ToString::to_string));
                format!("panicked: {}", text.unwrap_or_default())
            }
        };
        told.failed
            .push(format!("{what}; the input is {}", keep(self.name, input)));
    }
}

/// Writes an input down for the one who looks for the fault.
fn keep(name: &str, input: &[u8]) -> String {
    let hash: String = nightloom_outing::hash_bytes(input)
        .to_string()
        .chars()
        .take(16)
        .collect();
    let folder = Path::new("fuzz-found").join(name);
    let path = folder.join(hash);
    match fs::create_dir_all(&folder).and_then(|()| fs::write(&path, input)) {
        Ok(()) => path.display().to_string(),
        Err(e) => format!("not kept ({e}): {} bytes", input.len()),
    }
}

/// SplitMix64 (Steele, Lea & Flood 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Words that parsers stumble over.
const WORDS: [&[u8]; 18] = [
    b"\0",
    b"\xff\xff\xff\xff",
    b"\x7f\xff\xff\xff",
    b"\x80\0\0\0",
    b"-1",
    b"1e999",
    b"nan",
    b"inf",
    b"\"",
    b"[[",
    b"]",
    b"=",
    b"\r\n",
    b"99999999999999999999",
    b"\xef\xbb\xbf",
    b"\xc3\x28",
    b"..",
    b"\x1b[2J",
];

/// One change: bits, bytes, words, pieces moved, taken away, doubled, or put in from elsewhere. The head, where lengths
/// and counts stand, is changed as often as all the rest.
fn mutate(input: &mut Vec<u8>, corpus: &[Vec<u8>], random: &mut Random) {
    if input.is_empty() {
        input.extend(WORDS[random.below(WORDS.len())]);
        return;
    }
    let length = input.len();
    let at = if random.below(2) == 0 {
        random.below(length.min(512))
    } else {
        random.below(length)
    };
    let size = 1 + random.below(64).min(length - 1);
    match random.below(9) {
        0 | 1 => input[at] ^= 1 << random.below(8),
        2 => input[at] = random.next() as u8,
        3 => input.truncate(at),
        4 => {
            let word = WORDS[random.below(WORDS.len())];
            input.splice(at..at, word.iter().copied());
        }
        5 => {
            let word = WORDS[random.below(WORDS.len())];
            let end = (at + word.len()).min(length);
            input.splice(at..end, word.iter().copied());
        }
        6 => {
            let end = (at + size).min(length);
            input.drain(at..end);
        }
        7 => {
            let piece = input[at..(at + size).min(length)].to_vec();
            let to = random.below(length);
            input.splice(to..to, piece);
        }
        _ => {
            let other = &corpus[random.below(corpus.len())];
            if !other.is_empty() {
                let from = random.below(other.len());
                let piece = &other[from..(from + size).min(other.len())];
                input.splice(at..at, piece.iter().copied());
            }
        }
    }
}

fn data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data")
}

/// The files of a folder with one of these endings, in order.
fn files(folder: &Path, endings: &[&str]) -> Vec<Vec<u8>> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries.map(|e| e.path()).collect();
    paths.sort();
    let wanted = |p: &&PathBuf| {
        let ending = p.extension().and_then(|e| e.to_str()).unwrap_or_default();
        p.is_file() && (endings.is_empty() || endings.contains(&ending))
    };
    paths
        .iter()
        .filter(wanted)
        .filter_map(|p| fs::read(p).ok())
        .collect()
}

/// A place for one file at a time, gone with the target.
struct Place(PathBuf);

impl Place {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("nightloom-fuzz-{name}-{}", std::process::id()));
        // What is wrong with it is told by the first write.
        let _ = fs::create_dir_all(&path);
        Self(path)
    }
    fn with(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.join(name);
        if let Some(folder) = path.parent() {
            let _ = fs::create_dir_all(folder);
        }
        assert!(fs::write(&path, bytes).is_ok(), "no room for {}", path.display());
        path
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

const LIMITS: Limits = Limits {
    max_width: 4000,
    max_height: 4000,
    max_memory_bytes: 256 << 20,
    max_working_bytes: 512 << 20,
    max_seconds: 8.0,
};

fn target(
    name: &'static str,
    corpus: Vec<Vec<u8>>,
    work: impl Fn(&[u8]) -> Result<(), String> + 'static,
) -> Target {
    assert!(!corpus.is_empty(), "{name} has no corpus");
    Target {
        name,
        corpus,
        found: files(&data().join("found").join(name), &[]),
        work: Box::new(work),
    }
}

/// Pictures, decoded in this process: their decoders must not panic.
fn decoded(name: &'static str, ending: &'static str, pictures: &Path) -> Target {
    let place = Place::new(name);
    target(name, files(pictures, &[ending]), move |bytes| {
        let path = place.with(&format!("a.{ending}"), bytes);
        let _ = read_meta(&path);
        match decode_here(&path, &LIMITS) {
            Ok(frame) if frame.pixels.size().0 > LIMITS.max_width => Err("wider than allowed".into()),
            _ => Ok(()),
        }
    })
}

/// Camera raws, whose decoder may do anything but bring this process down.
fn walled(program: &str, pictures: &Path) -> Target {
    let place = Place::new("raw");
    let wall = Wall {
        program: program.into(),
        args: vec!["decode-child".into()],
        limits: LIMITS,
    };
    target("raw", files(pictures, &["dng"]), move |bytes| {
        let path = place.with("a.dng", bytes);
        match wall.decode(&path, &DecodeOptions::default()) {
            Err(DecodeError::NoWall { why, .. }) => Err(format!("no wall: {why}")),
            Err(error) if !error.to_string().contains("a.dng") => Err(format!("{error}")),
            _ => Ok(()),
        }
    })
}

fn settings() -> Target {
    let text = fs::read(data().join("fuzz/outing.toml")).unwrap_or_default();
    target("outing.toml", vec![text], |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let read = parse_settings(&text, "outing.toml");
        let _ = option_in(&text, "site", "latitude_deg");
        match with_option(&text, "rig", "focal_mm", "24") {
            // An edit of what can be read can be read.
            Ok(edited) if read.is_ok() => parse_settings(&edited, "outing.toml")
                .map(drop)
                .map_err(|e| e.to_string()),
            _ => Ok(()),
        }
    })
}

fn hints() -> Target {
    let place = Place::new("hints");
    let text = fs::read(data().join("fuzz/hints.toml")).unwrap_or_default();
    target("hints.toml", vec![text], move |bytes| {
        place.with("hints.toml", bytes);
        if let Ok(hints) = LandHints::read(&place.0) {
            let _ = (hints.version(), hints.on_canvas([600, 400], [0, 0]).is_ok());
        }
        Ok(())
    })
}

fn skyline() -> Target {
    let text = fs::read(data().join("fuzz/skyline.csv")).unwrap_or_default();
    target("skyline.csv", vec![text], |bytes| {
        match read_csv(&String::from_utf8_lossy(bytes), North::True) {
            Ok(skyline) if skyline.points().any(|(_, a)| !(-90.0..=90.0).contains(&a.deg())) => {
                Err("an altitude beyond the zenith".into())
            }
            _ => Ok(()),
        }
    })
}

/// A height model of 1201 × 1201 posts is the smallest of its kind: its size is its header.
fn tiles() -> Target {
    let place = Place::new("tiles");
    let hgt: Vec<u8> = (0..1201u32 * 1201)
        .flat_map(|n| ((n % 3000) as u16).to_be_bytes())
        .collect();
    let mut corpus = files(&data().join("fuzz"), &["tif"]);
    corpus.push(hgt);
    target("tiles", corpus, move |bytes| {
        for name in ["N45E006.hgt", "land.tif", "N45E006.hgt.zip"] {
            let path = place.with(name, bytes);
            let _ = read_tiles(&[path], 45.5, 6.5, 150_000.0);
        }
        Ok(())
    })
}

fn journal() -> Target {
    let place = Place::new("journal");
    let corpus = files(&data().join("fuzz"), &["jsonl"]);
    target("journal", corpus, move |bytes| {
        place.with(".nightloom/journal.jsonl", bytes);
        place.with(".nightloom/hashes.jsonl", bytes);
        let now = "2026-09-12T22:00:00Z".parse().map_err(|_| "a time")?;
        let journal = Journal::open(&place.0, now).map_err(|e| e.to_string())?;
        let _ = journal.entries().count();
        Ok(())
    })
}

/// Values on the command line: any of them ends in an answer or a sentence, status 0, 1 or 2.
fn command_line(program: &str) -> Target {
    let (program, place) = (program.to_owned(), Place::new("words"));
    let corpus = [
        "night\n--lat\n46.5\n--lon\n8.0\n--date\n2026-08-12",
        "exposure\n--focal\n24\n--f-number\n2.8",
        "trail\n--focal\n35\n--pixel\n4.3\n--exposure\n120",
        "subjects\nMilky Way",
        "where-is\nVega\n--lat\n46.5\n--lon\n8\n--at\n2026-08-12T22:00:00Z",
    ];
    let corpus = corpus.iter().map(|line| line.as_bytes().to_vec()).collect();
    target("command line", corpus, move |bytes| {
        let words = String::from_utf8_lossy(bytes).replace('\0', "");
        let words: Vec<&str> = words.lines().collect();
        // Commands that wait for somebody are not for this.
        if words
            .first()
            .is_none_or(|w| ["serve", "watch", "demo", "decode-child"].contains(w))
        {
            return Ok(());
        }
        let output = Command::new(&program)
            .args(&words)
            .current_dir(&place.0)
            .stdin(Stdio::null())
            .output()
            .map_err(|e| e.to_string())?;
        match output.status.code() {
            Some(0..=2) => Ok(()),
            other => Err(format!(
                "ended with {other:?}: {}",
                String::from_utf8_lossy(&output.stderr)
            )),
        }
    })
}

/// All targets; `program` is the one that decodes and reads command lines.
pub(crate) fn all(program: &str) -> Vec<Target> {
    let pictures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../raster/tests/fixtures/decode");
    vec![
        decoded("tiff", "tif", &pictures),
        decoded("fits", "fits", &pictures),
        decoded("png", "png", &pictures),
        decoded("jpeg", "jpg", &pictures),
        walled(program, &pictures),
        settings(),
        hints(),
        skyline(),
        tiles(),
        journal(),
        command_line(program),
    ]
}
