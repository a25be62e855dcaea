//! Builds killed at any moment, and kept work with bits flipped.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use nightloom_fit::Random;
use rayon::prelude::*;

use crate::damage::below;
use crate::night::{Built, Temp, build, command, differs, frames, painted, reference};
use crate::{Outcome, most_memory_mib, say};

/// Kills before a build may end.
const IN_A_ROW: usize = 10;
/// Flips before a build.
const AT_ONCE: usize = 4;

/// What a build after harm should be: the reference's bytes.
fn wrong(built: &Built, ours: &Path, expected: &Path) -> Option<String> {
    built.fault().or_else(|| match built.status {
        Some(0) => differs(ours, expected).map(|name| format!("{name} differs")),
        other => Some(format!("it ended with {other:?}: {}", built.said)),
    })
}

pub(crate) fn kills(folder: &Path, count: usize, seed: u64) -> Outcome<usize> {
    let night = painted(folder)?;
    let (expected, took) = reference(folder)?;
    let names = frames(&night);
    let halves = AtomicUsize::new(0);
    let rows: Vec<Outcome<(usize, Duration, Option<String>)>> = (0..count.div_ceil(IN_A_ROW))
        .into_par_iter()
        .map(|row| {
            let mut random = Random::new(seed.wrapping_mul(7919) + row as u64);
            let temp = Temp::of(&night, &names)?;
            let outing = temp.night();
            let mut killed = 0;
            while killed < IN_A_ROW.min(count - row * IN_A_ROW) {
                if one_kill(&outing, took.mul_f64(random.uniform()))? {
                    killed += 1;
                } else {
                    // It came to its end: from the beginning again.
                    for kept in [".nightloom", "picture"] {
                        let path = outing.join(kept);
                        fs::remove_dir_all(&path).map_err(say(&path))?;
                    }
                }
                halves.fetch_add(half_written(&outing, &expected), Ordering::Relaxed);
            }
            let built = build(&outing)?;
            println!(
                "  {killed} killed, then built in {:.1} s",
                built.took.as_secs_f64()
            );
            Ok((killed, built.took, wrong(&built, &outing, &expected)))
        })
        .collect();
    let (mut killed, mut bad, mut longest) = (0, 0, Duration::ZERO);
    for row in rows {
        let (kills, took, what) = row?;
        killed += kills;
        longest = longest.max(took);
        if let Some(what) = what {
            bad += 1;
            println!("wrong: {what}");
        }
    }
    let halves = halves.into_inner();
    println!(
        "{killed} builds killed, {} run to their end, {bad} other pictures, {halves} half-written results; longest build {:.1} s, most memory {:.0} MiB",
        count.div_ceil(IN_A_ROW),
        longest.as_secs_f64(),
        most_memory_mib()
    );
    Ok(bad + halves)
}

/// Whether a build was still running when it was killed.
fn one_kill(outing: &Path, after: Duration) -> Outcome<bool> {
    let mut child = command(outing)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| e.to_string())?;
    let began = Instant::now();
    while began.elapsed() < after {
        std::thread::sleep(Duration::from_millis(5));
        if child.try_wait().map_err(|e| e.to_string())?.is_some() {
            return Ok(false);
        }
    }
    let ran = child.try_wait().map_err(|e| e.to_string())?.is_none();
    // SIGKILL: nothing can be tidied.
    let _ = child.kill();
    let _ = child.wait();
    Ok(ran)
}

/// Results that are there and not the reference's.
fn half_written(outing: &Path, expected: &Path) -> usize {
    let read = |folder: &Path, name: &str| fs::read(folder.join("picture").join(name)).ok();
    crate::night::DELIVERED
        .iter()
        .filter(|name| read(outing, name).is_some_and(|ours| Some(ours) != read(expected, name)))
        .count()
}

/// Where in a file a bit is flipped.
const PLACES: [&str; 4] = ["first bytes", "last bytes", "anywhere", "middle"];

pub(crate) fn flips(folder: &Path, count: usize, seed: u64) -> Outcome<usize> {
    let (expected, _) = reference(folder)?;
    let rows: Vec<Outcome<(usize, Duration, Option<String>)>> = (0..count.div_ceil(AT_ONCE))
        .into_par_iter()
        .map(|row| {
            let mut random = Random::new(seed.wrapping_mul(104_729) + row as u64);
            let temp = Temp::copy(&expected)?;
            let outing = temp.night();
            let mut told = Vec::new();
            let (work, kept) = kept(&outing);
            for n in 0..AT_ONCE.min(count - row * AT_ONCE) {
                // A journal's line that is dropped would hide what is wrong with the file that it names: every eighth.
                let from = if (row * AT_ONCE + n) % 8 == 7 {
                    &kept
                } else {
                    &work
                };
                told.push(flip(
                    &from[below(&mut random, from.len())],
                    PLACES[n % 4],
                    &mut random,
                )?);
            }
            // Something to do, so that what is kept is used.
            let lost = outing.join("picture/preview.jpg");
            if row % 2 == 0 && lost.is_file() {
                fs::remove_file(&lost).map_err(say(&lost))?;
            }
            let built = build(&outing)?;
            println!(
                "  {} flipped, then built in {:.1} s",
                told.len(),
                built.took.as_secs_f64()
            );
            let what = wrong(&built, &outing, &expected);
            Ok((
                told.len(),
                built.took,
                what.map(|w| format!("{w} after {}", told.join(", "))),
            ))
        })
        .collect();
    let (mut flipped, mut bad, mut longest) = (0, 0, Duration::ZERO);
    let builds = rows.len();
    for row in rows {
        let (flips, took, what) = row?;
        flipped += flips;
        longest = longest.max(took);
        if let Some(what) = what {
            bad += 1;
            println!("wrong: {what}");
        }
    }
    println!(
        "{flipped} bits flipped before {builds} builds, {bad} other pictures; longest build {:.1} s, most memory {:.0} MiB",
        longest.as_secs_f64(),
        most_memory_mib()
    );
    Ok(bad)
}

/// Work files and results; journal, hashes and what else lies beside them.
fn kept(outing: &Path) -> (Vec<PathBuf>, Vec<PathBuf>) {
    let files = |folder: &str| -> Vec<PathBuf> {
        let entries = fs::read_dir(outing.join(folder)).into_iter().flatten().flatten();
        let mut all: Vec<PathBuf> = entries.map(|e| e.path()).filter(|p| p.is_file()).collect();
        all.retain(|p| !p.ends_with("lock") && fs::metadata(p).is_ok_and(|m| m.len() > 0));
        all.sort();
        all
    };
    let work = [files(".nightloom/files"), files("picture")].concat();
    (work, files(".nightloom"))
}

fn flip(path: &Path, place: &str, random: &mut Random) -> Outcome<String> {
    let mut bytes = fs::read(path).map_err(say(path))?;
    let length = bytes.len();
    let at = match place {
        "first bytes" => below(random, 128.min(length)),
        "last bytes" => length - 1 - below(random, 64.min(length)),
        "middle" => length / 2,
        _ => below(random, length),
    };
    bytes[at] ^= 1 << below(random, 8);
    fs::write(path, bytes).map_err(say(path))?;
    let name = path
        .file_name()
        .unwrap_or_default()
        .to_string_lossy()
        .into_owned();
    Ok(format!("byte {at} of {name}"))
}
