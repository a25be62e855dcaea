//! What is told of a frame or a camera: the options that commands share.

use std::path::PathBuf;

use clap::Args;
use nightloom_optics::SensorFormat;
use nightloom_outing::LensTold;

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
    #[arg(long, value_name = "MM", requires = "pitch")]
    focal: Option<f64>,
    /// Distance between the picture's pixels, micrometres.
    #[arg(long, value_name = "UM", requires = "focal")]
    pitch: Option<f64>,
}

impl FocalTold {
    pub(crate) fn lens(&self) -> LensTold {
        match (self.focal, self.pitch) {
            (Some(focal_mm), Some(pitch_um)) => LensTold::Focal { focal_mm, pitch_um },
            _ => LensTold::Nothing,
        }
    }
}

/// No such sensor.
#[derive(Debug, thiserror::Error)]
#[error(
    "--sensor: {found} is no sensor; give width and height in millimetres, like 36x24, or one of {names}"
)]
pub(crate) struct NoSensor {
    found: String,
    names: String,
}

/// Width and height of a sensor, millimetres, from figures or the name of its format.
pub(crate) fn sensor(text: &str) -> Result<[f64; 2], NoSensor> {
    if let Some(format) = SensorFormat::named(text) {
        return Ok([format.width_mm, format.height_mm]);
    }
    let size = text.split_once(['x', 'X', '×']).and_then(|(width, height)| {
        let width = width.trim().parse().ok()?;
        Some([width, height.trim().parse().ok()?])
    });
    size.ok_or_else(|| NoSensor {
        found: text.into(),
        names: nightloom_optics::SENSOR_FORMATS.map(|f| f.name).join(", "),
    })
}
