//! A small painted night, copies of its frames, and builds of them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::AtomicBool;
use std::time::{Duration, Instant};

use nightloom_simulate::{Counts, Scenario, Size, TruthPictures, render};
use serde_json::Value;

use crate::{Outcome, program, say};

pub(crate) use crate::delivered::DELIVERED;

/// No build of so few small frames takes longer on the busiest machine.
pub(crate) const HANGS: Duration = Duration::from_secs(240);

/// Frames of the night by role, of which builds take so many.
pub(crate) const ROLES: [(&str, usize); 4] = [("sky", 4), ("land", 3), ("darks", 3), ("flats", 3)];

/// The night in a folder, painted when it is not there yet.
pub(crate) fn painted(folder: &Path) -> Outcome<PathBuf> {
    let night = folder.join("night");
    if night.join("complete").exists() {
        return Ok(night);
    }
    fs::create_dir_all(&night).map_err(say(&night))?;
    let scenario = Scenario {
        size: Size::Small,
        counts: Counts {
            sky: 4,
            land: 3,
            dark: 3,
            flat: 3,
        },
        mishaps: nightloom_simulate::Mishaps::none(),
        truth_pictures: TruthPictures::Matte,
        ..Scenario::default()
    };
    render(&scenario, &night, &|_, _, _| {}, &AtomicBool::new(false)).map_err(|e| e.to_string())?;
    fs::write(night.join("complete"), "").map_err(say(&night))?;
    Ok(night)
}

/// The night's frames, by their paths in it.
pub(crate) fn frames(night: &Path) -> Vec<String> {
    let mut all = Vec::new();
    for (role, count) in ROLES {
        let entries = fs::read_dir(night.join(role)).into_iter().flatten().flatten();
        let mut names: Vec<String> = entries
            .map(|e| format!("{role}/{}", e.file_name().to_string_lossy()))
            .collect();
        names.sort();
        all.extend(names.into_iter().take(count));
    }
    all
}

/// An outing of its own, always called `night`, because reports tell the name. Gone when dropped.
pub(crate) struct Temp(pub(crate) tempfile::TempDir);

impl Temp {
    pub(crate) fn of(night: &Path, names: &[String]) -> Outcome<Self> {
        let temp = Self(tempfile::tempdir().map_err(|e| e.to_string())?);
        for name in names {
            let to = temp.night().join(name);
            let folder = to.parent().unwrap_or(Path::new("."));
            fs::create_dir_all(folder).map_err(say(folder))?;
            fs::copy(night.join(name), &to).map_err(say(&to))?;
        }
        Ok(temp)
    }

    pub(crate) fn copy(built: &Path) -> Outcome<Self> {
        let temp = Self(tempfile::tempdir().map_err(|e| e.to_string())?);
        copy_tree(built, &temp.night())?;
        Ok(temp)
    }

    pub(crate) fn night(&self) -> PathBuf {
        self.0.path().join("night")
    }
}

fn copy_tree(from: &Path, to: &Path) -> Outcome<()> {
    fs::create_dir_all(to).map_err(say(to))?;
    for entry in fs::read_dir(from).map_err(say(from))?.flatten() {
        let (source, target) = (entry.path(), to.join(entry.file_name()));
        if source.is_dir() {
            copy_tree(&source, &target)?;
        } else {
            fs::copy(&source, &target).map_err(say(&source))?;
        }
    }
    Ok(())
}

/// What a build came to.
pub(crate) struct Built {
    pub(crate) status: Option<i32>,
    pub(crate) report: Value,
    pub(crate) said: String,
    pub(crate) took: Duration,
}

impl Built {
    /// A panic, an end that is none of the program's, or a hang.
    pub(crate) fn fault(&self) -> Option<String> {
        if self.said.contains("panicked") {
            return Some(format!("it panicked: {}", self.said));
        }
        match self.status {
            Some(0..=2) => None,
            None => Some(format!(
                "it hung, or died, after {:.0} s: {}",
                self.took.as_secs_f64(),
                self.said
            )),
            Some(other) => Some(format!("it ended with {other}: {}", self.said)),
        }
    }
}

pub(crate) fn command(outing: &Path) -> Command {
    let mut command = Command::new(program());
    command
        .arg("build")
        .arg(outing)
        .arg("--json")
        .stdin(Stdio::null());
    command
}

/// Builds an outing.
pub(crate) fn build(outing: &Path) -> Outcome<Built> {
    let began = Instant::now();
    let (out, err) = (outing.with_extension("out"), outing.with_extension("err"));
    let file = |path: &Path| fs::File::create(path).map_err(say(path));
    let mut child = command(outing)
        .stdout(file(&out)?)
        .stderr(file(&err)?)
        .spawn()
        .map_err(say(&program()))?;
    let mut status = None;
    while began.elapsed() < HANGS {
        if let Some(ended) = child.try_wait().map_err(|e| e.to_string())? {
            status = ended.code();
            break;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    // One that ended is not there to be killed.
    let _ = child.kill();
    let _ = child.wait();
    let text = |path: &Path| String::from_utf8_lossy(&fs::read(path).unwrap_or_default()).into_owned();
    Ok(Built {
        status,
        report: serde_json::from_str(&text(&out)).unwrap_or(Value::Null),
        said: text(&err),
        took: began.elapsed(),
    })
}

/// The night built once, and how long that took.
pub(crate) fn reference(folder: &Path) -> Outcome<(PathBuf, Duration)> {
    let night = painted(folder)?;
    let (place, note) = (folder.join("reference/night"), folder.join("reference/seconds"));
    if let Ok(seconds) = fs::read_to_string(&note) {
        let seconds: f64 = seconds.trim().parse().map_err(say(&note))?;
        return Ok((place, Duration::from_secs_f64(seconds)));
    }
    let temp = Temp::of(&night, &frames(&night))?;
    let built = build(&temp.night())?;
    if built.status != Some(0) {
        return Err(format!("the sound night gives no picture: {}", built.said));
    }
    copy_tree(&temp.night(), &place)?;
    fs::write(&note, format!("{}", built.took.as_secs_f64())).map_err(say(&note))?;
    Ok((place, built.took))
}

/// The first result that differs, byte by byte.
pub(crate) fn differs(ours: &Path, expected: &Path) -> Option<String> {
    let read = |folder: &Path, name: &str| fs::read(folder.join("picture").join(name)).ok();
    DELIVERED
        .iter()
        .find(|name| read(ours, name) != read(expected, name) || read(ours, name).is_none())
        .map(|name| (*name).to_owned())
}
