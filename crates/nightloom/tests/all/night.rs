//! A small simulated night, rendered once for all tests, and the program run on copies of its frames.

use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::atomic::AtomicBool;
use std::time::SystemTime;

use nightloom_raster::{Limits, Pixels, Rgb, decode_here};
use nightloom_simulate::{Scenario, Size, Truth, render};
use serde_json::Value;

pub(crate) use crate::delivered::DELIVERED;

/// The shared fixtures: a rendered night, its build, and the build of a few of its frames.
pub(crate) struct Night {
    root: PathBuf,
}

impl Night {
    /// The night, made by whichever test asks first. Tests run in processes of their own, so a file
    /// lock and not a `OnceLock` guards it.
    pub(crate) fn get() -> Self {
        let shared = Path::new(env!("CARGO_TARGET_TMPDIR"));
        fs::create_dir_all(shared).unwrap();
        let lock = fs::File::create(shared.join("night.lock")).unwrap();
        lock.lock().unwrap();
        let root = shared.join(format!("night-{:016x}", identity()));
        if !root.join("complete").exists() {
            remove_older(shared);
            make(&root);
            fs::write(root.join("complete"), b"").unwrap();
        }
        Self { root }
    }

    /// The whole night, built: twelve sky, four land, six dark and six flat frames.
    pub(crate) fn whole(&self) -> PathBuf {
        self.root.join("whole/night")
    }

    /// What the build of the whole night said.
    pub(crate) fn whole_report(&self) -> Value {
        read_json(&self.root.join("whole/report.json"))
    }

    /// Four sky and two land frames, built.
    pub(crate) fn few(&self) -> PathBuf {
        self.root.join("few/night")
    }

    /// What the build of the few said.
    pub(crate) fn few_report(&self) -> Value {
        read_json(&self.root.join("few/report.json"))
    }

    pub(crate) fn truth(&self) -> Truth {
        serde_json::from_value(read_json(&self.whole().join("truth/truth.json"))).unwrap()
    }

    /// A folder with copies of the frames of the few, not built.
    pub(crate) fn few_frames(&self) -> Temp {
        self.frames(&SKY[..4], &LAND[..2])
    }

    /// A folder with copies of these frames, not built.
    pub(crate) fn frames(&self, sky: &[&str], land: &[&str]) -> Temp {
        let temp = Temp::new();
        copy_frames(&self.whole(), &temp.night(), sky, land);
        temp
    }

    /// A copy of the few with their build and journal.
    pub(crate) fn few_built(&self) -> Temp {
        let temp = Temp::new();
        copy_tree(&self.few(), &temp.night());
        temp
    }
}

/// The sky frames' names; [5] was bumped and [8] is under cloud.
pub(crate) const SKY: [&str; 12] = [
    "sky/OWL_4101.dng",
    "sky/OWL_4102.dng",
    "sky/OWL_4103.dng",
    "sky/OWL_4104.dng",
    "sky/OWL_4105.dng",
    "sky/OWL_4106.dng",
    "sky/OWL_4107.dng",
    "sky/OWL_4108.dng",
    "sky/OWL_4109.dng",
    "sky/OWL_4110.dng",
    "sky/OWL_4111.dng",
    "sky/OWL_4112.dng",
];

/// The land frames' names.
pub(crate) const LAND: [&str; 4] = [
    "land/OWL_4113.dng",
    "land/OWL_4114.dng",
    "land/OWL_4115.dng",
    "land/OWL_4116.dng",
];

/// The night is made anew whenever the program or the tests (and with them the simulation) are.
fn identity() -> u64 {
    let mut hasher = DefaultHasher::new();
    for program in [
        PathBuf::from(env!("CARGO_BIN_EXE_nightloom")),
        std::env::current_exe().unwrap(),
    ] {
        let meta = fs::metadata(program).unwrap();
        let since = meta.modified().unwrap().duration_since(SystemTime::UNIX_EPOCH);
        (meta.len(), since.unwrap()).hash(&mut hasher);
    }
    hasher.finish()
}

fn remove_older(shared: &Path) {
    for entry in fs::read_dir(shared).unwrap().flatten() {
        if entry.file_name().to_string_lossy().starts_with("night-") {
            fs::remove_dir_all(entry.path()).unwrap();
        }
    }
}

fn make(root: &Path) {
    let scenario = Scenario {
        size: Size::Small,
        ..Scenario::default()
    };
    let whole = root.join("whole/night");
    fs::create_dir_all(&whole).unwrap();
    render(&scenario, &whole, &|_, _, _| {}, &AtomicBool::new(false)).unwrap();
    let few = root.join("few/night");
    copy_frames(&whole, &few, &SKY[..4], &LAND[..2]);
    for folder in [&whole, &few] {
        let output = build(folder);
        assert_eq!(status(&output), 0, "{}", stderr(&output));
        fs::write(folder.with_file_name("report.json"), &output.stdout).unwrap();
    }
}

pub(crate) fn copy_frames(from: &Path, to: &Path, sky: &[&str], land: &[&str]) {
    for name in sky.iter().chain(land) {
        let target = to.join(name);
        fs::create_dir_all(target.parent().unwrap()).unwrap();
        fs::copy(from.join(name), target).unwrap();
    }
}

fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().flatten() {
        let (source, target) = (entry.path(), to.join(entry.file_name()));
        if source.is_dir() {
            copy_tree(&source, &target);
        } else {
            fs::copy(&source, &target).unwrap();
        }
    }
}

/// A folder that is gone when the test is. Its outing is always called `night`, because the report
/// tells the outing's name.
pub(crate) struct Temp(tempfile::TempDir);

impl Temp {
    /// Names by process are not enough: what a killed test leaves behind would be another's by its number.
    pub(crate) fn new() -> Self {
        let folder = tempfile::Builder::new()
            .prefix("nightloom-night-")
            .tempdir()
            .unwrap();
        fs::create_dir_all(folder.path().join("night")).unwrap();
        Self(folder)
    }
    pub(crate) fn night(&self) -> PathBuf {
        self.0.path().join("night")
    }
}

/// `nightloom build FOLDER --json`, ready to run.
pub(crate) fn build_command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_nightloom"));
    command
        .arg("build")
        .arg(folder)
        .arg("--json")
        .stdin(Stdio::null());
    command
}

pub(crate) fn build(folder: &Path) -> Output {
    build_command(folder).output().unwrap()
}

/// Builds what must succeed; the JSON it says.
pub(crate) fn built(folder: &Path) -> Value {
    let output = build(folder);
    assert_eq!(status(&output), 0, "{}", stderr(&output));
    json(&output)
}

/// Builds what must not succeed; the sentence it says.
pub(crate) fn refused(folder: &Path, expected: i32) -> String {
    sentence(&build(folder), expected)
}

/// The one sentence of a command that failed with the expected status.
pub(crate) fn sentence(output: &Output, expected: i32) -> String {
    assert_eq!(status(output), expected, "{}", stderr(output));
    let error = json(output)["error"].as_str().unwrap().to_owned();
    assert!(error.split_whitespace().count() >= 5, "not a sentence: {error}");
    assert!(stderr(output).contains(&error), "{}", stderr(output));
    error
}

pub(crate) fn status(output: &Output) -> i32 {
    output.status.code().expect("it ends by itself")
}

pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

pub(crate) fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e} in {}", String::from_utf8_lossy(&output.stdout)))
}

fn read_json(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

/// The report's line on a frame.
pub(crate) fn frame<'a>(report: &'a Value, name: &str) -> &'a Value {
    let frames = report["frames"].as_array().unwrap();
    let found = frames.iter().find(|f| f["path"] == name);
    found.unwrap_or_else(|| panic!("{name} is not in the report"))
}

/// That a frame is left out, and why.
pub(crate) fn left_out(report: &Value, name: &str) -> String {
    let frame = frame(report, name);
    assert_eq!(frame["used"], false, "{frame}");
    let reason = frame["reason"].as_str().unwrap();
    assert!(reason.len() > 10, "{frame}");
    reason.to_owned()
}

/// Where an output of a report is.
pub(crate) fn output(report: &Value, name: &str) -> PathBuf {
    PathBuf::from(report["outputs"][name].as_str().unwrap())
}

/// The linear sky stack of a report.
pub(crate) fn linear(report: &Value) -> Rgb {
    match decode_here(&output(report, "linear"), &Limits::default())
        .unwrap()
        .pixels
    {
        Pixels::Rgb(rgb) => rgb,
        other => panic!("not colour: {:?}", other.size()),
    }
}

/// That two outings have the same results, byte by byte.
pub(crate) fn assert_same_results(ours: &Path, expected: &Path) {
    for name in DELIVERED {
        let [a, b] = [ours, expected].map(|f| fs::read(f.join("picture").join(name)).unwrap());
        let at = a.iter().zip(&b).position(|(a, b)| a != b);
        assert!(
            a == b,
            "{name} differs: {} and {} bytes, first at {at:?}",
            a.len(),
            b.len()
        );
    }
}

/// Numbers by chance, the same every time (Knuth's 64-bit linear congruential generator).
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    /// Evenly in 0..1.
    pub(crate) fn part(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    pub(crate) fn below(&mut self, end: usize) -> usize {
        (self.part() * end as f64) as usize
    }
}
