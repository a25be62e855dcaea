//! The program: the command line. Computes nothing itself.
//!
//! Exit status: 0 done, 1 done but the answer is “no” (no picture can be made of these frames),
//! 2 could not.

mod axis;
mod build;
mod charts;
mod check;
mod cli;
mod context;
mod demo;
mod door;
mod exposure;
mod failure;
mod focus;
mod formats;
mod identify;
mod kept;
mod new;
mod night;
mod out;
mod place;
mod pole;
mod preferences;
mod profile;
mod sensor;
mod serve;
mod sheet;
mod shelf;
mod shell;
mod shots;
mod show;
mod sight;
mod skyline;
mod stars;
mod subjects;
mod system;
mod told;
mod tonight;
mod trail;
mod watch;
mod when;
mod where_is;
mod year;

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    // Before anything else: this process may be the walled-off decoder of another one.
    if std::env::args_os()
        .nth(1)
        .is_some_and(|a| a == door::DECODE_CHILD)
    {
        return nightloom_raster::child_main();
    }
    let cli = cli::Cli::parse();
    let answer = cli.run();
    if !out::claim_answer() {
        // The watch over Ctrl-C has answered and is ending the process.
        return ExitCode::from(2);
    }
    match answer {
        Ok(json) => {
            cli.print(&json);
            ExitCode::SUCCESS
        }
        Err(failure) => {
            cli.print(&failure.json);
            out::say(&format!("nightloom: {}", failure.sentence));
            ExitCode::from(failure.status)
        }
    }
}
