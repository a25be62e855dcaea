//! What is told of a frame beside its file: the options that looking at frames share.

use std::path::PathBuf;

use clap::Args;
use nightloom_outing::LensTold;
use nightloom_sky::{Site, SiteError};

/// Where the camera stood.
#[derive(Args, Clone, Debug)]
pub(crate) struct SiteTold {
    /// Latitude of the place in degrees, north positive; the outing's or the file's when not given.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lon")]
    lat: Option<f64>,
    /// Longitude in degrees, east positive.
    #[arg(long, value_name = "DEG", allow_negative_numbers = true, requires = "lat")]
    lon: Option<f64>,
    /// Elevation in metres.
    #[arg(
        long,
        value_name = "M",
        default_value_t = 0.0,
        allow_negative_numbers = true,
        requires = "lat"
    )]
    elevation: f64,
}

impl SiteTold {
    pub(crate) fn site(&self) -> Result<Option<Site>, SiteError> {
        match (self.lat, self.lon) {
            (Some(lat), Some(lon)) => Site::new(lat, lon, self.elevation).map(Some),
            _ => Ok(None),
        }
    }
}

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
