//! One zlib stream made of strips that are compressed beside each other.
//!
//! Each strip is a run of whole deflate blocks that ends on a byte (RFC 1951; the empty stored block of a flush), so strips
//! laid one after the other are one stream (RFC 1950). Where strips end depends on the picture alone: same pixels, same
//! bytes on any number of threads.

use std::io;

use zlib_rs::adler32::{adler32, adler32_combine};
use zlib_rs::{Deflate, DeflateConfig, DeflateFlush, Method, Status, Strategy};

/// The two bytes before the first block: deflate, a window of 32 KiB, the fastest level, no dictionary (RFC 1950, 2.2).
pub(super) const HEADER: [u8; 2] = [0x78, 0x01];

/// A strip compressed.
pub(super) struct Strip {
    /// Whole blocks.
    pub(super) bytes: Vec<u8>,
    /// Checksum and number of the bytes that went in.
    adler: u32,
    length: u64,
}

impl Strip {
    /// Compresses a strip; `last` ends the stream. Runs and the share of each byte are made use of, repeats from farther
    /// off are not looked for: in noise there are none, and looking takes five times as long.
    pub(super) fn of(raw: &[u8], last: bool) -> io::Result<Self> {
        let mut deflate = Deflate::new_with_config(DeflateConfig {
            level: 1,
            method: Method::Deflated,
            // Negative: blocks without header and trailer.
            window_bits: -15,
            mem_level: 9,
            strategy: Strategy::Rle,
        });
        let flush = if last {
            DeflateFlush::Finish
        } else {
            DeflateFlush::SyncFlush
        };
        // More than incompressible bytes need, so that one call does all.
        let mut bytes = vec![0; raw.len() + raw.len() / 8 + 64];
        let status = deflate
            .compress(raw, &mut bytes, flush)
            .map_err(|e| as_io(e.as_str()))?;
        let whole = deflate.total_in() == raw.len() as u64 && (status == Status::StreamEnd) == last;
        if !whole || deflate.total_out() == bytes.len() as u64 {
            return Err(as_io("a strip of a picture could not be compressed"));
        }
        bytes.truncate(deflate.total_out() as usize);
        Ok(Self {
            bytes,
            adler: adler32(1, raw),
            length: raw.len() as u64,
        })
    }

    /// The checksum of all strips up to this one, given that of those before.
    pub(super) fn checksum(&self, before: u32) -> u32 {
        adler32_combine(before, self.adler, self.length)
    }
}

fn as_io(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> io::Error {
    io::Error::other(error)
}
