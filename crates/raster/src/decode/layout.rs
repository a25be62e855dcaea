//! The skeleton of a TIFF-like file (TIFF 6.0; DNG, CR2, NEF, ARW, PEF, ORF, RW2 and more are
//! TIFFs): which pictures it declares, how large, and where their bytes should be. Read before
//! any decoder, to refuse what cannot be.

use super::{DecodeError, Limits, name};
use std::collections::HashSet;
use std::path::Path;

/// What to do with a mosaic of filters that is not taken.
pub(super) const CONVERT: &str =
    "convert it to a linear (demosaiced) DNG or a 16-bit TIFF first and use that";

const MAX_DIRECTORIES: usize = 64;
const MAX_ENTRIES: usize = 4096;
const MAX_CHUNKS: usize = 1 << 20;
/// No real picture packs more samples than this into one byte of file, not even a lens-cap frame.
const MAX_SAMPLES_PER_BYTE: u64 = 2000;
/// The part of the declared bytes that may be missing before a decoder is even tried: some makers
/// count a few bytes too many.
const MISSING_PART: u64 = 16;

/// A picture that a directory declares.
#[derive(Clone, Debug, Default)]
pub(crate) struct Picture {
    width: u64,
    height: u64,
    samples: u64,
    compression: u64,
    photometric: Option<u64>,
    reduced: bool,
    /// Rows and columns of the cell of filters, and the filters.
    cell: Vec<u64>,
    filters: Vec<u64>,
    offsets: Vec<u64>,
    counts: Vec<u64>,
}

/// What the directories say together.
#[derive(Clone, Debug, Default)]
pub(crate) struct Layout {
    pictures: Vec<Picture>,
    dng: bool,
    /// By its first bytes: CR2, or the altered magic of Olympus and Panasonic.
    marked: bool,
    /// The size in the EXIF directory, or that of the sensor (Panasonic).
    camera_size: Option<(u64, u64)>,
}

impl Layout {
    /// Reads the directories of a whole file; nothing if it is not TIFF-like. What is out of
    /// bounds is passed over.
    pub(crate) fn read(data: &[u8]) -> Option<Self> {
        let bytes = Bytes::new(data)?;
        if bytes.u16(2)? == 43 {
            // BigTIFF: wider fields; no camera writes it, and the TIFF reader bounds it itself.
            return Some(Self::default());
        }
        let mut layout = Self {
            marked: data.get(8..10) == Some(b"CR") || bytes.u16(2)? != 42,
            ..Self::default()
        };
        let mut todo = vec![u64::from(bytes.u32(4)?)];
        let mut seen = HashSet::new();
        while let Some(at) = todo.pop() {
            if at == 0 || seen.len() >= MAX_DIRECTORIES || !seen.insert(at) {
                continue;
            }
            layout.directory(&bytes, at, &mut todo);
        }
        Some(layout)
    }

    fn directory(&mut self, bytes: &Bytes, at: u64, todo: &mut Vec<u64>) -> Option<()> {
        let count = usize::from(bytes.u16(at)?).min(MAX_ENTRIES) as u64;
        let mut picture = Picture {
            samples: 1,
            ..Picture::default()
        };
        let mut stated = (0, 0);
        for i in 0..count {
            let entry = at + 2 + 12 * i;
            let tag = bytes.u16(entry)?;
            let values = || bytes.values(entry);
            let first = || values().first().copied();
            match tag {
                2 | 40962 => stated.0 = first().unwrap_or(0),
                3 | 40963 => stated.1 = first().unwrap_or(0),
                254 => picture.reduced = first().unwrap_or(0) & 1 == 1,
                256 => picture.width = first().unwrap_or(0),
                257 => picture.height = first().unwrap_or(0),
                259 => picture.compression = first().unwrap_or(1),
                262 => picture.photometric = first(),
                273 | 324 => picture.offsets = values(),
                277 => picture.samples = first().unwrap_or(1).max(1),
                279 | 325 => picture.counts = values(),
                33421 => picture.cell = values(),
                33422 => picture.filters = values(),
                330 | 34665 => todo.extend(values()),
                50706 => self.dng = true,
                _ => {}
            }
        }
        if picture.width > 0 && picture.height > 0 {
            self.pictures.push(picture);
        }
        if stated.0 > 0 && stated.1 > 0 {
            self.camera_size = Some(stated).max(self.camera_size);
        }
        todo.push(u64::from(bytes.u32(at + 2 + 12 * count)?));
        Some(())
    }

    /// Whether it is a DNG.
    pub(crate) fn is_dng(&self) -> bool {
        self.dng
    }

    /// Whether a raw decoder should have it, not the TIFF reader.
    pub(crate) fn is_raw(&self) -> bool {
        let raw = |p: &Picture| {
            matches!(p.photometric, Some(32803 | 34892))
                || p.compression >= 32767 && p.compression != 32773 && p.compression != 32946
        };
        self.dng || self.marked || self.pictures.iter().any(raw)
    }

    /// Refuses mosaics whose cells are none of red, green and blue in 2 × 2 or 6 × 6.
    pub(crate) fn check_filters(&self, path: &Path) -> Result<(), DecodeError> {
        let odd = |p: &Picture| -> Option<String> {
            let (rows, columns) = match p.cell[..] {
                [rows, columns] => (rows, columns),
                _ => (2, 2),
            };
            if (rows, columns) != (2, 2) && (rows, columns) != (6, 6) {
                return Some(format!("a mosaic of {columns} × {rows} filters"));
            }
            if p.filters.len() as u64 != rows * columns {
                return Some(format!(
                    "a mosaic of {columns} × {rows} filters that names {}",
                    p.filters.len()
                ));
            }
            let colours = |c: u64| p.filters.contains(&c);
            let own = [0, 1, 2].iter().all(|c| colours(*c)) && p.filters.iter().all(|c| *c < 3);
            (!own).then(|| "a mosaic of other filters than red, green and blue".into())
        };
        let mosaics = self
            .pictures
            .iter()
            .filter(|p| !p.reduced && p.photometric == Some(32803));
        match mosaics.filter(|p| !p.filters.is_empty()).find_map(odd) {
            Some(what) => Err(DecodeError::unsupported(path, what, CONVERT)),
            None => Ok(()),
        }
    }

    /// Refuses declared sizes beyond the limits or beyond what the file can hold, and pictures
    /// whose bytes are not in the file.
    pub(crate) fn check(&self, path: &Path, length: u64, limits: &Limits) -> Result<(), DecodeError> {
        // A DNG may be reduced and keep the camera's EXIF.
        if let Some((w, h)) = self.camera_size.filter(|_| self.is_raw() && !self.dng) {
            check_camera_size(path, w, h, length, limits)?;
        }
        let area = |p: &&Picture| p.width.saturating_mul(p.height);
        let full: Vec<&Picture> = self.pictures.iter().filter(|p| !p.reduced).collect();
        let Some(largest) = full.iter().copied().max_by_key(area) else {
            return Ok(());
        };
        check_size(
            path,
            largest.width,
            largest.height,
            largest.samples.min(4) * 2,
            limits,
        )?;
        let samples = area(&largest).saturating_mul(largest.samples);
        let (w, h) = (largest.width, largest.height);
        if samples / MAX_SAMPLES_PER_BYTE > length {
            return Err(DecodeError::damaged(
                path,
                format!("it declares {w} × {h} pixels in a file of {length} bytes"),
            ));
        }
        if largest.compression == 1 && samples / 2 > length {
            return Err(missing(path, w, h, samples, length));
        }
        if largest.is_lossless_raw() && samples / 8 > length {
            return Err(missing(path, w, h, samples / 8, length));
        }
        for picture in full {
            picture.check_bytes(path, length)?;
        }
        Ok(())
    }
}

/// Refuses a camera raw of this many pixels in a file that cannot hold them: no camera writes
/// less than a quarter of a bit per pixel.
pub(crate) fn check_camera_size(
    path: &Path,
    w: u64,
    h: u64,
    length: u64,
    limits: &Limits,
) -> Result<(), DecodeError> {
    check_size(path, w, h, 2, limits)?;
    let least = w * h / 32;
    if least > length {
        Err(missing(path, w, h, least, length))
    } else {
        Ok(())
    }
}

impl Picture {
    /// Whether it is in a lossless raw code (JPEG's, Nikon's, Pentax's), which spends a bit or more
    /// on every sample.
    fn is_lossless_raw(&self) -> bool {
        self.photometric == Some(32803) && matches!(self.compression, 7 | 34713 | 65535)
    }

    fn check_bytes(&self, path: &Path, length: u64) -> Result<(), DecodeError> {
        let mut declared = 0u64;
        let mut lacking = 0u64;
        let mut last = 0u64;
        for (&offset, &count) in self.offsets.iter().zip(&self.counts) {
            let end = offset.saturating_add(count);
            declared = declared.saturating_add(count);
            lacking = lacking.saturating_add(end.saturating_sub(length.max(offset)));
            last = last.max(end);
        }
        if lacking > 0 && lacking >= declared / MISSING_PART {
            return Err(missing(path, self.width, self.height, last, length));
        }
        Ok(())
    }
}

fn missing(path: &Path, w: u64, h: u64, needed: u64, length: u64) -> DecodeError {
    DecodeError::no_pixels(
        path,
        format!("its picture of {w} × {h} pixels needs a file of at least {needed} bytes, it has {length}"),
    )
}

/// Refuses what is wider, higher or heavier than allowed.
pub(crate) fn check_size(
    path: &Path,
    w: u64,
    h: u64,
    bytes_per_pixel: u64,
    limits: &Limits,
) -> Result<(), DecodeError> {
    if w == 0 || h == 0 {
        return Err(DecodeError::damaged(
            path,
            format!("it declares a picture of {w} × {h} pixels"),
        ));
    }
    if w > limits.max_width as u64 || h > limits.max_height as u64 {
        return Err(DecodeError::TooLarge {
            file: name(path),
            what: format!("it declares {w} × {h} pixels"),
            limit: format!("{} × {}", limits.max_width, limits.max_height),
        });
    }
    let decoded = (w * h * bytes_per_pixel, limits.max_memory_bytes);
    let worked_on = (w * h * Limits::WORKING_BYTES, limits.max_working_bytes);
    for (bytes, most) in [decoded, worked_on] {
        if bytes > most {
            return Err(DecodeError::TooLarge {
                file: name(path),
                what: format!("its {w} × {h} pixels take {} MiB", bytes >> 20),
                limit: format!("{} MiB (--memory)", most >> 20),
            });
        }
    }
    Ok(())
}

/// Refuses pixels that so many bytes cannot hold in any coding of their format, `most` bits of pixels to a byte.
pub(crate) fn check_held(
    path: &Path,
    w: u64,
    h: u64,
    bits: u64,
    length: u64,
    most: u64,
) -> Result<(), DecodeError> {
    if w.saturating_mul(h).saturating_mul(bits) / most.max(1) <= length {
        return Ok(());
    }
    Err(DecodeError::damaged(
        path,
        format!("it declares {w} × {h} pixels, which its {length} bytes cannot hold"),
    ))
}

/// Bounded, endian-aware reads.
struct Bytes<'a> {
    data: &'a [u8],
    big: bool,
}

impl<'a> Bytes<'a> {
    fn new(data: &'a [u8]) -> Option<Self> {
        match data.get(..2)? {
            b"II" => Some(Self { data, big: false }),
            b"MM" => Some(Self { data, big: true }),
            _ => None,
        }
    }
    fn array<const N: usize>(&self, at: u64) -> Option<[u8; N]> {
        let at = usize::try_from(at).ok()?;
        self.data.get(at..at.checked_add(N)?)?.try_into().ok()
    }
    fn u16(&self, at: u64) -> Option<u16> {
        let b = self.array(at)?;
        Some(if self.big {
            u16::from_be_bytes(b)
        } else {
            u16::from_le_bytes(b)
        })
    }
    fn u32(&self, at: u64) -> Option<u32> {
        let b = self.array(at)?;
        Some(if self.big {
            u32::from_be_bytes(b)
        } else {
            u32::from_le_bytes(b)
        })
    }
    /// The whole numbers of an entry, as far as they are in the file.
    fn values(&self, entry: u64) -> Vec<u64> {
        let (Some(kind), Some(count)) = (self.u16(entry + 2), self.u32(entry + 4)) else {
            return Vec::new();
        };
        let size = match kind {
            1 | 7 => 1u64,
            3 => 2,
            4 | 13 => 4,
            _ => return Vec::new(),
        };
        let count = (count as usize).min(MAX_CHUNKS);
        let start = if count as u64 * size <= 4 {
            Some(entry + 8)
        } else {
            self.u32(entry + 8).map(u64::from)
        };
        let Some(start) = start else { return Vec::new() };
        (0..count as u64)
            .map_while(|i| match size {
                1 => self.array::<1>(start + i).map(|b| u64::from(b[0])),
                2 => self.u16(start + 2 * i).map(u64::from),
                _ => self.u32(start + 4 * i).map(u64::from),
            })
            .collect()
    }
}
