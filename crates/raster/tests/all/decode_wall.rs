//! The wall: whatever is wrong with a file, the program gets an error about that file, in time
//! and within its memory.

use nightloom_raster::{DecodeError, DecodeOptions, Limits, Wall, decode_here};
use nightloom_simulate::write_dng;
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::time::Instant;

const MIB: u64 = 1 << 20;

fn wall(max_memory_bytes: u64, max_seconds: f64) -> Wall {
    Wall {
        program: PathBuf::from(env!("CARGO_BIN_EXE_nightloom-decode-child")),
        args: Vec::new(),
        limits: Limits {
            max_memory_bytes,
            max_seconds,
            ..Limits::default()
        },
    }
}

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fixtures/decode")
        .join(name)
}

fn decode(wall: &Wall, path: &Path) -> Result<nightloom_raster::Frame, DecodeError> {
    wall.decode(path, &DecodeOptions::default())
}

#[test]
fn through_the_wall_comes_what_is_decoded_here() {
    let wall = wall(512 * MIB, 20.0);
    for name in [
        "written.dng",
        "foreign.dng",
        "rgb16.tif",
        "rgb-float.tif",
        "rgb8.png",
        "grey16.png",
        "turned.jpg",
        "mosaic-bottom-up.fits",
        "cube.fits",
    ] {
        let path = fixture(name);
        assert_eq!(
            decode(&wall, &path).unwrap(),
            decode_here(&path, &Limits::default()).unwrap(),
            "{name}"
        );
        assert_eq!(
            wall.meta(&path).unwrap(),
            nightloom_raster::read_meta(&path).unwrap(),
            "{name}"
        );
    }
}

/// SplitMix64 (Steele, Lea & Flood 2014), for seeded damage.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Truncates, flips bits, overwrites words, or moves a block; in directories as often as in pixels.
fn damage(whole: &[u8], headers: std::ops::Range<usize>, random: &mut Random) -> Vec<u8> {
    let mut file = whole.to_vec();
    let place = |random: &mut Random| {
        if random.below(4) > 0 {
            headers.start + random.below(headers.len())
        } else {
            random.below(whole.len())
        }
    };
    match random.below(4) {
        0 => file.truncate(random.below(whole.len())),
        1 => (0..1 + random.below(8)).for_each(|_| {
            let at = place(random);
            file[at] ^= 1 << random.below(8);
        }),
        2 => {
            let at = place(random).min(whole.len().saturating_sub(4));
            let word = [0, u32::MAX, 0x7fff_ffff, 0x8000_0000, random.next() as u32][random.below(5)];
            file[at..at + 4].copy_from_slice(&word.to_le_bytes());
        }
        _ => {
            let length = 1 + random.below(64).min(whole.len() / 2);
            let (from, to) = (
                random.below(whole.len() - length),
                place(random).min(whole.len() - length),
            );
            file.copy_within(from..from + length, to);
        }
    }
    file
}

/// Decodes `count` damaged copies of a file through a tight wall: each must end in a frame or in
/// an error that names the file, in time.
fn storm(name: &str, headers: std::ops::Range<usize>, count: usize) -> usize {
    const SECONDS: f64 = 5.0;
    let whole = std::fs::read(fixture(name)).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let wall = wall(192 * MIB, SECONDS);
    let outcomes: Vec<bool> = (0..count)
        .into_par_iter()
        .map(|i| {
            let mut random = Random(i as u64 * 7919 + whole.len() as u64);
            let path = folder.path().join(format!("{i}-{name}"));
            std::fs::write(&path, damage(&whole, headers.clone(), &mut random)).unwrap();
            let start = Instant::now();
            let outcome = decode(&wall, &path);
            assert!(
                start.elapsed().as_secs_f64() < SECONDS + 2.0,
                "{name} mutation {i} took too long"
            );
            if let Err(error) = &outcome {
                let named = error.to_string().contains(&format!("{i}-{name}"));
                assert!(named, "{name} mutation {i}: {error}");
            }
            outcome.is_ok()
        })
        .collect();
    outcomes.iter().filter(|ok| !**ok).count()
}

#[test]
fn two_hundred_damaged_raws_do_no_harm() {
    let length = std::fs::metadata(fixture("written.dng")).unwrap().len() as usize;
    // Its directories stand around the pixels: EXIF and GPS before, the main one after.
    let refused = storm("written.dng", length - 700..length, 100) + storm("written.dng", 0..400, 50);
    let foreign = storm("foreign.dng", 0..600, 50);
    // Damage that never showed would mean that nothing was damaged.
    assert!(
        refused + foreign > 60,
        "only {refused} + {foreign} of 200 were noticed"
    );
}

#[test]
fn damaged_files_of_every_other_kind_do_no_harm() {
    for (name, headers) in [
        ("rgb16-deflate.tif", 0..400),
        ("rgb16-tiles.tif", 0..400),
        ("rgb8-srgb-profile.png", 0..400),
        ("turned.jpg", 0..900),
        ("mosaic-bottom-up.fits", 0..2000),
        ("mosaic-rice.fits", 2880..9000),
    ] {
        let refused = storm(name, headers, 25);
        assert!(
            refused > 2,
            "only {refused} of 25 damaged copies of {name} were noticed"
        );
    }
}

#[test]
fn files_that_are_no_photographs_are_refused_in_a_sentence() {
    let folder = tempfile::tempdir().unwrap();
    let wall = wall(256 * MIB, 10.0);
    let write = |name: &str, data: &[u8]| {
        let path = folder.path().join(name);
        std::fs::write(&path, data).unwrap();
        path
    };
    let empty = write("empty.cr2", b"");
    let error = decode(&wall, &empty).unwrap_err();
    assert!(
        error
            .to_string()
            .ends_with("empty.cr2 is empty (0 bytes); copy it again from the card or leave it out"),
        "{error}"
    );
    assert_eq!(wall.meta(&empty).unwrap_err(), error);
    let text = write("notes.nef", b"Dark frames first, then the sky.");
    let error = decode(&wall, &text).unwrap_err().to_string();
    assert!(
        error.contains("notes.nef is not a photograph of a known kind (its first bytes are “Dark fra”)"),
        "{error}"
    );
    let missing = folder.path().join("missing.arw");
    let error = decode(&wall, &missing).unwrap_err();
    assert!(
        matches!(error, DecodeError::Unreadable { .. }) && error.to_string().contains("check that it exists"),
        "{error}"
    );
    let error = decode(&wall, folder.path()).unwrap_err().to_string();
    assert!(error.contains("it is not a regular file"), "{error}");
    for (name, data) in [
        ("a.tif", &b"II*\0"[..]),
        ("b.png", b"\x89PNG\r\n\x1a\n"),
        ("c.jpg", b"\xff\xd8\xff\xe0"),
        ("d.fits", b"SIMPLE  =                    T"),
        ("e.raf", b"FUJIFILMCCD-RAW 0201"),
        ("f.cr3", b"\0\0\0\x18ftypcrx \0\0\0\x01"),
    ] {
        let error = decode(&wall, &write(name, data)).unwrap_err().to_string();
        assert!(
            error.contains(name) && error.contains("copy it again from the card"),
            "{error}"
        );
    }
}

#[test]
fn the_content_counts_not_the_name() {
    let folder = tempfile::tempdir().unwrap();
    let wall = wall(256 * MIB, 10.0);
    for (from, to) in [
        ("written.dng", "a.jpg"),
        ("turned.jpg", "b.dng"),
        ("mosaic-bottom-up.fits", "c.png"),
        ("rgb8.png", "d.tif"),
        ("foreign.dng", "e.tif"),
    ] {
        let path = folder.path().join(to);
        std::fs::copy(fixture(from), &path).unwrap();
        assert_eq!(
            decode(&wall, &path).unwrap(),
            decode(&wall, &fixture(from)).unwrap(),
            "{from} as {to}"
        );
    }
}

#[test]
fn a_truncated_file_says_that_its_pixels_are_missing() {
    let folder = tempfile::tempdir().unwrap();
    let wall = wall(256 * MIB, 10.0);
    // Of the FITS file a header of 2880 bytes, 300 of 480 bytes of pixels, and no padding remain.
    let cuts = [
        ("foreign.dng", 1500),
        ("rgb16.tif", 1000),
        ("turned.jpg", 1200),
        ("mosaic-bottom-up.fits", 3180),
        ("rgb8.png", 100),
    ];
    for (name, kept) in cuts {
        let whole = std::fs::read(fixture(name)).unwrap();
        let path = folder.path().join(name);
        std::fs::write(&path, &whole[..kept]).unwrap();
        let error = decode(&wall, &path).unwrap_err();
        assert!(matches!(error, DecodeError::NoPixels { .. }), "{error}");
        assert!(
            error
                .to_string()
                .contains(&format!("{name} lacks its pixels, or part of them")),
            "{error}"
        );
    }
}

#[test]
fn more_memory_than_allowed_is_an_error_about_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("big.dng");
    let (meta, samples) = (crate::dng::meta(), crate::dng::samples(3000 * 2000));
    write_dng(&path, &crate::dng::frame(3000, 2000, &samples, &meta)).unwrap();
    // 8 MiB do not hold the declared 12 MB of pixels; 30 MiB do, but not the process, the file and
    // the samples together.
    for mebibytes in [8, 30] {
        let error = decode(&wall(mebibytes * MIB, 10.0), &path).unwrap_err();
        let by_memory = matches!(
            error,
            DecodeError::TooLarge { .. } | DecodeError::OutOfMemory { .. } | DecodeError::Died { .. }
        );
        assert!(by_memory && error.to_string().contains("big.dng"), "{error}");
    }
    assert!(decode(&wall(512 * MIB, 20.0), &path).is_ok());
}

/// A program that answers nothing and does not end.
#[cfg(unix)]
fn sleeper() -> Wall {
    Wall {
        program: "/bin/sh".into(),
        args: vec!["-c".into(), "exec sleep 600".into()],
        limits: Limits {
            max_seconds: 0.5,
            ..Limits::default()
        },
    }
}

#[cfg(unix)]
#[test]
fn a_decoder_that_hangs_is_stopped() {
    let start = Instant::now();
    let error = decode(&sleeper(), &fixture("rgb8.png")).unwrap_err();
    assert!(matches!(error, DecodeError::TimedOut { .. }), "{error}");
    assert!(
        error
            .to_string()
            .contains("rgb8.png was not decoded within 0.5 s"),
        "{error}"
    );
    assert!(start.elapsed().as_secs_f64() < 2.0);
}

#[cfg(unix)]
#[test]
fn a_stop_is_heeded_within_a_second() {
    let mut wall = sleeper();
    wall.limits.max_seconds = 60.0;
    let start = Instant::now();
    let cancelled = || start.elapsed().as_secs_f64() > 0.2;
    let error = wall
        .decode_unless(&fixture("rgb8.png"), &DecodeOptions::default(), &cancelled)
        .unwrap_err();
    assert!(matches!(error, DecodeError::Cancelled { .. }), "{error}");
    assert!(start.elapsed().as_secs_f64() < 1.2);
}

#[cfg(unix)]
#[test]
fn a_decoder_that_dies_is_an_error_about_the_file() {
    let with = |script: &str| Wall {
        program: "/bin/sh".into(),
        args: vec!["-c".into(), script.into()],
        limits: Limits {
            max_seconds: 10.0,
            ..Limits::default()
        },
    };
    let error = decode(&with("kill -SEGV $$"), &fixture("rgb8.png"))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("rgb8.png brought its decoder down (ended by signal 11)"),
        "{error}"
    );
    let error = decode(&with("exit 7"), &fixture("rgb8.png"))
        .unwrap_err()
        .to_string();
    assert!(error.contains("ended with status 7"), "{error}");
    // Rubbish for an answer, and an answer cut short.
    for script in ["head -c 100000 /dev/zero", "printf NLf1", "yes"] {
        let error = decode(&with(script), &fixture("rgb8.png")).unwrap_err();
        assert!(matches!(error, DecodeError::Died { .. }), "{script}: {error}");
    }
}

/// A program that dies over the first question and answers the next one.
#[cfg(unix)]
#[test]
fn exif_is_read_plainly_where_the_raw_decoder_dies_over_it() {
    let child = env!("CARGO_BIN_EXE_nightloom-decode-child");
    let script = format!("case \"$0\" in *PlainMeta*) exec {child} \"$0\" \"$1\";; *) kill -ABRT $$;; esac");
    let wall = Wall {
        program: "/bin/sh".into(),
        args: vec!["-c".into(), script],
        limits: Limits::default(),
    };
    let meta = wall.meta(&fixture("written.dng")).unwrap();
    assert_eq!((meta.exposure_s, meta.iso), (Some(90.0), Some(1600.0)));
    let error = decode(&wall, &fixture("written.dng")).unwrap_err().to_string();
    assert!(error.contains("ended by signal 6"), "{error}");
}

#[test]
fn a_decoder_that_cannot_be_started_is_named() {
    let wall = Wall {
        program: "/nowhere/decoder".into(),
        args: Vec::new(),
        limits: Limits::default(),
    };
    let error = decode(&wall, &fixture("rgb8.png")).unwrap_err().to_string();
    assert!(
        error.contains(
            "rgb8.png was not decoded, because the decoding process /nowhere/decoder could not be started"
        ),
        "{error}"
    );
}
