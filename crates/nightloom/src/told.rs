//! What is told of a frame or a camera: the options that commands share.

use std::path::PathBuf;

use clap::Args;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use nightloom_optics::{SensorFormat, Written};
use nightloom_outing::LensTold;

use crate::failure::Failure;

/// What earlier frames showed of their lenses.
#[derive(Args, Clone, Debug)]
pub(crate) struct LensesTold {
    /// A file to keep in it what the stars show of each lens; a lens that is known there is identified sooner.
    #[arg(long, value_name = "FILE")]
    pub(crate) lenses: Option<PathBuf>,
}

/// With which lens.
#[derive(Args, Clone, Debug)]
pub(crate) struct FocalTold {
    /// Focal length, millimetres, if the file does not tell it.
    #[arg(long, value_name = "MM", allow_negative_numbers = true, requires = "pitch")]
    pub(crate) focal: Option<f64>,
    /// Distance between the picture's pixels, micrometres.
    #[arg(long, value_name = "UM", allow_negative_numbers = true, requires = "focal")]
    pub(crate) pitch: Option<f64>,
}

impl FocalTold {
    pub(crate) fn lens(&self) -> LensTold {
        match (self.focal, self.pitch) {
            (Some(focal_mm), Some(pitch_um)) => LensTold::Focal { focal_mm, pitch_um },
            _ => LensTold::Nothing,
        }
    }
}

/// Width and height of a sensor, millimetres, from figures or the name of its format.
pub(crate) fn sensor(text: &str) -> Result<[f64; 2], Failure> {
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
pub(crate) fn number(text: &str) -> Result<f64, String> {
    let found = text.trim().parse();
    found.map_err(|_| "expected a number without unit, like 24".into())
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
