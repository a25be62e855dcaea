//! Planes of one size in a work file, read back in bands.
//!
//! The one format of all that is laid by between steps: 128 bytes of header, which are a line of JSON filled up with
//! spaces, then the planes one after another, row by row, little-endian. Where a value stands follows from the header,
//! so that any band is one seek away; the same planes give the same bytes. Behind the planes stand the BLAKE3 hash of
//! each band and that of header and hashes: a band is checked when it is first read, so that no disk that gave back
//! other bits than it was given makes another picture.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::atomic::write_checked;
use crate::half::{from_half, to_half};
use crate::system::read_exact_at;
use crate::{Plane, Rgb};

/// Raise it when the header or the values change their meaning.
const VERSION: u32 = 3;
const HEADER_BYTES: usize = 128;
const HASH_BYTES: usize = blake3::OUT_LEN;
/// Values encoded or decoded at a time.
const CHUNK: usize = 1 << 15;
/// Bands encoded and hashed beside each other, a megabyte or two each.
const BESIDE: usize = 16;

/// Lowest value that can be stored.
pub const WORK_MIN: f32 = -0.0625;
/// Step between stored values, 2⁻¹⁵.
pub const WORK_STEP: f32 = 1.0 / 32768.0;
/// Highest value that can be stored.
pub const WORK_MAX: f32 = WORK_MIN + 65535.0 * WORK_STEP;

/// How the values of a work file are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WorkValues {
    /// 16-bit fixed point from [`WORK_MIN`] to [`WORK_MAX`] (−0.0625 to 1.9375) in steps of [`WORK_STEP`] (2⁻¹⁵, half
    /// a step of a 14-bit sensor): for frames. The rounding adds an error of step/√12 = 8.8e-6 rms. Values outside
    /// are clamped, not-a-number becomes the lowest.
    Fixed16,
    /// Half floats (IEEE 754 binary16), to the nearest: for layers that are developed again and again. A value of the
    /// picture is off by 1/4096 of itself at most.
    Float16,
    /// 32-bit floats to the bit: for finished stacks, so that a build that goes on later gives the same bytes as one
    /// that was never stopped.
    Float32,
}

impl WorkValues {
    const fn bytes(self) -> usize {
        match self {
            Self::Fixed16 | Self::Float16 => 2,
            Self::Float32 => 4,
        }
    }
}

/// What a work file holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct WorkShape {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Planes.
    pub planes: usize,
    /// How their values are stored.
    pub values: WorkValues,
}

/// The first line of the file.
#[derive(Serialize, Deserialize)]
struct Header {
    nightloom_work_file: u32,
    #[serde(flatten)]
    shape: WorkShape,
}

/// Why a work file could not be made or read.
#[derive(Debug, thiserror::Error)]
pub enum WorkFileError {
    /// The file system failed.
    #[error("work file {}: {source}. Check the room left on that disk and run again.", path.display())]
    Io {
        /// The file meant.
        path: PathBuf,
        /// What failed.
        source: io::Error,
    },
    /// The file is not a whole work file of this version.
    #[error("work file {}: expected {expected}, found {found}. Delete it and run again: it is made anew.", path.display())]
    Damaged {
        /// The file meant.
        path: PathBuf,
        /// What should be there.
        expected: String,
        /// What is there.
        found: String,
    },
    /// Rows or planes were asked for, or given, that the file does not have.
    #[error("work file {}: {what}.", path.display())]
    Range {
        /// The file meant.
        path: PathBuf,
        /// What was asked.
        what: String,
    },
}

impl From<WorkFileError> for io::Error {
    fn from(error: WorkFileError) -> Self {
        Self::new(io::ErrorKind::InvalidData, error)
    }
}

/// One or more planes on disk, readable in bands from several threads at once.
#[derive(Debug)]
pub struct WorkFile {
    path: PathBuf,
    file: File,
    shape: WorkShape,
    bands: Vec<Band>,
    /// Hash of header and bands' hashes.
    own: [u8; HASH_BYTES],
}

/// Some rows of one plane, as many as are hashed together.
#[derive(Debug)]
struct Band {
    hash: [u8; HASH_BYTES],
    /// Whether they were found to be what they were.
    sound: AtomicBool,
}

impl WorkFile {
    /// Writes planes one after another: `row(plane, y, out)` fills one row, called in order. The file
    /// appears whole or not at all.
    ///
    /// # Errors
    /// [`WorkFileError::Io`] when a row cannot be had or the file cannot be written.
    pub fn create(
        path: &Path,
        shape: WorkShape,
        mut row: impl FnMut(usize, usize, &mut [f32]) -> io::Result<()>,
    ) -> Result<Self, WorkFileError> {
        let WorkShape { width, height, .. } = shape;
        let rows = band_rows(width);
        Self::written(path, shape, |file, hashes| {
            let mut values = vec![0.0; width * rows];
            let mut bytes = vec![0; width * rows * shape.values.bytes()];
            for plane in 0..shape.planes {
                for y0 in (0..height).step_by(rows) {
                    let n = rows.min(height - y0);
                    for y in 0..n {
                        row(plane, y0 + y, &mut values[y * width..(y + 1) * width])?;
                    }
                    let bytes = &mut bytes[..n * width * shape.values.bytes()];
                    encode(&values[..n * width], bytes, shape.values);
                    file.write_all(bytes)?;
                    hashes.extend(blake3::hash(bytes).as_bytes());
                }
            }
            Ok(())
        })
    }

    /// Writes three planes as [`WorkValues::Fixed16`].
    ///
    /// # Errors
    /// As [`WorkFile::create`].
    pub fn write_rgb(path: &Path, picture: &Rgb) -> Result<Self, WorkFileError> {
        Self::write_planes(path, &picture.planes().each_ref(), WorkValues::Fixed16)
    }

    /// Writes one plane as [`WorkValues::Fixed16`].
    ///
    /// # Errors
    /// As [`WorkFile::create`].
    pub fn write_plane(path: &Path, plane: &Plane) -> Result<Self, WorkFileError> {
        Self::write_planes(path, &[plane], WorkValues::Fixed16)
    }

    /// Writes planes of one size.
    ///
    /// # Errors
    /// [`WorkFileError::Range`] if they are of several; else as [`WorkFile::create`].
    pub fn write_planes(path: &Path, planes: &[&Plane], values: WorkValues) -> Result<Self, WorkFileError> {
        let (width, height) = planes.first().map_or((0, 0), |p| (p.width(), p.height()));
        if planes.iter().any(|p| (p.width(), p.height()) != (width, height)) {
            return Err(WorkFileError::Range {
                path: path.to_owned(),
                what: format!("planes of one size were expected, and not all are {width} × {height}"),
            });
        }
        let shape = WorkShape {
            width,
            height,
            planes: planes.len(),
            values,
        };
        let rows = band_rows(width);
        let places: Vec<(usize, usize)> = (0..planes.len())
            .flat_map(|plane| (0..height).step_by(rows).map(move |y0| (plane, y0)))
            .collect();
        // Encoded and hashed beside each other, written in order.
        let made = |&(plane, y0): &(usize, usize)| {
            let end = (y0 + rows).min(height);
            let lines = &planes[plane].data()[y0 * width..end * width];
            let mut bytes = vec![0; lines.len() * values.bytes()];
            encode(lines, &mut bytes, values);
            let hash = blake3::hash(&bytes);
            (bytes, hash)
        };
        Self::written(path, shape, |file, hashes| {
            for places in places.chunks(BESIDE) {
                let made: Vec<_> = places.par_iter().map(made).collect();
                for (bytes, hash) in made {
                    file.write_all(&bytes)?;
                    hashes.extend(hash.as_bytes());
                }
            }
            Ok(())
        })
    }

    /// Writes header, planes and hashes: `planes` writes each band and adds its hash.
    fn written(
        path: &Path,
        shape: WorkShape,
        planes: impl FnOnce(&mut BufWriter<File>, &mut Vec<u8>) -> io::Result<()>,
    ) -> Result<Self, WorkFileError> {
        let write = |file: &mut BufWriter<File>| {
            let mut hashes = header(shape)?.to_vec();
            file.write_all(&hashes)?;
            planes(file, &mut hashes)?;
            file.write_all(&hashes[HEADER_BYTES..])?;
            file.write_all(blake3::hash(&hashes).as_bytes())
        };
        // Every band is checked when it is read.
        write_checked(path, write).map_err(io_error(path))?;
        Self::open(path)
    }

    /// Opens one that was written before. Checks the header, the length and the bands' hashes against their own; the
    /// bands themselves are checked as they are read.
    ///
    /// # Errors
    /// [`WorkFileError`] when it cannot be read or is not a whole work file.
    pub fn open(path: &Path) -> Result<Self, WorkFileError> {
        let damaged = |expected: String, found: String| WorkFileError::Damaged {
            path: path.to_owned(),
            expected,
            found,
        };
        let file = File::open(path).map_err(io_error(path))?;
        let length = file.metadata().map_err(io_error(path))?.len();
        let mut head = [0; HEADER_BYTES];
        if length < HEADER_BYTES as u64 {
            let expected = format!("at least {HEADER_BYTES} bytes");
            return Err(damaged(expected, format!("{length}")));
        }
        read_exact_at(&file, &mut head, 0).map_err(io_error(path))?;
        let header = serde_json::from_slice(&head)
            .ok()
            .filter(|h: &Header| h.nightloom_work_file == VERSION);
        let Some(Header { shape, .. }) = header else {
            let found = String::from_utf8_lossy(&head[..16]).into_owned();
            return Err(damaged(
                format!("a header of version {VERSION}"),
                format!("{found:?}"),
            ));
        };
        let bands = bands(shape);
        let length_of = |bands: usize| {
            let pixels = [shape.width, shape.height, shape.planes, shape.values.bytes()];
            let data = pixels.iter().try_fold(1_usize, |n, side| n.checked_mul(*side))?;
            let hashes = bands.checked_add(1)?.checked_mul(HASH_BYTES)?;
            data.checked_add(HEADER_BYTES)?.checked_add(hashes)
        };
        let expected = bands.and_then(length_of);
        if expected.map(|n| n as u64) != Some(length) {
            return Err(damaged(format!("{shape:?}"), format!("{length} bytes")));
        }
        let mut hashes = vec![0; HEADER_BYTES + (bands.unwrap_or_default() + 1) * HASH_BYTES];
        hashes[..HEADER_BYTES].copy_from_slice(&head);
        let at = length - (hashes.len() - HEADER_BYTES) as u64;
        read_exact_at(&file, &mut hashes[HEADER_BYTES..], at).map_err(io_error(path))?;
        let (hashes, _) = hashes.split_at(hashes.len() - HASH_BYTES);
        let mut own = [0; HASH_BYTES];
        read_exact_at(&file, &mut own, length - HASH_BYTES as u64).map_err(io_error(path))?;
        if *blake3::hash(hashes).as_bytes() != own {
            return Err(damaged("the hashes it was written with".into(), "others".into()));
        }
        let bands = hashes[HEADER_BYTES..].as_chunks().0.iter().map(|hash| Band {
            hash: *hash,
            sound: AtomicBool::new(false),
        });
        Ok(Self {
            path: path.to_owned(),
            file,
            shape,
            bands: bands.collect(),
            own,
        })
    }

    /// The hash that stands for all it holds: files of one identity hold the same, if their bands are sound.
    pub fn identity(&self) -> [u8; HASH_BYTES] {
        self.own
    }
    /// Its length.
    pub fn bytes(&self) -> u64 {
        let values = self.shape.width * self.shape.height * self.shape.planes * self.shape.values.bytes();
        (HEADER_BYTES + values + (self.bands.len() + 1) * HASH_BYTES) as u64
    }
    /// Checks every band that was not read yet.
    ///
    /// # Errors
    /// [`WorkFileError`] of the first that is not what was written.
    pub fn check_all(&self) -> Result<(), WorkFileError> {
        (0..self.shape.planes).try_for_each(|plane| self.prove(plane, 0, self.shape.height))
    }
    /// Pixels across.
    pub fn width(&self) -> usize {
        self.shape.width
    }
    /// Pixels down.
    pub fn height(&self) -> usize {
        self.shape.height
    }
    /// Planes.
    pub fn planes(&self) -> usize {
        self.shape.planes
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
        self.check(plane, [0, y0], [self.shape.width, rows], out.len())?;
        self.prove(plane, y0, rows)?;
        let mut bytes = vec![0; CHUNK.min(out.len()) * self.shape.values.bytes()];
        let mut at = self.place(plane, [0, y0]);
        for chunk in out.chunks_mut(CHUNK) {
            self.read_at(at, &mut bytes, chunk)?;
            at += (chunk.len() * self.shape.values.bytes()) as u64;
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
        self.check(plane, first, [width, rows], out.len())?;
        self.prove(plane, first[1], rows)?;
        let mut bytes = vec![0; width * self.shape.values.bytes()];
        for (y, line) in (first[1]..).zip(out.chunks_exact_mut(width.max(1))) {
            self.read_at(self.place(plane, [first[0], y]), &mut bytes, line)?;
        }
        Ok(())
    }

    /// Whether a block of `size` from pixel `first` exists and fills `room` values.
    fn check(
        &self,
        plane: usize,
        first: [usize; 2],
        size: [usize; 2],
        room: usize,
    ) -> Result<(), WorkFileError> {
        let WorkShape { width, height, .. } = self.shape;
        let fits = |from: usize, n: usize, all: usize| from.checked_add(n).is_some_and(|end| end <= all);
        let inside =
            plane < self.shape.planes && fits(first[0], size[0], width) && fits(first[1], size[1], height);
        if inside && room == size[0] * size[1] {
            return Ok(());
        }
        Err(WorkFileError::Range {
            path: self.path.clone(),
            what: format!(
                "{} × {} pixels at {first:?} of plane {plane} into {room} values were asked of {} planes of {width} × {height}",
                size[0], size[1], self.shape.planes
            ),
        })
    }

    /// Checks the bands that these rows lie in, each once.
    fn prove(&self, plane: usize, y0: usize, rows: usize) -> Result<(), WorkFileError> {
        let WorkShape { width, height, .. } = self.shape;
        if rows == 0 || width == 0 {
            return Ok(());
        }
        let (per, first) = (band_rows(width), plane * height.div_ceil(band_rows(width)));
        for band in y0 / per..=(y0 + rows - 1) / per {
            let Band { hash, sound } = &self.bands[first + band];
            if sound.load(Ordering::Acquire) {
                continue;
            }
            let n = per.min(height - band * per);
            let mut bytes = vec![0; n * width * self.shape.values.bytes()];
            read_exact_at(&self.file, &mut bytes, self.place(plane, [0, band * per]))
                .map_err(io_error(&self.path))?;
            if blake3::hash(&bytes).as_bytes() != hash {
                return Err(WorkFileError::Damaged {
                    path: self.path.clone(),
                    expected: format!(
                        "rows {} to {} as they were written",
                        band * per,
                        band * per + n - 1
                    ),
                    found: "other values".into(),
                });
            }
            sound.store(true, Ordering::Release);
        }
        Ok(())
    }

    /// Where a pixel stands in the file.
    fn place(&self, plane: usize, [x, y]: [usize; 2]) -> u64 {
        let WorkShape {
            width,
            height,
            values,
            ..
        } = self.shape;
        (HEADER_BYTES + ((plane * height + y) * width + x) * values.bytes()) as u64
    }

    fn read_at(&self, at: u64, bytes: &mut [u8], values: &mut [f32]) -> Result<(), WorkFileError> {
        let bytes = &mut bytes[..values.len() * self.shape.values.bytes()];
        read_exact_at(&self.file, bytes, at).map_err(io_error(&self.path))?;
        decode(bytes, values, self.shape.values);
        Ok(())
    }

    /// Reads one plane whole.
    ///
    /// # Errors
    /// As [`WorkFile::read_rows`].
    pub fn read_plane(&self, plane: usize) -> Result<Plane, WorkFileError> {
        let mut whole = Plane::filled(self.width(), self.height(), 0.0);
        if self.width() == 0 {
            return Ok(whole);
        }
        let rows = band_rows(self.width());
        whole
            .data_mut()
            .par_chunks_mut(rows * self.width())
            .enumerate()
            .try_for_each(|(band, out)| self.read_rows(plane, band * rows, out.len() / self.width(), out))?;
        Ok(whole)
    }

    /// Reads all planes whole; as many as are asked for must be there.
    ///
    /// # Errors
    /// As [`WorkFile::read_rows`]; another number of planes is out of range.
    pub fn read_planes<const N: usize>(&self) -> Result<[Plane; N], WorkFileError> {
        let range = |found: usize| WorkFileError::Range {
            path: self.path.clone(),
            what: format!("{N} planes were asked for, the file has {found}"),
        };
        if self.planes() != N {
            return Err(range(self.planes()));
        }
        let planes = (0..N)
            .map(|k| self.read_plane(k))
            .collect::<Result<Vec<_>, _>>()?;
        planes.try_into().map_err(|p: Vec<Plane>| range(p.len()))
    }

    /// Reads a frame of three planes whole.
    ///
    /// # Errors
    /// As [`WorkFile::read_planes`].
    pub fn read_rgb(&self) -> Result<Rgb, WorkFileError> {
        Ok(Rgb::from_planes(self.read_planes()?))
    }
}

/// How many bands the planes have.
fn bands(shape: WorkShape) -> Option<usize> {
    shape
        .height
        .div_ceil(band_rows(shape.width))
        .checked_mul(shape.planes)
}

/// Rows worked on and hashed at a time, about half a million values.
fn band_rows(width: usize) -> usize {
    ((1 << 19) / width.max(1)).max(1)
}

fn io_error(path: &Path) -> impl FnOnce(io::Error) -> WorkFileError + '_ {
    move |source| WorkFileError::Io {
        path: path.to_owned(),
        source,
    }
}

fn header(shape: WorkShape) -> io::Result<[u8; HEADER_BYTES]> {
    let mut head = [b' '; HEADER_BYTES];
    head[HEADER_BYTES - 1] = b'\n';
    let header = Header {
        nightloom_work_file: VERSION,
        shape,
    };
    serde_json::to_writer(&mut head[..HEADER_BYTES - 1], &header)?;
    Ok(head)
}

fn encode(values: &[f32], bytes: &mut [u8], kind: WorkValues) {
    bytes
        .par_chunks_mut(CHUNK * kind.bytes())
        .zip(values.par_chunks(CHUNK))
        .for_each(|(bytes, values)| match kind {
            // `as` saturates, and the half makes it round to nearest.
            WorkValues::Fixed16 => put(bytes, values, |v| {
                (((v - WORK_MIN) * 32768.0 + 0.5) as u16).to_le_bytes()
            }),
            WorkValues::Float16 => put(bytes, values, |v| to_half(v).to_le_bytes()),
            WorkValues::Float32 => put(bytes, values, f32::to_le_bytes),
        });
}

fn put<const N: usize>(bytes: &mut [u8], values: &[f32], stored: impl Fn(f32) -> [u8; N]) {
    for (b, &v) in bytes.as_chunks_mut::<N>().0.iter_mut().zip(values) {
        *b = stored(v);
    }
}

fn decode(bytes: &[u8], values: &mut [f32], kind: WorkValues) {
    match kind {
        WorkValues::Fixed16 => get(bytes, values, |b| {
            f32::from(u16::from_le_bytes(b)) * WORK_STEP + WORK_MIN
        }),
        WorkValues::Float16 => get(bytes, values, |b| from_half(u16::from_le_bytes(b))),
        WorkValues::Float32 => get(bytes, values, f32::from_le_bytes),
    }
}

fn get<const N: usize>(bytes: &[u8], values: &mut [f32], value: impl Fn([u8; N]) -> f32) {
    for (v, b) in values.iter_mut().zip(bytes.as_chunks::<N>().0) {
        *v = value(*b);
    }
}
