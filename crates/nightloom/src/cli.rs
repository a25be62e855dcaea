//! What can be asked for.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

use crate::pole::PoleArgs;
use crate::where_is::WhereArgs;

/// From a night's raw frames to one natural, layered picture.
///
/// Exit status: 0 done; 1 done, but the answer is "no"; 2 could not.
#[derive(Parser, Debug)]
#[command(name = "nightloom", version)]
pub(crate) struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// The commands.
#[derive(Subcommand, Debug)]
pub(crate) enum Command {
    /// Read the frames' data and write a commented outing.toml beside them.
    New(NewArgs),
    /// Make the picture of an outing. Does again only what changed.
    Build(BuildArgs),
    /// Render a night with known truth, then make its picture.
    Demo(DemoArgs),
    /// The land's edge round a place, from elevation tiles or from a measured CSV.
    Skyline(crate::skyline::SkylineArgs),
    /// Measure a camera's gain, read noise, full well, dark current and hot pixels from its own frames.
    Sensor(crate::sensor::SensorArgs),
    /// Show the outing as pages in a browser, from this machine to this machine.
    Serve(crate::serve::ServeArgs),
    /// Where to focus so that the land is as sharp as the stars, in brackets if need be.
    Focus(crate::focus::FocusArgs),
    /// Tell where a body stands in the sky at one instant.
    Where(WhereArgs),
    /// Tell where the pole star stands against the pole.
    Pole(Box<PoleArgs>),
    /// Measure where the tracker's axis points, from its frames, and say which way to turn.
    Axis(Box<crate::axis::AxisArgs>),
    /// List what a picture can be about, or look a name up.
    Subjects(crate::subjects::SubjectsArgs),
    /// Measure the stars of one frame.
    Stars(crate::stars::StarsArgs),
    /// Find where in the sky one frame looks, from its stars alone.
    Identify(crate::identify::IdentifyArgs),
    /// Say what is wrong with frames, and what to do next.
    Check(Box<crate::check::CheckArgs>),
    /// Check frames as they land in a folder, and ring when something breaks.
    Watch(Box<crate::watch::WatchArgs>),
    /// Work out settings that give the same exposure, or how long the sky lets you expose.
    Exposure(Box<crate::exposure::ExposureArgs>),
    /// Say how far the stars trail on the sensor, and what exposure and axis error that allows.
    Trail(Box<crate::trail::TrailArgs>),
    /// Tell when a night is dark, and when subjects stand over the skyline in it.
    Night(crate::night::NightArgs),
    /// Lay every frame, check and pause of a night into its hours, and say whether they fit.
    Shots(Box<crate::shots::ShotsArgs>),
    /// Make the field sheet of a night: one page for a phone without network, and a PDF for paper.
    Sheet(Box<crate::sheet::SheetArgs>),
    /// Tell how dark each night of a year is, and how long a subject is up in the dark.
    Year(crate::year::YearArgs),
    /// Find the nights and times when a subject stands in a part of the sky, the best first.
    When(crate::when::WhenArgs),
}

impl Command {
    pub(crate) fn common(&self) -> &Common {
        match self {
            Self::New(a) => &a.common,
            Self::Build(a) => &a.common,
            Self::Demo(a) => &a.common,
            Self::Skyline(a) => &a.common,
            Self::Sensor(a) => &a.common,
            Self::Serve(a) => &a.common,
            Self::Focus(a) => &a.common,
            Self::Where(a) => &a.common,
            Self::Pole(a) => &a.common,
            Self::Axis(a) => &a.common,
            Self::Subjects(a) => &a.common,
            Self::Stars(a) => &a.common,
            Self::Identify(a) => &a.common,
            Self::Check(a) => &a.common,
            Self::Watch(a) => &a.common,
            Self::Exposure(a) => &a.common,
            Self::Trail(a) => &a.common,
            Self::Night(a) => &a.common,
            Self::Shots(a) => &a.common,
            Self::Sheet(a) => &a.shots.common,
            Self::Year(a) => &a.common,
            Self::When(a) => &a.common,
        }
    }
}

impl Command {
    /// The answer under `--json`: of a watch one more line, else one object.
    pub(crate) fn print(&self, answer: &serde_json::Value) {
        match self {
            Self::Watch(_) => crate::out::json_line(answer),
            _ => crate::out::json(answer),
        }
    }
}

/// What every command takes.
#[derive(Args, Clone, Debug)]
pub(crate) struct Common {
    /// Print one JSON object on standard output, and nothing else there.
    #[arg(long)]
    pub(crate) json: bool,
    /// Threads to work on; all cores when not given.
    #[arg(long, value_name = "N", value_parser = threads)]
    pub(crate) threads: Option<usize>,
    /// Memory to stay within where the work allows, in MiB, at least 512.
    #[arg(long, value_name = "MIB", value_parser = clap::value_parser!(u64).range(512..=1_048_576))]
    pub(crate) memory: Option<u64>,
}

fn threads(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(n) if (1..=1024).contains(&n) => Ok(n),
        _ => Err("expected a whole number from 1 to 1024".into()),
    }
}

/// `nightloom new`.
#[derive(Args, Debug)]
pub(crate) struct NewArgs {
    /// The folder with the night's frames.
    pub(crate) folder: PathBuf,
    /// Write although there is an outing.toml; the old one is kept as a copy.
    #[arg(long)]
    pub(crate) force: bool,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// `nightloom build`.
#[derive(Args, Debug)]
pub(crate) struct BuildArgs {
    /// The folder with the night's frames and, if there is one, outing.toml.
    pub(crate) folder: PathBuf,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Frame sizes of the demo.
#[derive(ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum DemoSize {
    /// 900 x 600 pixels.
    Small,
    /// 3000 x 2000 pixels.
    Default,
    /// 6000 x 4000 pixels.
    Full,
}

/// `nightloom demo`.
#[derive(Args, Debug)]
pub(crate) struct DemoArgs {
    /// Where to render the night: a new or empty folder, or that of an earlier demo.
    #[arg(default_value = "nightloom-demo")]
    pub(crate) folder: PathBuf,
    /// Size of the frames.
    #[arg(long, value_enum, default_value_t = DemoSize::Default)]
    pub(crate) size: DemoSize,
    /// Number of tracked sky frames.
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=200))]
    pub(crate) frames: u16,
    #[command(flatten)]
    pub(crate) common: Common,
}
