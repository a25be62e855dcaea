//! Content hashes (BLAKE3).

use std::fmt;
use std::io::{self, Read};
use std::path::Path;

use serde::{Deserialize, Serialize};

/// Bytes read at a time, and from how many on threads share a piece.
const PIECE: usize = 4 << 20;
const WORTH_SHARING: usize = 1 << 20;

/// A 256-bit content hash, written as 64 hexadecimal digits.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest([u8; 32]);

impl Digest {
    /// From its bytes.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
    /// Its bytes.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({self})")
    }
}

impl Serialize for Digest {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        blake3::Hash::from_hex(text.as_bytes())
            .map(|h| Self(*h.as_bytes()))
            .map_err(|_| serde::de::Error::custom("expected 64 hexadecimal digits"))
    }
}

/// The hash of bytes in memory.
pub fn hash_bytes(bytes: &[u8]) -> Digest {
    Digest(*blake3::hash(bytes).as_bytes())
}

/// The hash of a whole file, read in pieces.
///
/// # Errors
/// If it cannot be read.
pub fn hash_file(path: &Path) -> io::Result<Digest> {
    let mut file = nightloom_raster::open_regular(path)?;
    let mut hasher = blake3::Hasher::new();
    let mut piece = vec![0; PIECE];
    loop {
        match file.read(&mut piece) {
            Ok(0) => return Ok(Digest(*hasher.finalize().as_bytes())),
            Ok(n) if n < WORTH_SHARING => hasher.update(&piece[..n]),
            Ok(n) => hasher.update_rayon(&piece[..n]),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            Err(e) => return Err(e),
        };
    }
}
