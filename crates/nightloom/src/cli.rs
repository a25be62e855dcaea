//! What can be asked for: the commands, which know nothing of this list.

use std::sync::Arc;

use clap::{Args, CommandFactory, Parser, Subcommand};
use nightloom_outing::evening::Shows;
use serde_json::Value;

use crate::context::Context;
use crate::door::Door;
use crate::failure::Failure;
use crate::kept;
use crate::{
    axis, build, check, demo, exposure, focus, formats, identify, new, night, out, pole, preferences, sensor,
    serve, sheet, shelf, shell, shots, skyline, stars, subjects, tonight, trail, watch, when, where_is, year,
};

/// From a night's raw frames to one natural, layered picture.
///
/// Exit status: 0 done; 1 done, but the answer is "no"; 2 could not.
#[derive(Parser, Debug)]
#[command(name = "nightloom", version)]
pub(crate) struct Cli {
    /// What to do.
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

/// The commands.
#[derive(Subcommand, Debug)]
enum Command {
    // In the order of the work: plan, outing, sums, tripod, desk.
    /// Places kept by name: list them, or keep one from coordinates, an outing or a frame.
    Site(shelf::SiteArgs),
    /// Camera, lens and tracker kept by name: list them, or keep one.
    Rig(Box<shelf::RigKeepArgs>),
    /// In which units heights and temperatures are typed and told.
    Preferences(preferences::PreferencesArgs),
    /// Tell what a night is good for, the best first, from place, date and lens alone.
    Tonight(tonight::TonightArgs),
    /// Find the nights and times when a subject stands in a part of the sky, the best first.
    When(when::WhenArgs),
    /// Tell how dark each night of a year is, and how long a subject is up in the dark.
    Year(year::YearArgs),
    /// Tell when a night is dark, and when subjects stand over the skyline in it.
    Night(night::NightArgs),
    /// Tell where a body stands in the sky at one instant.
    Where(where_is::WhereArgs),
    /// List what a picture can be about, or look a name up.
    Subjects(subjects::SubjectsArgs),
    /// The land's edge round a place, from elevation tiles or from a measured CSV.
    Skyline(skyline::SkylineArgs),
    /// Begin an outing: from a plan before the night, or from what the frames tell after it.
    New(Box<new::NewArgs>),
    /// Work out settings that give the same exposure, or how long the sky lets you expose.
    Exposure(Box<exposure::ExposureArgs>),
    /// Where to focus so that the land is as sharp as the stars, in brackets if need be.
    Focus(focus::FocusArgs),
    /// Say how far the stars trail on the sensor, and what exposure and axis error that allows.
    Trail(Box<trail::TrailArgs>),
    /// Lay every frame, check and pause of a night into its hours, and say whether they fit.
    Shots(Box<shots::ShotsArgs>),
    /// Make the field sheet of a night: one page for a phone without network, and a PDF for paper.
    Sheet(Box<sheet::SheetArgs>),
    /// Tell where the pole star stands against the pole.
    Pole(Box<pole::PoleArgs>),
    /// Measure where the tracker's axis points, from its frames, and say which way to turn.
    Axis(Box<axis::AxisArgs>),
    /// Say what is wrong with frames, and what to do next.
    Check(Box<check::CheckArgs>),
    /// Check frames as they land in a folder, and ring when something breaks.
    Watch(Box<watch::WatchArgs>),
    /// Find where in the sky one frame looks, from its stars alone.
    Identify(identify::IdentifyArgs),
    /// Measure the stars of one frame.
    Stars(stars::StarsArgs),
    /// Measure a camera's gain, read noise, full well, dark current and hot pixels from its own frames.
    Sensor(sensor::SensorArgs),
    /// Make the picture of an outing. Does again only what changed.
    Build(build::BuildArgs),
    /// Show the outing as pages in a browser, from this machine to this machine.
    Serve(serve::ServeArgs),
    /// List the formats that are read, and by what evidence each is.
    Formats,
    /// Render a night with known truth, then make its picture.
    Demo(demo::DemoArgs),
    /// Print what makes a shell complete commands and options.
    Completions(shell::CompletionsArgs),
    /// Write manual pages into a folder.
    Manual(shell::ManualArgs),
}

/// What every command takes.
#[derive(Args, Debug)]
struct Common {
    /// Print one JSON object on standard output, and nothing else there.
    #[arg(long, global = true)]
    json: bool,
    /// Threads to work on; all cores when not given.
    #[arg(long, global = true, value_name = "N", value_parser = threads)]
    threads: Option<usize>,
    /// Memory to stay within where the work allows, in MiB, at least 512.
    #[arg(long, global = true, value_name = "MIB", value_parser = clap::value_parser!(u64).range(512..=1_048_576))]
    memory: Option<u64>,
}

fn threads(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(n) if (1..=1024).contains(&n) => Ok(n),
        _ => Err("expected a whole number from 1 to 1024".into()),
    }
}

impl Cli {
    /// In the person's own units; the command that mends them must not stumble over them.
    fn shows(&self) -> Result<Shows, Failure> {
        if matches!(self.command, Command::Preferences(_)) {
            return Ok(Shows::default());
        }
        let preferred = kept::preferences()?;
        if let Some(unread) = kept::unread_preferences() {
            out::say(&format!("nightloom: {unread}"));
        }
        Ok(Shows {
            feet: preferred.feet,
            fahrenheit: preferred.fahrenheit,
            ..Shows::default()
        })
    }

    /// Does what is asked for.
    pub(crate) fn run(&self) -> Result<Value, Failure> {
        if let Some(threads) = self.common.threads {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
            pool.build_global().map_err(|e| {
                Failure::said(format!(
                    "{threads} threads cannot be started ({e}); ask for fewer with --threads"
                ))
            })?;
        }
        let context = Context {
            door: Arc::new(Door::open(self.common.json, self.common.memory)?),
            json: self.common.json,
            shows: self.shows()?,
        };
        match &self.command {
            Command::New(args) => new::run(args, &context),
            Command::Site(args) => shelf::site(args, &context),
            Command::Rig(args) => shelf::rig(args, &context),
            Command::Preferences(args) => preferences::run(args, &context),
            Command::Build(args) => build::run(args, &context),
            Command::Demo(args) => demo::run(args, &context),
            Command::Skyline(args) => skyline::run(args, &context),
            Command::Sensor(args) => sensor::run(args, &context),
            Command::Serve(args) => serve::run(args, &context),
            Command::Focus(args) => focus::run(args, &context),
            Command::Where(args) => where_is::run(args, &context),
            Command::Pole(args) => pole::run(args, &context),
            Command::Axis(args) => axis::run(args, &context),
            Command::Formats => formats::run(&context),
            Command::Subjects(args) => subjects::run(args, &context),
            Command::Stars(args) => stars::run(args, &context),
            Command::Identify(args) => identify::run(args, &context),
            Command::Check(args) => check::run(args, &context),
            Command::Watch(args) => watch::run(args, &context),
            Command::Exposure(args) => exposure::run(args, &context),
            Command::Trail(args) => trail::run(args, &context),
            Command::Night(args) => night::run(args, &context),
            Command::Tonight(args) => tonight::run(args, &context),
            Command::Shots(args) => shots::run(args, &context),
            Command::Sheet(args) => sheet::run(args, &context),
            Command::Year(args) => year::run(args, &context),
            Command::Completions(args) => Ok(shell::completions(args, Self::command(), &context)),
            Command::Manual(args) => shell::manual(args, Self::command(), &context),
            Command::When(args) => when::run(args, &context),
        }
    }

    /// The answer under `--json`: of a watch one more line, else one object.
    pub(crate) fn print(&self, answer: &Value) {
        match self.command {
            _ if !self.common.json => {}
            Command::Watch(_) => out::json_line(answer),
            _ => out::json(answer),
        }
    }
}
