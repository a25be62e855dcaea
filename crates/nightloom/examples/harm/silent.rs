//! Silent damage put into frames and looked for, and frames that have none.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use nightloom_fit::Random;
use nightloom_raster::{DecodeOptions, Limits, Pixels, decode_here, find_damage};

use crate::night::painted;
use crate::{Outcome, say};

/// Kinds of silent damage.
const KINDS: [&str; 8] = [
    "64 KiB of zeros",
    "4 KiB of one value",
    "16 KiB there twice",
    "tail never written",
    "code out of step",
    "rows shifted by 3 px",
    "rows shifted by 256 px",
    "512 bytes lost",
];

/// Frames under a folder, at any depth.
fn all_frames(folder: &Path) -> Vec<PathBuf> {
    let (mut open, mut all) = (vec![folder.to_path_buf()], Vec::new());
    while let Some(folder) = open.pop() {
        for path in fs::read_dir(folder)
            .into_iter()
            .flatten()
            .flatten()
            .map(|e| e.path())
        {
            let name = path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            if path.is_dir() {
                // Truth pictures are no exposures.
                let skipped = ["truth", "picture", ".nightloom", "reference"].contains(&name.as_str());
                open.extend((!skipped).then_some(path));
            } else if nightloom_raster::is_frame_path(&path) {
                all.push(path);
            }
        }
    }
    all.sort();
    all
}

pub(crate) fn clean(folder: &Path) -> Outcome<usize> {
    let (mut sound, mut alarms, mut unread) = (0, 0, 0);
    for path in all_frames(folder) {
        match find_damage(&path, &DecodeOptions::default(), &Limits::default()) {
            Ok(found) if found.is_empty() => sound += 1,
            Ok(found) => {
                alarms += 1;
                println!("alarm: {}: {found:?}", path.display());
            }
            Err(error) => {
                unread += 1;
                println!("not read: {error}");
            }
        }
    }
    println!("{} frames, {alarms} alarms, {unread} not read", sound + alarms);
    Ok(alarms)
}

/// A frame's file with the place of its pixels, which stand there as 16-bit numbers one after another.
struct Stored {
    bytes: Vec<u8>,
    at: usize,
    size: (usize, usize),
}

impl Stored {
    fn read(path: &Path) -> Outcome<Option<Self>> {
        let bytes = fs::read(path).map_err(say(path))?;
        let frame = decode_here(path, &Limits::default()).map_err(|e| e.to_string())?;
        let Pixels::Mosaic(mosaic) = &frame.pixels else {
            return Ok(None);
        };
        let (black, span) = (frame.levels.black, frame.levels.span());
        let number = |x: usize| (mosaic.plane.at(x, 0) * span[x & 1] + black[x & 1]).round() as u16;
        let first: Vec<u8> = (0..48).flat_map(|x| number(x).to_le_bytes()).collect();
        let at = bytes.windows(first.len()).position(|w| w == first);
        let size = frame.pixels.size();
        Ok(at.map(|at| Self { bytes, at, size }))
    }

    /// The file with one kind of damage.
    fn spoilt(&self, kind: &str, random: &mut Random) -> Vec<u8> {
        let (width, height) = self.size;
        let (row, mut bytes) = (width * 2, self.bytes.clone());
        let pixels = &mut bytes[self.at..self.at + row * height];
        let start = ((0.3 + 0.3 * random.uniform()) * pixels.len() as f64) as usize & !511;
        match kind {
            "64 KiB of zeros" => pixels[start..start + (64 << 10)].fill(0),
            "4 KiB of one value" => pixels[start..start + (4 << 10)]
                .chunks_exact_mut(2)
                .for_each(|p| p.copy_from_slice(&700_u16.to_le_bytes())),
            "16 KiB there twice" => pixels.copy_within(start..start + (16 << 10), (start / 2) & !511),
            "tail never written" => pixels[start * 3 / 2..].fill(0),
            "code out of step" => {
                let mut value = 600_u16;
                for p in pixels[start..start + 40 * row].chunks_exact_mut(2) {
                    value = value
                        .wrapping_add((random.uniform() * 4000.0) as u16)
                        .wrapping_sub(1900);
                    p.copy_from_slice(&value.to_le_bytes());
                }
            }
            "rows shifted by 3 px" => shift(pixels, row, start / row, 6),
            "rows shifted by 256 px" => shift(pixels, row, start / row, 512),
            // What comes after moves up, and the end is there twice.
            _ => pixels.copy_within(start + 512.., start),
        }
        bytes
    }
}

/// From a row on to the end, pixels move by so many bytes and come in again on the other side.
fn shift(pixels: &mut [u8], row: usize, first: usize, by: usize) {
    pixels[first * row..]
        .chunks_exact_mut(row)
        .for_each(|r| r.rotate_right(by));
}

pub(crate) fn silent(folder: &Path, seed: u64) -> Outcome<usize> {
    let frames = match all_frames(folder) {
        none if none.is_empty() => all_frames(&painted(folder)?),
        some => some,
    };
    let place = tempfile::tempdir().map_err(|e| e.to_string())?;
    let mut random = Random::new(seed);
    let mut tally: BTreeMap<&str, [usize; 2]> = BTreeMap::new();
    for path in &frames {
        let Some(stored) = Stored::read(path)? else {
            continue;
        };
        for kind in KINDS {
            let spoilt = place.path().join("spoilt.dng");
            fs::write(&spoilt, stored.spoilt(kind, &mut random)).map_err(say(&spoilt))?;
            let found = find_damage(&spoilt, &DecodeOptions::default(), &Limits::default());
            let count = tally.entry(kind).or_default();
            count[1] += 1;
            match found.is_ok_and(|f| f.is_empty()) {
                true => println!("not found: {kind} in {}", path.display()),
                false => count[0] += 1,
            }
        }
    }
    for (kind, [found, all]) in &tally {
        println!("{kind:<24} {found} of {all}");
    }
    Ok(tally.values().map(|[found, all]| all - found).sum())
}
