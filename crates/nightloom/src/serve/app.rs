//! What all pages share.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::SystemTime;

use nightloom_outing::{
    OUTING_TOML, Settings, SettingsError, hash_bytes, option_in, parse_settings, with_option,
};
use nightloom_raster::atomic::write_whole;
use tokio::sync::broadcast;

use super::job::Job;
use super::pixels::Ready;
use crate::door::Door;

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
    /// A sentence of the build.
    Note {
        /// The sentence.
        words: String,
    },
    /// The build has ended.
    Built {
        /// Whether there is a picture.
        ok: bool,
        /// What it came to.
        words: String,
    },
}

/// The outing being served.
pub(crate) struct App {
    pub(super) folder: PathBuf,
    pub(super) door: Arc<Door>,
    /// Where this is served.
    pub(super) address: SocketAddr,
    events: broadcast::Sender<Event>,
    /// Held while outing.toml is read, changed and written.
    file: Mutex<()>,
    pub(super) job: Job,
    pub(super) ready: Ready,
    pub(super) thumbnails: Mutex<Thumbnails>,
    pub(super) verdicts: Mutex<BTreeMap<(PathBuf, Option<SystemTime>), serde_json::Value>>,
}

/// Small pictures by file, its time, and whether in red.
pub(super) type Thumbnails = BTreeMap<(PathBuf, Option<SystemTime>, bool), Vec<u8>>;

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
    /// The disk says no.
    #[error("{OUTING_TOML} cannot be read or written ({0}); check the folder's permissions and free space")]
    Disk(#[from] std::io::Error),
}

impl App {
    pub(super) fn new(folder: PathBuf, door: Arc<Door>, address: SocketAddr) -> Self {
        Self {
            folder,
            door,
            address,
            events: broadcast::Sender::new(BEHIND),
            file: Mutex::new(()),
            job: Job::default(),
            ready: Ready::default(),
            thumbnails: Mutex::default(),
            verdicts: Mutex::default(),
        }
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
        let text = match std::fs::read_to_string(self.folder.join(OUTING_TOML)) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(e) => return Err(e),
        };
        let version = hash_bytes(text.as_bytes()).to_string();
        Ok(Text { text, version })
    }

    pub(super) fn settings(&self) -> Result<Settings, EditError> {
        Ok(parse_settings(&self.text()?.text, OUTING_TOML)?)
    }

    /// Sets one option, if it is still what the page thought it was.
    pub(super) fn edit(&self, section: &str, key: &str, was: &str, typed: &str) -> Result<Text, EditError> {
        let _held = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        let before = self.text()?;
        let now = option_in(&before.text, section, key)?.unwrap_or_default();
        if now != was && now != typed {
            let said = |v: &str| {
                if v.is_empty() {
                    "not set".to_owned()
                } else {
                    format!("“{v}”")
                }
            };
            return Err(EditError::Changed {
                key: format!("{section}.{key}"),
                now: said(&now),
                was: said(was),
            });
        }
        let text = with_option(&before.text, section, key, typed)?;
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
