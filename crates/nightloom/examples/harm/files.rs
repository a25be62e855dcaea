//! Damaged files through the wall, and the pictures made of those that pass.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use nightloom_fit::Random;
use nightloom_raster::{DecodeError, DecodeOptions, Frame, Limits, Pixels, Wall, decode_here};
use rayon::prelude::*;

use crate::damage::{KINDS, below, damaged};
use crate::night::{Temp, build, frames, painted, reference};
use crate::{Outcome, most_memory_mib, program, say};

/// A file that takes longer hangs.
const HANGS: Duration = Duration::from_secs(30);
/// What a decoder may take here.
const MEMORY: u64 = 512 << 20;
/// Builds of files that passed, and how many go into one.
const BUILDS: usize = 24;
const IN_ONE: usize = 4;

/// What became of one damaged file.
enum Came {
    Refused,
    /// Pixels and words as they were.
    Harmless,
    /// Other pixels, so many, or other words about the frame.
    Passed {
        pixels: usize,
        words: bool,
    },
    Wrong(String),
}

struct One {
    kind: usize,
    frame: String,
    bytes: Vec<u8>,
    came: Came,
    took: Duration,
}

pub(crate) fn run(folder: &Path, count: usize, seed: u64) -> Outcome<usize> {
    let night = painted(folder)?;
    let names = frames(&night);
    let wall = Wall {
        program: program(),
        args: vec!["decode-child".into()],
        limits: Limits {
            max_memory_bytes: MEMORY,
            ..Limits::default()
        },
    };
    let sound: BTreeMap<&String, (Vec<u8>, Frame)> = names
        .iter()
        .map(|name| {
            let path = night.join(name);
            let bytes = fs::read(&path).map_err(say(&path))?;
            let frame = decode_here(&path, &Limits::default()).map_err(|e| e.to_string())?;
            Ok((name, (bytes, frame)))
        })
        .collect::<Outcome<_>>()?;
    let place = tempfile::tempdir().map_err(|e| e.to_string())?;
    let all: Vec<One> = (0..count)
        .into_par_iter()
        .map(|i| {
            let mut random = Random::new(seed.wrapping_mul(1_000_003) + i as u64);
            let (kind, name) = (i % KINDS.len(), &names[below(&mut random, names.len())]);
            let (whole, frame) = &sound[name];
            let bytes = damaged(whole, kind, &mut random);
            let path = place.path().join(format!("{i}.dng"));
            let began = Instant::now();
            let came = match fs::write(&path, &bytes) {
                Ok(()) => judge(&wall, &path, frame),
                Err(e) => Came::Wrong(e.to_string()),
            };
            let took = began.elapsed();
            // It is in memory, too.
            let _ = fs::remove_file(&path);
            One {
                kind,
                frame: name.clone(),
                bytes,
                came,
                took,
            }
        })
        .collect();
    let mut wrong = tell(&all);
    let passed: Vec<&One> = all
        .iter()
        .filter(|o| matches!(o.came, Came::Passed { .. }))
        .collect();
    wrong += pictures(folder, &names, &passed, seed)?;
    println!(
        "most memory of any process: {:.0} MiB (a decoder was allowed 512)",
        most_memory_mib()
    );
    Ok(wrong)
}

fn judge(wall: &Wall, path: &Path, sound: &Frame) -> Came {
    match wall.decode(path, &DecodeOptions::default()) {
        Err(DecodeError::NoWall { why, .. }) => Came::Wrong(why),
        Err(error) if !error.to_string().contains(&path.display().to_string()) => {
            Came::Wrong(format!("the error names no file: {error}"))
        }
        Err(_) => Came::Refused,
        Ok(frame) => {
            let pixels = changed(&frame.pixels, &sound.pixels);
            let words =
                frame.meta != sound.meta || frame.colour != sound.colour || frame.levels != sound.levels;
            match pixels > 0 || words {
                true => Came::Passed { pixels, words },
                false => Came::Harmless,
            }
        }
    }
}

/// Values that are others; all of them where the size is another.
fn changed(ours: &Pixels, theirs: &Pixels) -> usize {
    match (ours, theirs) {
        (Pixels::Mosaic(a), Pixels::Mosaic(b)) if ours.size() == theirs.size() && a.cfa == b.cfa => {
            let pairs = a.plane.data().iter().zip(b.plane.data());
            pairs.filter(|(a, b)| a.to_bits() != b.to_bits()).count()
        }
        _ => usize::MAX,
    }
}

fn tell(all: &[One]) -> usize {
    println!(
        "                              files refused harmless  passed: <= 8 px, <= 512, more, words only"
    );
    for (kind, word) in KINDS.iter().enumerate() {
        let of = |is: &dyn Fn(&Came) -> bool| all.iter().filter(|o| o.kind == kind && is(&o.came)).count();
        let between = |low: usize, high: usize| {
            of(&|c| matches!(c, Came::Passed { pixels, .. } if (low..=high).contains(pixels)))
        };
        println!(
            "{word:<28} {:>6} {:>7} {:>8}          {:>6} {:>6} {:>5} {:>5}",
            of(&|_| true),
            of(&|c| matches!(c, Came::Refused)),
            of(&|c| matches!(c, Came::Harmless)),
            between(1, 8),
            between(9, 512),
            between(513, usize::MAX),
            of(&|c| matches!(
                c,
                Came::Passed {
                    pixels: 0,
                    words: true
                }
            )),
        );
    }
    let wrong: Vec<&String> = all
        .iter()
        .filter_map(|o| match &o.came {
            Came::Wrong(why) => Some(why),
            _ => None,
        })
        .collect();
    wrong.iter().for_each(|why| println!("wrong: {why}"));
    let longest = all.iter().map(|o| o.took).max().unwrap_or_default();
    let hangs = all.iter().filter(|o| o.took > HANGS).count();
    println!(
        "longest {:.1} s, {hangs} over {} s",
        longest.as_secs_f64(),
        HANGS.as_secs()
    );
    wrong.len() + hangs
}

/// Builds with files that passed, each against the build of the sound frames that it used.
fn pictures(folder: &Path, names: &[String], passed: &[&One], seed: u64) -> Outcome<usize> {
    let (night, (whole, _)) = (painted(folder)?, reference(folder)?);
    let mut random = Random::new(seed ^ 0x5eed);
    // Those with most changed pixels first, and as many of the rest by chance.
    let mut order: Vec<&&One> = passed.iter().collect();
    order.sort_by_key(|o| match o.came {
        Came::Passed { pixels, words } => std::cmp::Reverse((pixels, words)),
        _ => std::cmp::Reverse((0, false)),
    });
    let worst = order.len().min(BUILDS * IN_ONE / 2);
    let mut taken: Vec<&One> = order[..worst].iter().map(|o| **o).collect();
    while taken.len() < (BUILDS * IN_ONE).min(order.len()) {
        taken.push(order[worst + below(&mut random, order.len() - worst)]);
    }
    let told: Vec<Outcome<Option<String>>> = taken
        .par_chunks(IN_ONE)
        .map(|some| one_picture(&night, &whole, names, some))
        .collect();
    let mut wrong = 0;
    for what in told.iter() {
        if let Some(what) = what.as_ref().map_err(Clone::clone)? {
            wrong += 1;
            println!("wrong: {what}");
        }
    }
    println!(
        "{} builds with {} files that passed, {wrong} wrong",
        told.len(),
        taken.len()
    );
    Ok(wrong)
}

/// What is wrong with a picture made of frames some of which are damaged.
fn one_picture(night: &Path, whole: &Path, names: &[String], damaged: &[&One]) -> Outcome<Option<String>> {
    let ours = Temp::of(night, names)?;
    for one in damaged {
        let path = ours.night().join(&one.frame);
        fs::write(&path, &one.bytes).map_err(say(&path))?;
    }
    let built = build(&ours.night())?;
    if let Some(fault) = built.fault() {
        return Ok(Some(fault));
    }
    // The sound frames that it used: the others are away.
    let out: Vec<String> = built.report["frames"]
        .as_array()
        .into_iter()
        .flatten()
        .filter(|f| f["used"] == false)
        .filter_map(|f| Some(f["path"].as_str()?.to_owned()))
        .collect();
    let sound: Vec<String> = names.iter().filter(|n| !out.contains(n)).cloned().collect();
    let temp = Temp::of(night, &sound)?;
    let (expected, gave) = match out.is_empty() {
        true => (whole.to_path_buf(), Some(0)),
        false => (temp.night(), build(&temp.night())?.status),
    };
    let what = || {
        let told = |o: &&One| format!("{} ({}, {})", o.frame, KINDS[o.kind], o.told());
        damaged.iter().map(told).collect::<Vec<_>>().join(" and ")
    };
    match (built.status, gave) {
        (Some(0), Some(0)) => Ok(other(&ours.night(), &expected)?.map(|how| {
            format!(
                "{}, left out {out:?}: {how}; {}",
                what(),
                built.report["warnings"]
            )
        })),
        // No picture is no wrong one.
        _ => Ok(None),
    }
}

impl One {
    fn told(&self) -> String {
        match &self.came {
            Came::Passed { pixels, words } => {
                format!("{pixels} pixels{}", if *words { " and words" } else { "" })
            }
            _ => String::new(),
        }
    }
}

/// Squares in which pictures are compared, and by how much of the whole scale their means may differ: half of what is
/// seen in an even area.
const SQUARE_PX: usize = 16;
const SEEN: f32 = 0.02;

/// How two pictures differ, if anybody would see it.
fn other(ours: &Path, expected: &Path) -> Outcome<Option<String>> {
    let picture = |outing: &Path| -> Outcome<(PathBuf, Frame)> {
        let path = outing.join("picture/picture.tif");
        let frame = decode_here(&path, &Limits::default()).map_err(|e| e.to_string())?;
        Ok((path, frame))
    };
    let ((_, a), (_, b)) = (picture(ours)?, picture(expected)?);
    let (Pixels::Rgb(a), Pixels::Rgb(b)) = (&a.pixels, &b.pixels) else {
        return Err("a picture without colour".into());
    };
    let (width, height) = (a.width(), a.height());
    if (width, height) != (b.width(), b.height()) {
        return Ok(Some(format!(
            "{width} × {height} instead of {} × {}",
            b.width(),
            b.height()
        )));
    }
    let (mut worst, mut at) = (0.0, [0, 0]);
    for y in (0..height).step_by(SQUARE_PX) {
        for x in (0..width).step_by(SQUARE_PX) {
            for (p, q) in a.planes().iter().zip(b.planes()) {
                let mut sum = 0.0;
                let (x1, y1) = ((x + SQUARE_PX).min(width), (y + SQUARE_PX).min(height));
                // As shown: the files' values are encoded, and what was decoded is linear.
                for v in y..y1 {
                    (x..x1).for_each(|u| sum += p.at(u, v).max(0.0).sqrt() - q.at(u, v).max(0.0).sqrt());
                }
                let mean: f32 = sum.abs() / ((x1 - x) * (y1 - y)) as f32;
                if mean > worst {
                    (worst, at) = (mean, [x, y]);
                }
            }
        }
    }
    Ok((worst > SEEN).then(|| format!("{:.1} % of the scale about {at:?}", worst * 100.0)))
}
