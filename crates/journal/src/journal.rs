//! The append-only record of what was done, with which inputs and settings.
//!
//! One line of JSON per finished step in `.nightloom/journal.jsonl`. A step whose key (its name,
//! version, inputs' content and settings) stands there, and whose outputs are still what they
//! were, need not be done again. Each line carries a checksum: one that is torn or damaged is
//! passed over, so its step is done anew.
//!
//! Invariant: an entry is written only after its outputs stand complete under their final names.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read as _, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use nightloom_raster::WorkFile;
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

use crate::hash_cache::HashCache;
use crate::seal::{seal, sealed};
use nightloom_outing::{Digest, FolderError, WORK};

/// The file inside the work folder.
const JOURNAL: &str = "journal.jsonl";

/// A journal that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The folder does not allow it.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// Another build is at work.
    #[error("another build is at work in {} (process {holder}); wait for it to end, or stop it", path.display())]
    Busy {
        /// The outing's folder.
        path: PathBuf,
        /// Its process number, or “unknown”.
        holder: String,
    },
    /// An input or output could not be read for hashing.
    #[error("{} cannot be read ({reason}); check the file and its permissions", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
}

/// The identity of a step's work: equal keys mean equal results.
///
/// ```
/// use nightloom_outing::hash_bytes;
/// use nightloom_journal::StepKey;
/// let one = StepKey::new("master-dark", 1).input("darks/1.dng", hash_bytes(b"pixels")).settings(&0.5).finish();
/// let two = StepKey::new("master-dark", 1).input("darks/1.dng", hash_bytes(b"pixels")).settings(&0.6).finish();
/// assert_ne!(one, two);
/// ```
#[derive(Clone, Debug)]
pub struct StepKey {
    hasher: blake3::Hasher,
}

impl StepKey {
    /// Begins the key of a step; raise `version` when the step's algorithm changes its results.
    pub fn new(step: &str, version: u32) -> Self {
        let key = Self {
            hasher: blake3::Hasher::new(),
        };
        key.part(b's', step.as_bytes()).part(b'v', &version.to_le_bytes())
    }
    /// Adds an input under a name; the order of inputs counts.
    #[must_use]
    pub fn input(self, name: &str, content: Digest) -> Self {
        self.part(b'i', name.as_bytes()).part(b'c', content.as_bytes())
    }
    /// Adds the settings the step depends on, as they serialise. What does not serialise counts as absent.
    #[must_use]
    pub fn settings<T: Serialize + ?Sized>(self, settings: &T) -> Self {
        let bytes = serde_json::to_vec(settings).unwrap_or_default();
        self.part(b'p', &bytes)
    }
    /// The key.
    pub fn finish(self) -> Digest {
        Digest::from_bytes(*self.hasher.finalize().as_bytes())
    }
    /// Tag and length before each part, so that no two different sequences run together.
    fn part(mut self, tag: u8, bytes: &[u8]) -> Self {
        self.hasher
            .update(&[tag])
            .update(&(bytes.len() as u64).to_le_bytes())
            .update(bytes);
        self
    }
}

/// A file that a step left behind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Output {
    /// Path inside the outing with `/`.
    pub path: String,
    /// Content hash; of a work file that which it carries itself, its bands being checked when they are read.
    pub hash: Digest,
    /// Size in bytes.
    pub bytes: u64,
}

/// One finished step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The step's name.
    pub step: String,
    /// The key of its work.
    pub key: Digest,
    /// What it left behind.
    #[serde(default)]
    pub outputs: Vec<Output>,
    /// Small results kept in the journal itself.
    #[serde(default)]
    pub data: serde_json::Value,
    /// Version of the program.
    pub program: String,
    /// When it was finished.
    pub at: Instant,
}

/// By step and key.
type Entries = BTreeMap<(String, Digest), Entry>;

/// The journal of one outing, held by one build at a time.
#[derive(Debug)]
pub struct Journal {
    folder: PathBuf,
    entries: Entries,
    file: Mutex<File>,
    hashes: Arc<HashCache>,
    /// Every file that a step left behind at any time, with its content.
    left: BTreeSet<(String, Digest)>,
    passed_over: usize,
    /// Held until the journal is dropped; the system frees it when the process dies.
    _lock: File,
}

impl Journal {
    /// Opens or begins the journal of the outing in `folder` and takes the outing's lock.
    ///
    /// `now` is the time of opening; files changed later than two seconds before it are hashed anew each time.
    ///
    /// # Errors
    /// If nothing can be written into the folder, or another build holds it.
    pub fn open(folder: &Path, now: Instant) -> Result<Self, JournalError> {
        let work = folder.join(WORK);
        fs::create_dir_all(&work).map_err(|e| FolderError::unwritable(&work, &e))?;
        let lock = take_lock(folder, &work.join("lock"))?;
        let path = work.join(JOURNAL);
        let mut file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(&path)
            .map_err(|e| FolderError::unwritable(&path, &e))?;
        let Lines {
            entries,
            left,
            passed_over,
        } = read_entries(&file).map_err(|e| FolderError::unreadable(&path, &e))?;
        end_torn_line(&mut file).map_err(|e| FolderError::unwritable(&path, &e))?;
        let hashes = HashCache::open(&work.join("hashes.jsonl"), now);
        Ok(Self {
            folder: folder.into(),
            entries,
            file: Mutex::new(file),
            hashes: Arc::new(hashes),
            left,
            passed_over,
            _lock: lock,
        })
    }

    /// The entry of a step that was done with this key and whose outputs are still there, unchanged.
    pub fn fresh(&self, step: &str, key: Digest) -> Option<&Entry> {
        let entry = self.entries.get(&(step.to_owned(), key))?;
        entry.outputs.iter().all(|o| self.stands(o)).then_some(entry)
    }

    /// Records a finished step with the files it left behind, given by path inside the outing with `/`.
    /// Returns the entry, which is on the disk when this returns.
    ///
    /// # Errors
    /// If an output cannot be read, or the journal cannot be written.
    pub fn record(
        &mut self,
        step: &str,
        key: Digest,
        outputs: &[&str],
        data: serde_json::Value,
        at: Instant,
    ) -> Result<&Entry, JournalError> {
        let outputs = self.outputs(outputs)?;
        self.record_of(step, key, outputs, data, at)
    }

    /// Files by path inside the outing, with their content.
    pub fn outputs(&self, names: &[&str]) -> Result<Vec<Output>, JournalError> {
        names.iter().map(|p| self.output(p)).collect()
    }

    /// The same for outputs that are known already.
    pub fn record_of(
        &mut self,
        step: &str,
        key: Digest,
        outputs: Vec<Output>,
        data: serde_json::Value,
        at: Instant,
    ) -> Result<&Entry, JournalError> {
        let program = env!("CARGO_PKG_VERSION").to_owned();
        let entry = Entry {
            step: step.to_owned(),
            key,
            outputs,
            data,
            program,
            at,
        };
        self.append(&entry)?;
        self.left
            .extend(entry.outputs.iter().map(|o| (o.path.clone(), o.hash)));
        let slot = self.entries.entry((entry.step.clone(), key)).insert_entry(entry);
        Ok(slot.into_mut())
    }

    /// The content hash of a file, from the cache when the file has not changed since.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn hash(&self, path: &Path) -> Result<Digest, JournalError> {
        self.hashes.hash(path).map_err(|e| JournalError::Unreadable {
            path: path.into(),
            reason: e.to_string(),
        })
    }

    /// The hashes of files, for telling elsewhere whether one changed since it was hashed here.
    pub fn hashes(&self) -> Arc<HashCache> {
        Arc::clone(&self.hashes)
    }

    /// Whether a step left a file of this name at any time, whatever is in it now.
    pub fn names(&self, name: &str) -> bool {
        let from = (name.to_owned(), Digest::from_bytes([0; 32]));
        self.left
            .range(from..)
            .next()
            .is_some_and(|(found, _)| found == name)
    }

    /// Whether a step left this file of this content at any time: then nobody else changed it since.
    pub fn left(&self, name: &str, content: Digest) -> bool {
        self.left.contains(&(name.to_owned(), content))
    }

    /// Looks at the content of everything that the newest entries name inside a folder, and removes what is not what
    /// it was; its steps are then done again. Returns what was removed.
    pub fn remove_damaged(&self, inside: &str) -> Vec<String> {
        let mut removed = Vec::new();
        for output in self.entries.values().flat_map(|e| &e.outputs) {
            let path = self.folder.join(&output.path);
            if !output.path.starts_with(inside) || !is_own_file(&self.folder, &output.path) {
                continue;
            }
            if is_damaged(&path, output.hash) && fs::remove_file(&path).is_ok() {
                removed.push(output.path.clone());
            }
        }
        removed
    }

    /// The outing's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The folder for work files, inside the outing.
    pub fn work_folder(&self) -> PathBuf {
        self.folder.join(WORK)
    }

    /// All entries, by step and key.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.entries.values()
    }

    /// How many lines could not be read and were passed over: at most one after a kill.
    pub fn passed_over(&self) -> usize {
        self.passed_over
    }

    fn stands(&self, output: &Output) -> bool {
        let path = self.folder.join(&output.path);
        fs::metadata(&path).is_ok_and(|m| m.is_file() && m.len() == output.bytes)
            && self.content(&path).is_ok_and(|h| h == output.hash)
    }

    fn content(&self, path: &Path) -> io::Result<Digest> {
        if is_work_file(path) {
            return Ok(Digest::from_bytes(WorkFile::open(path)?.identity()));
        }
        self.hashes.hash(path)
    }

    fn output(&self, name: &str) -> Result<Output, JournalError> {
        let path = self.folder.join(name);
        let hash = self.content(&path).map_err(|e| JournalError::Unreadable {
            path: path.clone(),
            reason: e.to_string(),
        })?;
        let bytes = fs::metadata(&path)
            .map_err(|e| JournalError::Unreadable {
                path,
                reason: e.to_string(),
            })?
            .len();
        Ok(Output {
            path: name.to_owned(),
            hash,
            bytes,
        })
    }

    /// One write call per line, so that a kill tears at most the last line.
    fn append(&self, entry: &Entry) -> Result<(), JournalError> {
        let path = self.folder.join(WORK).join(JOURNAL);
        let failed = |e: io::Error| JournalError::Folder(FolderError::unwritable(&path, &e));
        let line = seal(serde_json::to_vec(entry).map_err(|e| failed(e.into()))?);
        let mut file = self
            .file
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner);
        file.write_all(&line)
            .and_then(|()| file.sync_data())
            .map_err(failed)
    }
}

/// Whether a file carries the hashes of its own bands, by its name's end.
fn is_work_file(path: &Path) -> bool {
    let ending = path.extension().and_then(|e| e.to_str());
    ending.is_some_and(|e| ["work", "plane", "planes"].contains(&e))
}

/// Whether a file's content, all of it, is another than that.
fn is_damaged(path: &Path, hash: Digest) -> bool {
    if is_work_file(path) {
        let sound = |file: WorkFile| Digest::from_bytes(file.identity()) == hash && file.check_all().is_ok();
        return !WorkFile::open(path).is_ok_and(sound);
    }
    nightloom_outing::hash_file(path).is_ok_and(|h| h != hash)
}

/// Whether a name inside the outing is a regular file that no link leads to: only such are removed.
pub(crate) fn is_own_file(folder: &Path, name: &str) -> bool {
    let mut path = folder.to_path_buf();
    let parts: Vec<&str> = name.split('/').collect();
    let plain = |part: &&str| !part.is_empty() && *part != "." && *part != "..";
    let Some((file, folders)) = parts.split_last().filter(|_| parts.iter().all(plain)) else {
        return false;
    };
    for part in folders {
        path.push(part);
        if !fs::symlink_metadata(&path).is_ok_and(|m| m.is_dir()) {
            return false;
        }
    }
    path.push(file);
    fs::symlink_metadata(&path).is_ok_and(|m| m.is_file())
}

/// What is read of a journal.
#[derive(Default)]
struct Lines {
    entries: Entries,
    left: BTreeSet<(String, Digest)>,
    passed_over: usize,
}

/// What stands in an outing's journal, the last first; nothing where there is none. It is read only: a build may be
/// writing to it.
pub fn entries_of(folder: &Path) -> impl Iterator<Item = Entry> {
    let text = fs::read(folder.join(WORK).join(JOURNAL)).unwrap_or_default();
    let mut end = text.len();
    let lines = std::iter::from_fn(move || {
        let last = end.checked_sub(1)?;
        let begin = text[..last]
            .iter()
            .rposition(|b| *b == b'\n')
            .map_or(0, |at| at + 1);
        let entry = entry_of(&text[begin..end]);
        end = begin;
        Some(entry)
    });
    lines.flatten()
}

/// One line that was not changed since it was written.
fn entry_of(line: &[u8]) -> Option<Entry> {
    serde_json::from_slice(sealed(line)?).ok()
}

/// Reads what can be read; a later entry of the same step and key takes the place of an earlier one.
fn read_entries(file: &File) -> io::Result<Lines> {
    let mut read = Lines::default();
    let mut reader = BufReader::new(file);
    let mut line = Vec::new();
    while reader.read_until(b'\n', &mut line)? > 0 {
        // What a damaged line names counts as left, if its content is what the line says: nobody else has that.
        if let Ok(entry) = serde_json::from_slice::<Entry>(&line) {
            let outputs = entry.outputs.into_iter().map(|o| (o.path, o.hash));
            read.left.extend(outputs);
        }
        match entry_of(&line) {
            Some(entry) => {
                read.entries.insert((entry.step.clone(), entry.key), entry);
            }
            None if line.iter().all(u8::is_ascii_whitespace) => {}
            None => read.passed_over += 1,
        }
        line.clear();
    }
    Ok(read)
}

/// A torn last line gets its end, so that the next entry stands on a line of its own.
fn end_torn_line(file: &mut File) -> io::Result<()> {
    if file.seek(SeekFrom::End(0))? == 0 {
        return Ok(());
    }
    file.seek(SeekFrom::End(-1))?;
    let mut last = [0];
    file.read_exact(&mut last)?;
    if last == *b"\n" {
        Ok(())
    } else {
        file.write_all(b"\n")
    }
}

/// The lock belongs to the open file, so a dead build leaves none behind.
fn take_lock(folder: &Path, path: &Path) -> Result<File, JournalError> {
    let unwritable = |e: io::Error| JournalError::Folder(FolderError::unwritable(path, &e));
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(unwritable)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(fs::TryLockError::WouldBlock) => {
            let mut holder = String::new();
            let known = file.read_to_string(&mut holder).is_ok() && !holder.trim().is_empty();
            let holder = if known {
                holder.trim().to_owned()
            } else {
                "unknown".to_owned()
            };
            return Err(JournalError::Busy {
                path: folder.into(),
                holder,
            });
        }
        // Some network disks know no locks; working there unlocked beats not working.
        Err(fs::TryLockError::Error(_)) => {}
    }
    file.set_len(0)
        .and_then(|()| write!(file, "{}", std::process::id()))
        .map_err(unwritable)?;
    Ok(file)
}
