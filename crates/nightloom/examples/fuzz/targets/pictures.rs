//! Pictures, what stands in them, and planes laid by between steps.

use std::path::{Path, PathBuf};

use nightloom_raster::{
    DecodeError, DecodeOptions, Frame, FrameMeta, Limits, Pixels, Plane, Rgb, Wall, WorkFile, decode_here,
    read_meta,
};

use super::{Place, Target, files, sources};

const LIMITS: Limits = Limits {
    max_width: 4000,
    max_height: 4000,
    max_memory_bytes: 256 << 20,
    max_working_bytes: 512 << 20,
    max_seconds: 8.0,
};

pub(super) fn fixtures() -> PathBuf {
    sources("raster/tests/fixtures/decode")
}

/// Decoded in this process: their decoders must not panic.
pub(super) fn decoded(name: &'static str, ending: &'static str) -> Target {
    let place = Place::new(name);
    Target::new(name, files(&fixtures(), &[ending]), move |bytes| {
        let path = place.with(&format!("a.{ending}"), bytes);
        if let Ok(meta) = read_meta(&path) {
            sensible(&meta)?;
        }
        decode_here(&path, &LIMITS).map_or(Ok(()), |frame| usable(&frame))
    })
}

/// Every chunk of a PNG has a checksum, which would be all that is ever found wrong.
pub(super) fn png() -> Target {
    decoded("png", "png").mended(|bytes| checksums(bytes))
}

/// CRC-32 of ISO 3309, as the PNG specification's annex D has it.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc: u32, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| {
            (c >> 1) ^ if c & 1 == 1 { 0xedb8_8320 } else { 0 }
        })
    })
}

fn checksums(bytes: &mut [u8]) {
    let mut at = 8;
    while let Some(head) = bytes.get(at..at + 4) {
        let length = head.iter().fold(0, |n, b| (n << 8) | *b as usize);
        let end = at + 8 + length;
        if length > bytes.len() || end + 4 > bytes.len() {
            return;
        }
        let sum = crc(&bytes[at + 4..end]).to_be_bytes();
        bytes[end..end + 4].copy_from_slice(&sum);
        at = end + 4;
    }
}

/// Numbers that the program counts on are numbers, and texts hold nothing that a terminal would obey.
fn sensible(meta: &FrameMeta) -> Result<(), String> {
    let positive = [
        meta.exposure_s,
        meta.f_number,
        meta.iso,
        meta.focal_mm,
        meta.focal_35mm,
        meta.pixel_um,
    ];
    if positive.iter().flatten().any(|v| !v.is_finite() || *v <= 0.0) {
        return Err(format!("impossible figures: {meta:?}"));
    }
    if let Some([lat, lon]) = meta.gps_deg
        && !(lat.abs() <= 90.0 && lon.abs() <= 180.0)
    {
        return Err(format!("no place on Earth: {lat} {lon}"));
    }
    let texts = [
        &meta.make,
        &meta.model,
        &meta.serial,
        &meta.lens,
        &meta.taken_local,
    ];
    match texts
        .iter()
        .any(|t| t.as_ref().is_some_and(|t| t.contains(char::is_control)))
    {
        true => Err(format!("control characters: {meta:?}")),
        false => Ok(()),
    }
}

fn planes(pixels: &Pixels) -> Vec<&Plane> {
    match pixels {
        Pixels::Mosaic(mosaic) => vec![&mosaic.plane],
        Pixels::Rgb(rgb) => rgb.planes().iter().collect(),
        Pixels::Grey(plane) => vec![plane],
    }
}

/// Within the limits, and every value a number.
fn usable(frame: &Frame) -> Result<(), String> {
    sensible(&frame.meta)?;
    let (width, height) = frame.pixels.size();
    if width > LIMITS.max_width || height > LIMITS.max_height || width * height == 0 {
        return Err(format!("{width} × {height} pixels"));
    }
    let planes = planes(&frame.pixels);
    match planes.iter().all(|p| p.data().iter().all(|v| v.is_finite())) {
        true => Ok(()),
        false => Err("a pixel that is no number".into()),
    }
}

/// EXIF blocks: as the files have them, put into a JPEG whose lengths are right.
pub(super) fn exif() -> Target {
    const HEAD: &[u8] = b"Exif\0\0";
    let place = Place::new("exif");
    let jpegs = files(&fixtures(), &["jpg"]);
    let block = |jpeg: &Vec<u8>| {
        let at = jpeg.windows(HEAD.len()).position(|w| w == HEAD)?;
        let length = usize::from(jpeg[at - 2]) << 8 | usize::from(jpeg[at - 1]);
        Some(jpeg.get(at + HEAD.len()..at + length - 2)?.to_vec())
    };
    let mut corpus: Vec<Vec<u8>> = jpegs.iter().filter_map(block).collect();
    // The directories of a DNG say the same and more.
    corpus.extend(files(&fixtures(), &["dng"]));
    Target::new("exif", corpus, move |bytes| {
        let block = &bytes[..bytes.len().min(65_000)];
        let length = (block.len() + HEAD.len() + 2) as u16;
        let mut jpeg = vec![0xff, 0xd8, 0xff, 0xe1];
        jpeg.extend(length.to_be_bytes());
        jpeg.extend([HEAD, block, &[0xff, 0xd9]].concat());
        read_meta(&place.with("a.jpg", &jpeg)).map_or(Ok(()), |meta| sensible(&meta))
    })
}

fn wall(program: &str, args: &[&str]) -> Wall {
    Wall {
        program: program.into(),
        args: args.iter().map(|a| (*a).to_owned()).collect(),
        limits: LIMITS,
    }
}

/// What a wall may answer: a frame that can be used, or a sentence that names the file.
fn asked(wall: &Wall, path: &Path, name: &str) -> Result<(), String> {
    match wall.decode(path, &DecodeOptions::default()) {
        Ok(frame) => usable(&frame),
        Err(DecodeError::NoWall { why, .. }) => Err(format!("no wall: {why}")),
        Err(error) if !error.to_string().contains(name) => Err(format!("{error}")),
        Err(_) => Ok(()),
    }
}

/// Camera raws, whose decoder may do anything but bring this process down.
pub(super) fn walled(program: &str) -> Target {
    let place = Place::new("raw");
    let wall = wall(program, &["decode-child"]);
    Target::new("raw", files(&fixtures(), &["dng"]), move |bytes| {
        asked(&wall, &place.with("a.dng", bytes), "a.dng")
    })
}

/// A decoder that answers whatever it likes.
pub(super) fn answer(program: &str) -> Target {
    let place = Place::new("answer");
    let limits = serde_json::to_string(&LIMITS).unwrap_or_default();
    let said = |what: &str, name: &str| {
        let request = format!("{{\"what\":\"{what}\",\"options\":{{}},\"limits\":{limits}}}");
        let mut child = std::process::Command::new(program);
        child.args(["decode-child", &request]).arg(fixtures().join(name));
        child
            .output()
            .ok()
            .map(|o| o.stdout)
            .filter(|o| o.starts_with(b"NL"))
    };
    let corpus = [
        said("Frame", "written.dng"),
        said("Frame", "rgb16.tif"),
        said("Frame", "made.json"),
        said("Meta", "turned.jpg"),
    ];
    let wall = wall("/bin/sh", &["-c", "exec cat \"$1.said\""]);
    Target::new("answer", corpus.into_iter().flatten().collect(), move |bytes| {
        place.with("a.png.said", bytes);
        let path = place.with("a.png", b"a picture");
        match wall.decode(&path, &DecodeOptions::default()) {
            Ok(frame) => usable(&frame),
            // What it says went wrong is its own to say.
            Err(_) => wall.meta(&path).map_or(Ok(()), |_| Ok(())),
        }
    })
}

/// Planes laid by between steps: what passes its checks is what was written.
pub(super) fn work_file() -> Target {
    let place = Place::new("work");
    let plane = Plane::from_fn(31, 17, |x, y| ((x * 7 + y * 13) % 61) as f32 / 61.0);
    let rgb = Rgb::from_planes([plane.clone(), plane.clone(), plane.clone()]);
    let path = |name: &str| place.with(name, b"");
    let made = [
        WorkFile::write_plane(&path("a.work"), &plane),
        WorkFile::write_rgb(&path("b.work"), &rgb),
    ];
    let (mut corpus, mut written) = (Vec::new(), Vec::new());
    for file in made.into_iter().flatten() {
        corpus.extend(std::fs::read(file.path()).ok());
        written.extend((0..file.planes()).filter_map(|p| file.read_plane(p).ok()));
    }
    Target::new("work file", corpus, move |bytes| {
        let Ok(file) = WorkFile::open(&place.with("c.work", bytes)) else {
            return Ok(());
        };
        let whole: Result<Vec<Plane>, _> = (0..file.planes()).map(|p| file.read_plane(p)).collect();
        match whole {
            Ok(planes) if planes.iter().any(|p| !written.contains(p)) => {
                Err("other values pass for kept ones".into())
            }
            _ => Ok(()),
        }
    })
}
