//! What is told of a frame or a camera: the options that commands share.

use std::path::{Path, PathBuf};

use clap::Args;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use nightloom_frames::LensTold;
use nightloom_optics::{SensorFormat, Written};
use nightloom_outing::RigSettings;
use nightloom_outing::evening::PlaceTold;
use nightloom_outing::typed::{self, TypedError};

use crate::failure::Failure;
use crate::kept::shelf;

/// What earlier frames showed of their lenses.
#[derive(Args, Clone, Debug)]
pub(crate) struct LensesTold {
    /// A file to keep in it what the stars show of each lens; a lens that is known there is identified sooner.
    #[arg(long, value_name = "FILE")]
    pub(crate) lenses: Option<PathBuf>,
}

/// With which rig.
#[derive(Args, Clone, Debug, Default)]
pub(crate) struct RigArgs {
    /// A rig by the name that it is kept under; nightloom rig lists them.
    #[arg(long, value_name = "NAME")]
    pub(crate) rig: Option<String>,
}

impl RigArgs {
    /// The rig that is named, or else the outing's.
    pub(crate) fn or(&self, of_outing: &RigSettings) -> Result<RigSettings, Failure> {
        match &self.rig {
            Some(name) => Ok(shelf()?.rig(name)?),
            None => Ok(of_outing.clone()),
        }
    }

    /// The rig that is named, or else that of the outing in a folder.
    pub(crate) fn or_of(&self, folder: Option<&Path>) -> Result<RigSettings, Failure> {
        let place = PlaceTold {
            folder: folder.map(Path::to_owned),
            ..PlaceTold::default()
        };
        self.or(&place.settings()?.rig)
    }

    /// The rig that is named; one that says nothing when none is.
    pub(crate) fn named(&self) -> Result<RigSettings, Failure> {
        self.or(&RigSettings::default())
    }
}

/// With which lens.
#[derive(Args, Clone, Debug)]
pub(crate) struct FocalTold {
    /// Focal length, millimetres, if the file does not tell it.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm, allow_hyphen_values = true, requires = "pitch")]
    pub(crate) focal: Option<f64>,
    /// Distance between the picture's pixels, micrometres.
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um, allow_hyphen_values = true, requires = "focal")]
    pub(crate) pitch: Option<f64>,
    #[command(flatten)]
    pub(crate) rig: RigArgs,
}

impl FocalTold {
    /// Focal length in millimetres and pixel pitch in micrometres, as far as they are told.
    pub(crate) fn figures(&self) -> Result<(Option<f64>, Option<f64>), Failure> {
        let rig = self.rig.named()?;
        Ok((self.focal.or(rig.focal_mm), self.pitch.or(rig.pixel_um)))
    }

    pub(crate) fn lens(&self) -> Result<LensTold, Failure> {
        Ok(match self.figures()? {
            (Some(focal_mm), Some(pitch_um)) => LensTold::Focal { focal_mm, pitch_um },
            _ => LensTold::Nothing,
        })
    }
}

/// Width and height of a sensor, millimetres, from figures or the name of its format.
pub(crate) fn sensor(text: &str) -> Result<[f64; 2], Failure> {
    let text = text.trim();
    if let Some(format) = SensorFormat::named(text) {
        return Ok([format.width_mm, format.height_mm]);
    }
    let size = text.split_once(['x', 'X', '×']).and_then(|(width, height)| {
        let width = width.trim().parse().ok()?;
        Some([width, height.trim().parse().ok()?])
    });
    size.ok_or_else(|| {
        let names = nightloom_optics::SENSOR_FORMATS.map(|f| f.name).join(", ");
        Failure::said(format!(
            "--sensor: {text} is no sensor; give width and height in millimetres, like 36x24, or one of {names}"
        ))
    })
}

/// One of a few words, each with its help and what it stands for.
pub(crate) fn one_of<T: Copy + Send + Sync + 'static>(
    words: &'static [(&'static str, &'static str, T)],
) -> impl TypedValueParser<Value = T> {
    let named = words
        .iter()
        .map(|(word, help, _)| PossibleValue::new(*word).help(*help));
    PossibleValuesParser::new(named).try_map(move |said| {
        let found = words.iter().find(|(word, ..)| *word == said);
        found
            .map(|(.., value)| *value)
            .ok_or("expected one of these words")
    })
}

/// A number as it is typed.
pub(crate) fn number(text: &str) -> Result<f64, TypedError> {
    typed::number(text)
}

/// What a flag must tell.
pub(crate) fn need<T>(value: Option<T>, flag: &str, example: &str) -> Result<T, Failure> {
    value.ok_or_else(|| Failure::said(format!("{flag} is missing; add it, like {flag} {example}")))
}

/// Seconds of a time alone. Nought is a pause too, though no exposure.
pub(crate) fn time_alone(flag: &'static str, text: &str) -> Result<f64, Failure> {
    if ["0", "0s", "0min", "0h"].contains(&text.trim()) {
        return Ok(0.0);
    }
    match Written::parse(flag, text)? {
        Written {
            seconds: Some(seconds),
            f_number: None,
            iso: None,
            attachments,
        } if attachments.is_empty() => Ok(seconds),
        _ => Err(Failure::said(format!(
            "{flag}: {text} is not a time alone; write it like 90s, 25min or 1/4"
        ))),
    }
}
