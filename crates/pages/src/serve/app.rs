//! What all pages share.

use std::path::{Component, Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use nightloom_frames::FrameCheck;
use nightloom_outing::options::{OPTIONS, OptionKind};
use nightloom_outing::typed::{TypedError, latitude_deg, latitude_or_place, longitude_deg};
use nightloom_outing::{
    OUTING_TOML, SKYLINE_CSV, Settings, SettingsError, World, hash_bytes, option_in, parse_settings,
    turn_to_write, with_option,
};
use nightloom_raster::atomic::write_whole;
use nightloom_sky::night::Year;
use tokio::sync::broadcast;

use super::axis::Found;
use super::charts::Drawn;
use super::develop::Layers;
use super::dropped::Dropped;
use super::hints::Edge;
use super::job::Job;
use super::kept::{Gate, Kept};
use super::pixels::Ready;
use super::share::Share;
use crate::program::Program;

/// Events that a slow page may lie behind before it has to load anew.
const BEHIND: usize = 64;

/// Something that open pages want to know.
#[derive(Clone, Debug, serde::Serialize)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub(super) enum Event {
    /// outing.toml says something else now.
    Settings {
        /// Its state.
        version: String,
    },
    /// How far the build is.
    Progress {
        /// What it does.
        stage: String,
        /// Part of the whole that is done.
        part: f64,
        /// What it works on.
        note: String,
    },
    /// hints.toml says something else now.
    Hints {
        /// Its state.
        version: String,
    },
    /// A sentence of the build.
    Note {
        /// The sentence.
        words: String,
    },
    /// The sun has set or risen.
    Night,
    /// A frame has landed in the folder, whole.
    Frame {
        /// Its name in the outing.
        name: String,
    },
    /// A frame is there no more.
    FrameGone {
        /// Its name in the outing.
        name: String,
    },
    /// The picture on disk is another one now.
    Picture,
    /// The build has ended.
    Built {
        /// Whether there is a picture.
        ok: bool,
        /// What it came to.
        words: String,
    },
}

/// The outing being served.
pub(super) struct App {
    pub(super) folder: PathBuf,
    pub(super) program: Arc<dyn Program>,
    /// The local network's way in, if it was asked for.
    pub(super) share: Option<Arc<Share>>,
    events: broadcast::Sender<Event>,
    /// Held while outing.toml is read, changed and written.
    file: Mutex<()>,
    pub(super) job: Job,
    pub(super) ready: Ready,
    pub(super) edge: Edge,
    /// What is developed live.
    pub(super) layers: Layers,
    /// Small pictures, also by whether in red.
    pub(super) thumbnails: Kept<(FileKey, bool), Arc<Vec<u8>>>,
    pub(super) verdicts: Kept<FileKey, Arc<FrameCheck>>,
    pub(super) charts: Kept<String, Drawn>,
    /// Axes that were measured, by their frames.
    pub(super) axes: Kept<String, Found>,
    /// Frames from elsewhere.
    pub(super) dropped: Dropped,
    /// The place in words and its nights, by place, subject and year.
    pub(super) years: Kept<String, Arc<(String, Vec<Year>)>>,
    /// Room for developing: each part holds its layers.
    pub(super) developing: Gate,
    /// Room for writing pictures that are given away.
    pub(super) exporting: Gate,
    /// When frames were taken, by their files.
    pub(super) taken: Kept<FileKey, Option<String>>,
    /// Room for judging frames.
    pub(super) judging: Gate,
    /// Room for drawing small pictures, which do not wait for verdicts.
    pub(super) drawing: Gate,
}

/// A file as it was when it was read.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct FileKey {
    pub(super) path: PathBuf,
    modified: Option<SystemTime>,
    bytes: u64,
}

impl FileKey {
    pub(super) fn of(path: PathBuf) -> Self {
        let about = std::fs::metadata(&path).ok();
        Self {
            path,
            modified: about.as_ref().and_then(|m| m.modified().ok()),
            bytes: about.map_or(0, |m| m.len()),
        }
    }
}

/// Bytes of small pictures that are kept: those of a thousand frames.
const THUMBNAIL_BYTES: usize = 32 << 20;
/// Verdicts that are kept.
const VERDICTS: usize = 4096;
/// Bytes of charts that are kept: some hundred.
const CHART_BYTES: usize = 8 << 20;
/// Axes that are kept.
const AXES: usize = 16;
/// Years that are kept, some 30 KB each.
const YEARS: usize = 24;
/// A frame of 60 megapixels takes up to this while it is decoded and measured, MiB.
const DECODING_MIB: u64 = 2048;

/// How many frames may be judged at a time: two, if there are processors and memory for them.
fn judges(world: &dyn World) -> usize {
    let processors = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let room = world.memory_mib().is_none_or(|mib| mib >= 2 * DECODING_MIB);
    if room { processors.clamp(1, 2) } else { 1 }
}

/// outing.toml as it was read.
pub(super) struct Text {
    pub(super) text: String,
    /// Changes with every change of the text.
    pub(super) version: String,
}

/// Why an edit was not made.
#[derive(Debug, thiserror::Error)]
pub(super) enum EditError {
    /// Another page, or an editor, was there first.
    #[error(
        "{key} was changed elsewhere meanwhile: it is {now} there and was {was} here; look at it and set it again"
    )]
    Changed {
        /// Which option.
        key: String,
        /// What it is.
        now: String,
        /// What this page thought it was.
        was: String,
    },
    /// The value cannot be.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// What was typed for the place is none.
    #[error("{0}")]
    Place(#[from] TypedError),
    /// A file that is not of this outing.
    #[error(
        "{key} may name a file inside the outing's folder only, when it is set here; copy the file there, or write its path into {OUTING_TOML} by hand"
    )]
    Outside {
        /// Which option.
        key: String,
    },
    /// The disk says no.
    #[error("{OUTING_TOML} cannot be read or written ({0}); check the folder's permissions and free space")]
    Disk(#[from] std::io::Error),
}

/// Whether an option's value is the path of a file.
fn names_file(section: &str, key: &str) -> bool {
    let mut paths = OPTIONS.iter().filter(|o| o.kind == OptionKind::File);
    paths.any(|o| o.section == section && o.key == key)
}

impl App {
    pub(super) fn new(folder: PathBuf, program: Arc<dyn Program>, share: Option<Arc<Share>>) -> Self {
        let judging = Gate::new(judges(program.world()));
        Self {
            folder,
            program,
            share,
            events: broadcast::Sender::new(BEHIND),
            file: Mutex::new(()),
            job: Job::default(),
            ready: Ready::default(),
            edge: Edge::default(),
            layers: Layers::default(),
            thumbnails: Kept::new(THUMBNAIL_BYTES, |bytes| bytes.len()),
            verdicts: Kept::new(VERDICTS, |_| 1),
            dropped: Dropped::default(),
            axes: Kept::new(AXES, |_| 1),
            charts: Kept::new(CHART_BYTES, Drawn::bytes),
            years: Kept::new(YEARS, |_| 1),
            developing: Gate::new(2),
            exporting: Gate::new(1),
            taken: Kept::new(VERDICTS, |_| 1),
            judging,
            drawing: Gate::new(1),
        }
    }

    /// A name of the outing for what a browser keeps, which says nothing of where it lies.
    pub(super) fn mark(&self) -> String {
        nightloom_outing::hash_bytes(self.folder.as_os_str().as_encoded_bytes()).to_string()
    }

    /// The clock, the decoders and the wish to stop.
    pub(super) fn world(&self) -> &dyn World {
        self.program.world()
    }

    pub(super) fn listen(&self) -> broadcast::Receiver<Event> {
        self.events.subscribe()
    }

    pub(super) fn tell(&self, event: Event) {
        // Without a page nobody listens.
        let _ = self.events.send(event);
    }

    /// outing.toml as it stands; empty where there is none.
    pub(super) fn text(&self) -> std::io::Result<Text> {
        let text = match nightloom_raster::read_text(&self.folder.join(OUTING_TOML)) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(e) => return Err(e),
        };
        let version = hash_bytes(text.as_bytes()).to_string();
        Ok(Text { text, version })
    }

    /// Changes with everything in the folder that charts are drawn from.
    pub(super) fn state(&self) -> Result<String, EditError> {
        let skyline = FileKey::of(self.folder.join(SKYLINE_CSV));
        Ok(format!(
            "{} {:?} {}",
            self.text()?.version,
            skyline.modified,
            skyline.bytes
        ))
    }

    pub(super) fn settings(&self) -> Result<Settings, EditError> {
        Ok(parse_settings(&self.text()?.text, OUTING_TOML)?)
    }

    /// Whether a path names a regular file inside the outing, or nothing there; links are followed to their end.
    fn is_inside(&self, typed: &str) -> bool {
        let path = Path::new(typed.trim_matches('"'));
        let plain = path
            .components()
            .all(|c| matches!(c, Component::Normal(_) | Component::CurDir));
        if !plain {
            return false;
        }
        match std::fs::canonicalize(self.folder.join(path)) {
            Ok(found) => found.starts_with(&self.folder) && found.is_file(),
            Err(e) => e.kind() == std::io::ErrorKind::NotFound,
        }
    }

    /// Sets one option, if it is still what the page thought it was.
    pub(super) fn edit(&self, section: &str, key: &str, was: &str, typed: &str) -> Result<Text, EditError> {
        if names_file(section, key) && !typed.is_empty() && !self.is_inside(typed) {
            let key = format!("{section}.{key}");
            return Err(EditError::Outside { key });
        }
        self.change(|text| {
            unchanged(text, section, key, was, typed)?;
            Ok(with_option(text, section, key, typed)?)
        })
    }

    /// Sets latitude and longitude, each with what the page thought it was and what was typed. Both may be typed for the
    /// latitude, the longitude then being empty.
    pub(super) fn edit_place(&self, [latitude, longitude]: [(&str, &str); 2]) -> Result<Text, EditError> {
        let typed = match (latitude.1, longitude.1) {
            ("", "") => String::new(),
            (both, "") => match latitude_or_place(both, false)? {
                Err(place) => format!("{}, {}", place.latitude_deg, place.longitude_deg),
                Ok(alone) => alone.to_string(),
            },
            (north, east) => format!("{}, {}", latitude_deg(north)?, longitude_deg(east)?),
        };
        self.change(|text| {
            for ((was, typed), key) in [latitude, longitude]
                .into_iter()
                .zip(["latitude_deg", "longitude_deg"])
            {
                unchanged(text, "site", key, was, typed)?;
            }
            Ok(with_option(text, "site", "latitude_deg", &typed)?)
        })
    }

    /// Changes the text of outing.toml and tells the pages.
    pub(super) fn change(
        &self,
        make: impl FnOnce(&str) -> Result<String, EditError>,
    ) -> Result<Text, EditError> {
        let _held = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        // Another server, or a command, may be at it too.
        let _turn = turn_to_write(&self.folder)?;
        let text = make(&self.text()?.text)?;
        write_whole(&self.folder.join(OUTING_TOML), |out| {
            std::io::Write::write_all(out, text.as_bytes())
        })?;
        let after = self.text()?;
        self.tell(Event::Settings {
            version: after.version.clone(),
        });
        Ok(after)
    }
}

/// An error if an option is neither what the page thought it was nor what it is to be.
fn unchanged(text: &str, section: &str, key: &str, was: &str, typed: &str) -> Result<(), EditError> {
    let now = option_in(text, section, key)?.unwrap_or_default();
    if now == was || now == typed {
        return Ok(());
    }
    let said = |v: &str| {
        if v.is_empty() {
            "not set".to_owned()
        } else {
            format!("“{v}”")
        }
    };
    Err(EditError::Changed {
        key: format!("{section}.{key}"),
        now: said(&now),
        was: said(was),
    })
}
