//! One frame in a scratch file, read back in bands.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::atomic::write_whole;
use crate::{Plane, Rgb};

const MAGIC: &[u8; 8] = b"NLWORK\0\x01";
const HEADER_BYTES: usize = 32;
/// Values encoded or decoded at a time.
const CHUNK: usize = 1 << 15;

/// Lowest value that can be stored.
pub const WORK_MIN: f32 = -0.0625;
/// Step between stored values, 2⁻¹⁵.
pub const WORK_STEP: f32 = 1.0 / 32768.0;
/// Highest value that can be stored.
pub const WORK_MAX: f32 = WORK_MIN + 65535.0 * WORK_STEP;

/// Why a scratch file could not be made or read.
#[derive(Debug, thiserror::Error)]
pub enum WorkFileError {
    /// The file system failed.
    #[error("scratch file {}: {source}. Check the room left on that disk and run again.", path.display())]
    Io {
        /// The file meant.
        path: PathBuf,
        /// What failed.
        source: io::Error,
    },
    /// The file is not a whole scratch file of this version.
    #[error("scratch file {}: expected {expected}, found {found}. Delete it and run again: it is made anew.", path.display())]
    Damaged {
        /// The file meant.
        path: PathBuf,
        /// What should be there.
        expected: String,
        /// What is there.
        found: String,
    },
    /// Rows or planes were asked for, or given, that the file does not have.
    #[error("scratch file {}: {what}.", path.display())]
    Range {
        /// The file meant.
        path: PathBuf,
        /// What was asked.
        what: String,
    },
}

/// One frame of one or more planes on disk, readable in bands from several threads at once.
///
/// Values are kept as 16-bit fixed point from [`WORK_MIN`] to [`WORK_MAX`] (−0.0625 to 1.9375) in steps of
/// [`WORK_STEP`] (2⁻¹⁵, half a step of a 14-bit sensor); the rounding adds an
/// error of step/√12 = 8.8e-6 rms. Values outside are clamped, not-a-number becomes the lowest.
#[derive(Debug)]
pub struct WorkFile {
    path: PathBuf,
    file: File,
    width: usize,
    height: usize,
    planes: usize,
}

impl WorkFile {
    /// Writes a frame plane by plane: `row(plane, y, out)` fills one row, called in order. The file
    /// appears whole or not at all.
    ///
    /// # Errors
    /// [`WorkFileError::Io`] when a row cannot be had or the file cannot be written.
    pub fn create(
        path: &Path,
        width: usize,
        height: usize,
        planes: usize,
        mut row: impl FnMut(usize, usize, &mut [f32]) -> io::Result<()>,
    ) -> Result<Self, WorkFileError> {
        let rows = band_rows(width);
        let write = |file: &mut BufWriter<File>| {
            file.write_all(&header(width, height, planes))?;
            let mut values = vec![0.0; width * rows];
            let mut bytes = vec![0; width * rows * 2];
            for plane in 0..planes {
                for y0 in (0..height).step_by(rows) {
                    let n = rows.min(height - y0);
                    for y in 0..n {
                        row(plane, y0 + y, &mut values[y * width..(y + 1) * width])?;
                    }
                    encode(&values[..n * width], &mut bytes[..n * width * 2]);
                    file.write_all(&bytes[..n * width * 2])?;
                }
            }
            Ok(())
        };
        write_whole(path, write).map_err(|source| WorkFileError::Io {
            path: path.to_owned(),
            source,
        })?;
        Self::open(path)
    }

    /// Writes three planes.
    ///
    /// # Errors
    /// As [`WorkFile::create`].
    pub fn write_rgb(path: &Path, picture: &Rgb) -> Result<Self, WorkFileError> {
        Self::create(path, picture.width(), picture.height(), 3, |plane, y, out| {
            out.copy_from_slice(picture.planes()[plane].row(y));
            Ok(())
        })
    }

    /// Writes one plane.
    ///
    /// # Errors
    /// As [`WorkFile::create`].
    pub fn write_plane(path: &Path, plane: &Plane) -> Result<Self, WorkFileError> {
        Self::create(path, plane.width(), plane.height(), 1, |_, y, out| {
            out.copy_from_slice(plane.row(y));
            Ok(())
        })
    }

    /// Opens one that was written before. Checks the header and the length; the contents are whole
    /// because a scratch file only gets its name once it is.
    ///
    /// # Errors
    /// [`WorkFileError`] when it cannot be read or is not a whole scratch file.
    pub fn open(path: &Path) -> Result<Self, WorkFileError> {
        let io = |source| WorkFileError::Io {
            path: path.to_owned(),
            source,
        };
        let damaged = |expected: String, found: String| WorkFileError::Damaged {
            path: path.to_owned(),
            expected,
            found,
        };
        let file = File::open(path).map_err(io)?;
        let length = file.metadata().map_err(io)?.len();
        let mut head = [0; HEADER_BYTES];
        if length < HEADER_BYTES as u64 {
            return Err(damaged(
                format!("at least {HEADER_BYTES} bytes"),
                format!("{length}"),
            ));
        }
        file.read_exact_at(&mut head, 0).map_err(io)?;
        let Some([width, height, planes]) = parse_header(&head) else {
            return Err(damaged(
                "a header of this version".into(),
                format!("{:?}", &head[..8]),
            ));
        };
        let pixels = width
            .checked_mul(height)
            .and_then(|n| n.checked_mul(planes))
            .and_then(|n| n.checked_mul(2));
        let expected = pixels.and_then(|n| n.checked_add(HEADER_BYTES as u64));
        if expected != Some(length) {
            return Err(damaged(
                format!("{width} × {height} × {planes} values"),
                format!("{length} bytes"),
            ));
        }
        let size = |n: u64| n as usize;
        Ok(Self {
            path: path.to_owned(),
            file,
            width: size(width),
            height: size(height),
            planes: size(planes),
        })
    }

    /// Pixels across.
    pub fn width(&self) -> usize {
        self.width
    }
    /// Pixels down.
    pub fn height(&self) -> usize {
        self.height
    }
    /// Planes.
    pub fn planes(&self) -> usize {
        self.planes
    }
    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Reads `rows` rows of one plane from row `y0` into `out`, which must hold width × rows values.
    ///
    /// # Errors
    /// [`WorkFileError`] when those rows do not exist, `out` has another length, or reading fails.
    pub fn read_rows(
        &self,
        plane: usize,
        y0: usize,
        rows: usize,
        out: &mut [f32],
    ) -> Result<(), WorkFileError> {
        let inside = plane < self.planes && y0.checked_add(rows).is_some_and(|end| end <= self.height);
        if !inside || out.len() != rows * self.width {
            let what = format!(
                "plane {plane}, rows {y0} + {rows} into {} values were asked of {} planes of {} × {}",
                out.len(),
                self.planes,
                self.width,
                self.height
            );
            return Err(WorkFileError::Range {
                path: self.path.clone(),
                what,
            });
        }
        let mut bytes = vec![0; CHUNK.min(out.len()) * 2];
        let mut at = (HEADER_BYTES + ((plane * self.height + y0) * self.width) * 2) as u64;
        for chunk in out.chunks_mut(CHUNK) {
            let bytes = &mut bytes[..chunk.len() * 2];
            self.file
                .read_exact_at(bytes, at)
                .map_err(|source| WorkFileError::Io {
                    path: self.path.clone(),
                    source,
                })?;
            decode(bytes, chunk);
            at += bytes.len() as u64;
        }
        Ok(())
    }

    /// Reads the rectangle of `width` × `rows` pixels of one plane whose first pixel is `first`
    /// (x, y) into `out`, row after row.
    ///
    /// # Errors
    /// As [`WorkFile::read_rows`].
    pub fn read_block(
        &self,
        plane: usize,
        first: [usize; 2],
        width: usize,
        rows: usize,
        out: &mut [f32],
    ) -> Result<(), WorkFileError> {
        let fits = |from: usize, n: usize, all: usize| from.checked_add(n).is_some_and(|end| end <= all);
        let inside =
            plane < self.planes && fits(first[0], width, self.width) && fits(first[1], rows, self.height);
        if !inside || out.len() != width * rows {
            let what = format!(
                "plane {plane}, {width} × {rows} pixels at {first:?} into {} values were asked of {} planes of {} × {}",
                out.len(),
                self.planes,
                self.width,
                self.height
            );
            return Err(WorkFileError::Range {
                path: self.path.clone(),
                what,
            });
        }
        let mut bytes = vec![0; width * 2];
        for (y, line) in (first[1]..).zip(out.chunks_exact_mut(width.max(1))) {
            let at = HEADER_BYTES + ((plane * self.height + y) * self.width + first[0]) * 2;
            self.file
                .read_exact_at(&mut bytes, at as u64)
                .map_err(|source| WorkFileError::Io {
                    path: self.path.clone(),
                    source,
                })?;
            decode(&bytes, line);
        }
        Ok(())
    }

    /// Reads one plane whole.
    ///
    /// # Errors
    /// As [`WorkFile::read_rows`].
    pub fn read_plane(&self, plane: usize) -> Result<Plane, WorkFileError> {
        let mut whole = Plane::filled(self.width, self.height, 0.0);
        if self.width == 0 {
            return Ok(whole);
        }
        let rows = band_rows(self.width);
        whole
            .data_mut()
            .par_chunks_mut(rows * self.width)
            .enumerate()
            .try_for_each(|(band, out)| self.read_rows(plane, band * rows, out.len() / self.width, out))?;
        Ok(whole)
    }

    /// Reads a frame of three planes whole.
    ///
    /// # Errors
    /// As [`WorkFile::read_rows`]; a frame of other than three planes is out of range.
    pub fn read_rgb(&self) -> Result<Rgb, WorkFileError> {
        if self.planes != 3 {
            let what = format!(
                "a colour frame was asked for, the file has {} planes",
                self.planes
            );
            return Err(WorkFileError::Range {
                path: self.path.clone(),
                what,
            });
        }
        Ok(Rgb::from_planes([
            self.read_plane(0)?,
            self.read_plane(1)?,
            self.read_plane(2)?,
        ]))
    }
}

/// Rows worked on at a time, about half a million values.
fn band_rows(width: usize) -> usize {
    ((1 << 19) / width.max(1)).max(1)
}

fn header(width: usize, height: usize, planes: usize) -> [u8; HEADER_BYTES] {
    let mut head = [0; HEADER_BYTES];
    head[..8].copy_from_slice(MAGIC);
    for (slot, n) in head[8..].chunks_exact_mut(8).zip([width, height, planes]) {
        slot.copy_from_slice(&(n as u64).to_le_bytes());
    }
    head
}

fn parse_header(head: &[u8; HEADER_BYTES]) -> Option<[u64; 3]> {
    let (magic, rest) = head.split_first_chunk::<8>()?;
    let mut numbers = rest.as_chunks::<8>().0.iter().map(|b| u64::from_le_bytes(*b));
    (magic == MAGIC).then(|| [0; 3].map(|_: u64| numbers.next().unwrap_or(0)))
}

fn encode(values: &[f32], bytes: &mut [u8]) {
    bytes
        .par_chunks_mut(CHUNK * 2)
        .zip(values.par_chunks(CHUNK))
        .for_each(|(bytes, values)| {
            for (b, &v) in bytes.as_chunks_mut::<2>().0.iter_mut().zip(values) {
                // `as` saturates, and the half makes it round to nearest.
                *b = (((v - WORK_MIN) * 32768.0 + 0.5) as u16).to_le_bytes();
            }
        });
}

fn decode(bytes: &[u8], values: &mut [f32]) {
    for (v, b) in values.iter_mut().zip(bytes.as_chunks::<2>().0) {
        *v = f32::from(u16::from_le_bytes(*b)) * WORK_STEP + WORK_MIN;
    }
}
