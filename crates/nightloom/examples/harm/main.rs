//! What damage does to pictures: `cargo run --release --example harm -- WHAT FOLDER [COUNT] [SEED]`, the program built beside it.
//!
//! * `files`: so many damaged copies of a small night's frames, decoded behind the wall; those that pass with other
//!   pixels or other words go into builds, whose pictures are compared with those of the sound frames.
//! * `kills`: so many builds killed at any moment, and run to their end in between: the same bytes are expected.
//! * `flips`: so many bits flipped in what a build keeps and delivers, four before each next build: the same bytes.
//! * `silent`: every kind of silent damage put into frames of each role in FOLDER (or those of a small night).
//! * `clean`: every frame under FOLDER searched for damage: none is expected.
//!
//! FOLDER holds what the run needs and is kept; the small night is painted there. Exit status 1 if anything is wrong.
#![allow(clippy::print_stdout, reason = "a report for whoever runs it")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

mod builds;
mod damage;
#[path = "../../tests/all/delivered.rs"]
mod delivered;
mod files;
mod night;
mod silent;

/// What is wrong, in a sentence.
type Outcome<T> = Result<T, String>;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [what, folder, rest @ ..] = args.as_slice() else {
        println!("expected: files | kills | flips | silent | clean, and a folder");
        return ExitCode::from(2);
    };
    let number = |n: usize, usual: u64| rest.get(n).and_then(|t| t.parse().ok()).unwrap_or(usual);
    let (folder, seed) = (PathBuf::from(folder), number(1, 1));
    let count = |usual: u64| number(0, usual) as usize;
    let wrong = match what.as_str() {
        "files" => files::run(&folder, count(2000), seed),
        "kills" => builds::kills(&folder, count(100), seed),
        "flips" => builds::flips(&folder, count(500), seed),
        "silent" => silent::silent(&folder, seed),
        "clean" => silent::clean(&folder),
        other => Err(format!("{other} is none of files, kills, flips, silent, clean")),
    };
    match wrong {
        Ok(0) => ExitCode::SUCCESS,
        Ok(wrong) => {
            println!("{wrong} wrong");
            ExitCode::from(1)
        }
        Err(why) => {
            println!("{why}");
            ExitCode::from(2)
        }
    }
}

/// The program beside this one: `target/PROFILE/examples/harm`.
fn program() -> PathBuf {
    let own = std::env::current_exe().unwrap_or_default();
    let above = own.parent().and_then(Path::parent).unwrap_or(Path::new("."));
    above.join("nightloom")
}

fn say<E: std::fmt::Display>(path: &Path) -> impl Fn(E) -> String {
    move |e| format!("{}: {e}", path.display())
}

/// The most memory that any ended child held, MiB.
fn most_memory_mib() -> f64 {
    #[cfg(unix)]
    {
        use nix::sys::resource::{UsageWho, getrusage};
        getrusage(UsageWho::RUSAGE_CHILDREN).map_or(0.0, |u| u.max_rss() as f64 / 1024.0)
    }
    #[cfg(not(unix))]
    0.0
}
