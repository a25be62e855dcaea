//! `nightloom serve`: the pages, which ask this program what they show.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use clap::{ArgMatches, Args};
use nightloom_outing::World;
use nightloom_outing::pole::PolePlan;
use nightloom_outing::sheet::Planned;
use nightloom_pages::{Chart, Drawing, Program, Question, Refused, ServeOptions, serve};
use nightloom_raster::{DecodeError, DecodeOptions, Frame};
use nightloom_sky::night::Year;
use serde_json::{Value, json};

use crate::axis::{self, AxisArgs};
use crate::context::Context;
use crate::exposure::ExposureArgs;
use crate::failure::Failure;
use crate::night::NightArgs;
use crate::pole::PoleArgs;
use crate::shots::{self, ShotsArgs};
use crate::trail::TrailArgs;
use crate::year::YearArgs;
use crate::{build, out};

/// `nightloom serve`.
#[derive(Args, Debug)]
pub(crate) struct ServeArgs {
    /// The outing's folder; this one when not given.
    #[arg(default_value = ".")]
    folder: PathBuf,
    /// Port on this machine; 8417, or a free one if that is taken, when not given.
    #[arg(long, value_name = "N")]
    port: Option<u16>,
    /// Show the pages to a phone on the same local network too, at this machine's address there or the one given:
    /// a code to scan opens them once. What is sent is not encrypted: who is on that network can read it.
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1, require_equals = true)]
    share: Option<Option<IpAddr>>,
    /// Do not open a browser; the address is printed.
    #[arg(long)]
    no_browser: bool,
}

pub(crate) fn run(args: &ServeArgs, context: &Context) -> Result<Value, Failure> {
    let options = ServeOptions {
        folder: args.folder.clone(),
        port: args.port,
        share: args.share,
        browser: !args.no_browser,
        colours: !context.json && std::io::IsTerminal::is_terminal(&std::io::stdout()),
    };
    // What a page asks is told to the page alone.
    let asked = Context {
        json: true,
        ..context.clone()
    };
    let address = serve(&options, Arc::new(asked), &|line| out::styled(line, context.json))?;
    Ok(json!({ "address": address }))
}

impl From<Failure> for Refused {
    fn from(failure: Failure) -> Self {
        Self(failure.sentence)
    }
}

/// A page's words as the command line reads them.
fn read<A: Args>(question: &Question) -> Result<A, Refused> {
    // The first sentence of what clap says, without its hints for a terminal.
    let said = |e: clap::Error| {
        let text = e.render().to_string();
        let first = text.lines().next().unwrap_or_default();
        Refused(first.trim_start_matches("error: ").to_owned())
    };
    let words = std::iter::once("nightloom").chain(question.words.iter().map(String::as_str));
    let command = A::augment_args(clap::Command::new("nightloom"));
    let matches: ArgMatches = command.try_get_matches_from(words).map_err(said)?;
    A::from_arg_matches(&matches).map_err(said)
}

impl Context {
    fn shown(&self, question: &Question) -> Self {
        Self {
            shows: question.shows,
            ..self.clone()
        }
    }
}

impl Program for Context {
    fn world(&self) -> &dyn World {
        &*self.door
    }

    fn decode_unless(
        &self,
        path: &Path,
        options: &DecodeOptions,
        stop: &AtomicBool,
    ) -> Result<Frame, DecodeError> {
        self.door.decode_unless(path, options, stop)
    }

    fn draw(&self, drawing: Drawing, question: &Question) -> Result<Chart, Refused> {
        let (context, look) = (self.shown(question), question.look);
        let plain = |svg| Chart {
            svg,
            ..Chart::default()
        };
        Ok(match drawing {
            Drawing::Strip => plain(read::<NightArgs>(question)?.strip_svg(look, &context)?),
            Drawing::View(window) => {
                let (svg, geometry) = read::<NightArgs>(question)?.view_svg(window, look, &context)?;
                let geometry = out::value(&geometry);
                Chart { svg, geometry }
            }
            Drawing::Exposure => plain(read::<ExposureArgs>(question)?.svg(look)?),
            Drawing::Trails => plain(read::<TrailArgs>(question)?.svg(look, &context)?),
            Drawing::Sight => plain(read::<PoleArgs>(question)?.svg(&context, look)?),
        })
    }

    fn year(&self, question: &Question) -> Result<(String, Vec<Year>), Refused> {
        Ok(read::<YearArgs>(question)?.worked(&self.shown(question))?)
    }

    fn shots(&self, question: &Question) -> Result<Planned, Refused> {
        Ok(shots::plan(&read::<ShotsArgs>(question)?, &self.shown(question))?)
    }

    fn pole(&self, question: &Question) -> Result<(PolePlan, &'static str), Refused> {
        Ok(read::<PoleArgs>(question)?.plan(&self.shown(question))?)
    }

    fn axis(&self, question: &Question) -> Result<(Value, Option<String>), Refused> {
        match axis::run(&read::<AxisArgs>(question)?, &self.shown(question)) {
            Ok(json) => Ok((json, None)),
            Err(failure) if failure.status == 1 => Ok((failure.json, Some(failure.sentence))),
            Err(failure) => Err(failure.into()),
        }
    }

    fn build(&self, folder: &Path, world: &dyn World) -> Result<(), Refused> {
        build::made(folder, world)?;
        Ok(())
    }
}
