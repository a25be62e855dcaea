//! What the pages ask of the program they are part of.

use std::path::Path;
use std::sync::atomic::AtomicBool;

use nightloom_chart::Look;
use nightloom_outing::World;
use nightloom_outing::evening::Shows;
use nightloom_outing::pole::PolePlan;
use nightloom_outing::sheet::Planned;
use nightloom_raster::{DecodeError, DecodeOptions, Frame};
use nightloom_sky::night::Year;
use serde_json::Value;

/// A question in the words of one of the program's commands, with how the answer is to be shown.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Question {
    /// As they would stand on the command line, behind the command.
    pub words: Vec<String>,
    /// In which units and whose time.
    pub shows: Shows,
    /// In which light.
    pub look: Look,
}

/// A chart, by the command that draws it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Drawing {
    /// The night as a strip (`night`).
    Strip,
    /// The view over the skyline, held to azimuths and altitudes in degrees if they are given (`night`).
    View(Option<[f64; 4]>),
    /// The ladder, or signal-to-noise under a sky (`exposure`).
    Exposure,
    /// Trails over the frame (`trail`).
    Trails,
    /// The pole star in the sight (`pole`).
    Sight,
}

/// A chart that was drawn.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Chart {
    /// The picture.
    pub svg: String,
    /// Where on it what stands, for a page that moves something over it; of views only.
    pub geometry: Value,
}

/// Why there is no answer, in a sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused(pub String);

/// The program behind the pages: reads what they ask as it reads its command line, and computes.
pub trait Program: Send + Sync {
    /// Clock, decoders and the wish to stop.
    fn world(&self) -> &dyn World;

    /// Decodes one file unless `stop` or the program's own end comes first.
    ///
    /// # Errors
    /// The file's trouble.
    fn decode_unless(
        &self,
        path: &Path,
        options: &DecodeOptions,
        stop: &AtomicBool,
    ) -> Result<Frame, DecodeError>;

    /// Draws a chart.
    ///
    /// # Errors
    /// As the command would say it; so below.
    fn draw(&self, drawing: Drawing, question: &Question) -> Result<Chart, Refused>;

    /// A place in words, and its nights through a year for each subject.
    ///
    /// # Errors
    /// What `year` would say.
    fn year(&self, question: &Question) -> Result<(String, Vec<Year>), Refused>;

    /// The shot list.
    ///
    /// # Errors
    /// What `shots` would say.
    fn shots(&self, question: &Question) -> Result<Planned, Refused>;

    /// How to find the pole, and the name of its star.
    ///
    /// # Errors
    /// What `pole` would say.
    fn pole(&self, question: &Question) -> Result<(PolePlan, &'static str), Refused>;

    /// The axis's report, and a sentence if there is no axis in it.
    ///
    /// # Errors
    /// What `axis` would say.
    fn axis(&self, question: &Question) -> Result<(Value, Option<String>), Refused>;

    /// Makes the picture of an outing's folder; `world` hears of the progress.
    ///
    /// # Errors
    /// What `build` would say.
    fn build(&self, folder: &Path, world: &dyn World) -> Result<(), Refused>;
}
