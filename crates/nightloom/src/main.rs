//! The program: the command line. Computes nothing itself.
//!
//! Exit status: 0 done, 1 done but the answer is “no” (no picture can be made of these frames),
//! 2 could not.

mod axis;
mod build;
mod charts;
mod check;
mod cli;
mod demo;
mod door;
mod evening;
mod exposure;
mod focus;
mod identify;
mod memory;
mod new;
mod night;
mod out;
mod pole;
mod sensor;
mod serve;
mod sheet;
mod shots;
mod show;
mod sight;
mod skyline;
mod standpoint;
mod stars;
mod subjects;
mod told;
mod trail;
mod watch;
mod when;
mod where_is;
mod year;

use std::process::ExitCode;
use std::sync::Arc;

use clap::Parser;

use cli::{Cli, Command};
use nightloom_sky::subjects::SubjectError;

/// The hidden first argument that makes this program a decoder and nothing else.
const DECODE_CHILD: &str = "decode-child";

fn main() -> ExitCode {
    // Before anything else: this process may be the walled-off decoder of another one.
    if std::env::args_os().nth(1).is_some_and(|a| a == DECODE_CHILD) {
        return nightloom_raster::child_main();
    }
    let cli = Cli::parse();
    let common = cli.command.common().clone();
    let answer = run(&cli);
    if !out::claim_answer() {
        // The watch over Ctrl-C has answered and is ending the process.
        return ExitCode::from(2);
    }
    match answer {
        Ok(json) => {
            if common.json {
                cli.command.print(&json);
            }
            ExitCode::SUCCESS
        }
        Err(trouble) => {
            if common.json {
                cli.command.print(&trouble.json());
            }
            out::say(&format!("nightloom: {trouble}"));
            ExitCode::from(trouble.status())
        }
    }
}

fn run(cli: &Cli) -> Result<serde_json::Value, Trouble> {
    let common = cli.command.common();
    if let Some(threads) = common.threads {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build_global()
            .map_err(|e| Trouble::Threads {
                threads,
                reason: e.to_string(),
            })?;
    }
    let door = Arc::new(door::Door::open(common)?);
    match &cli.command {
        Command::New(args) => new::run(args, &door),
        Command::Build(args) => build::run(args, &door),
        Command::Demo(args) => demo::run(args, &door),
        Command::Skyline(args) => skyline::run(args, &door),
        Command::Sensor(args) => sensor::run(args, &door),
        Command::Serve(args) => serve::run(args, &door),
        Command::Focus(args) => Ok(focus::run(args)?),
        Command::Where(args) => where_is::run(args, &door),
        Command::Pole(args) => pole::run(args, &door),
        Command::Axis(args) => axis::run(args, &door),
        Command::Subjects(args) => subjects::run(args),
        Command::Stars(args) => stars::run(args, &door),
        Command::Identify(args) => identify::run(args, &door),
        Command::Check(args) => check::run(args, &door),
        Command::Watch(args) => watch::run(args, &door),
        Command::Exposure(args) => exposure::run(args, &door),
        Command::Trail(args) => Ok(trail::run(args)?),
        Command::Night(args) => night::run(args),
        Command::Shots(args) => shots::run(args),
        Command::Sheet(args) => sheet::run(args),
        Command::Year(args) => year::run(args),
        Command::When(args) => when::run(args),
    }
}

/// Why a command did not do what it was asked.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Trouble {
    /// A chart cannot be drawn or written.
    #[error("{0}")]
    Chart(String),
    /// Beginning an outing failed.
    #[error(transparent)]
    New(#[from] nightloom_pipeline::NewError),
    /// Building failed.
    #[error(transparent)]
    Build(#[from] nightloom_pipeline::BuildError),
    /// The settings are wrong.
    #[error(transparent)]
    Settings(#[from] nightloom_outing::SettingsError),
    /// The folder cannot serve.
    #[error(transparent)]
    Folder(#[from] nightloom_outing::FolderError),
    /// A number for the focus cannot be.
    #[error(transparent)]
    Field(#[from] nightloom_optics::FieldError),
    /// Measuring a sensor failed.
    #[error(transparent)]
    Sensor(#[from] nightloom_outing::SensorError),
    /// The frames do not suffice for it.
    #[error(transparent)]
    NothingMeasured(#[from] sensor::NothingMeasured),
    /// Rendering the demo failed.
    #[error(transparent)]
    Simulate(#[from] nightloom_simulate::SimulateError),
    /// No skyline.
    #[error(transparent)]
    Skyline(#[from] skyline::SkylineTrouble),
    /// A body's place cannot be told.
    #[error(transparent)]
    Where(#[from] where_is::WhereError),
    /// The pole star's place cannot be told.
    #[error(transparent)]
    Pole(#[from] pole::PoleError),
    /// The axis cannot be asked for.
    #[error(transparent)]
    Axis(#[from] axis::AxisCommandError),
    /// Exposures have no answer.
    #[error(transparent)]
    Exposure(#[from] exposure::ExposureError),
    /// Trails have no answer.
    #[error(transparent)]
    Trail(#[from] trail::TrailCommandError),
    /// The pages cannot be served.
    #[error(transparent)]
    Serve(#[from] serve::ServeError),
    /// A single frame cannot be looked at.
    #[error(transparent)]
    Single(#[from] nightloom_outing::SingleError),
    /// A question about nights cannot be answered.
    #[error(transparent)]
    Evening(#[from] evening::EveningError),
    /// There is no shot list.
    #[error(transparent)]
    Shots(#[from] shots::ShotsTrouble),
    /// The question was answered, and the answer is no.
    #[error("{sentence}")]
    No {
        /// The whole answer.
        json: serde_json::Value,
        /// What it comes to.
        sentence: String,
    },
    /// None of the files could be read.
    #[error("{sentence}")]
    Unread {
        /// The whole answer.
        json: serde_json::Value,
        /// What it comes to.
        sentence: String,
    },
    /// The folder for the demo holds something else.
    #[error(
        "{folder} is not empty and was not made by nightloom demo; name an empty or a new folder, so that nothing of yours is touched"
    )]
    Foreign {
        /// The folder.
        folder: String,
    },
    /// The program cannot find or start itself.
    #[error("{what} ({reason}); start it from an ordinary installed file")]
    Start {
        /// What failed.
        what: &'static str,
        /// What the system said.
        reason: String,
    },
    /// There is no such subject.
    #[error(transparent)]
    Subject(#[from] SubjectError),
    /// So many threads cannot be had.
    #[error("{threads} threads cannot be started ({reason}); ask for fewer with --threads")]
    Threads {
        /// Asked for.
        threads: usize,
        /// What the system said.
        reason: String,
    },
}

impl Trouble {
    /// What standard output holds under `--json`.
    fn json(&self) -> serde_json::Value {
        match self {
            Self::No { json, .. } | Self::Unread { json, .. } => json.clone(),
            other => serde_json::json!({ "error": other.to_string() }),
        }
    }

    /// 1 where the work was done and its answer is “no”, else 2.
    fn status(&self) -> u8 {
        match self {
            Self::Build(nightloom_pipeline::BuildError::NothingToDo { .. }) | Self::NothingMeasured(_) => 1,
            Self::Subject(SubjectError::Unknown { .. } | SubjectError::Star { .. }) => 1,
            Self::No { .. } => 1,
            _ => 2,
        }
    }
}
