//! Content hashes of files, remembered while a file does not change.

use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::path::Path;
use std::sync::Mutex;

use nightloom_outing::{Digest, hash_file};
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

use crate::seal::{seal, sealed};
use crate::system::{FileTimes, file_times};

/// What a file's unchangedness is judged by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
struct Mark {
    bytes: u64,
    modified_ns: i128,
    changed_ns: i128,
    inode: u64,
}

#[derive(Serialize, Deserialize)]
struct Line {
    path: String,
    mark: Mark,
    hash: Digest,
}

/// A cache of a hundred thousand files is smaller.
const MOST_BYTES: u64 = 64 << 20;

/// A file changed less than this before the cache was opened could change again unseen.
const UNSURE_NS: i128 = 2_000_000_000;

/// A file that changes while it is hashed is hashed so many times.
const TRIES: usize = 3;

/// Remembers hashes by path, size, times and inode.
#[derive(Debug)]
pub struct HashCache {
    known: Mutex<HashMap<String, (Mark, Digest)>>,
    /// What files were when they were hashed here.
    seen: Mutex<HashMap<String, Mark>>,
    file: Option<Mutex<File>>,
    settled_before_ns: i128,
}

impl HashCache {
    /// Opens the cache; one that cannot be read or written is merely slower.
    pub fn open(path: &Path, now: Instant) -> Self {
        let mut known = HashMap::new();
        let bytes = nightloom_raster::read_regular(path, MOST_BYTES).unwrap_or_default();
        let text = String::from_utf8_lossy(&bytes);
        let whole = text.split_inclusive('\n').filter_map(|l| sealed(l.as_bytes()));
        for line in whole.filter_map(|l| serde_json::from_slice::<Line>(l).ok()) {
            known.insert(line.path, (line.mark, line.hash));
        }
        let mut file = OpenOptions::new().append(true).create(true).open(path).ok();
        if !text.is_empty() && !text.ends_with('\n') {
            // A line torn by a kill must not swallow the next one.
            file = file.and_then(|mut f| f.write_all(b"\n").is_ok().then_some(f));
        }
        let now_ns = now.timestamp().as_nanosecond();
        Self {
            known: Mutex::new(known),
            seen: Mutex::default(),
            file: file.map(Mutex::new),
            settled_before_ns: now_ns - UNSURE_NS,
        }
    }

    /// The hash of a file.
    pub fn hash(&self, path: &Path) -> io::Result<Digest> {
        for _ in 0..TRIES {
            let before = mark(path)?;
            let hash = self.hash_of(path, before)?;
            if mark(path)? == before {
                lock(&self.seen).insert(path.to_string_lossy().into_owned(), before);
                return Ok(hash);
            }
        }
        Err(io::Error::other("it is being written to; let the copying end"))
    }

    /// Whether a file is still the one that was hashed here: same size, times and inode.
    pub fn unchanged(&self, path: &Path) -> bool {
        let seen = lock(&self.seen).get(&*path.to_string_lossy()).copied();
        seen.is_some_and(|seen| mark(path).is_ok_and(|now| now == seen))
    }

    fn hash_of(&self, path: &Path, before: Mark) -> io::Result<Digest> {
        let name = path.to_string_lossy().into_owned();
        if let Some((mark, hash)) = lock(&self.known).get(&name)
            && *mark == before
        {
            return Ok(*hash);
        }
        let hash = hash_file(path)?;
        let settled = before.modified_ns.max(before.changed_ns) < self.settled_before_ns;
        if settled && mark(path)? == before {
            self.remember(name, before, hash);
        }
        Ok(hash)
    }

    fn remember(&self, path: String, mark: Mark, hash: Digest) {
        lock(&self.known).insert(path.clone(), (mark, hash));
        if let (Some(file), Ok(line)) = (&self.file, serde_json::to_vec(&Line { path, mark, hash })) {
            // A cache that cannot grow is only slower.
            let _ = lock(file).write_all(&seal(line));
        }
    }
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

fn mark(path: &Path) -> io::Result<Mark> {
    let FileTimes {
        bytes,
        modified_ns,
        changed_ns,
        inode,
    } = file_times(path)?;
    Ok(Mark {
        bytes,
        modified_ns,
        changed_ns,
        inode,
    })
}
