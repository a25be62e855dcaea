//! A star being measured, and what it is measured in.

use nightloom_fit::median_of;
use nightloom_raster::Plane;

use crate::fit::{FitNoise, Model};
use crate::shape::{LocalSky, Moments};
use crate::{Background, DetectSettings};

/// Signal over noise from which a star tells of the others' shape.
const SURE_SNR: f32 = 20.0;

/// Signal over noise from which a star's shape is fitted with its centre.
const FREE_SNR: f32 = 12.0;

/// What every star is measured in.
pub(crate) struct Scene<'a> {
    pub(crate) image: &'a Plane,
    pub(crate) background: &'a Background,
    pub(crate) settings: &'a DetectSettings,
    /// Standard deviation of the stars' profile, pixels.
    pub(crate) sigma: f64,
}

/// A star being measured.
#[derive(Clone, Copy)]
pub(crate) struct Spot {
    pub(crate) snr: f32,
    /// The filter's height of the peak; 0 where it is not this star's alone.
    pub(crate) value: f32,
    /// Radius of the burnt-out core, pixels; 0 where there is none.
    pub(crate) core: f64,
    pub(crate) sky: LocalSky,
    pub(crate) noise: FitNoise,
    pub(crate) model: Model,
    /// Whether the model is a fit's, not a window's.
    pub(crate) fitted: bool,
    /// Whether it has the others' shape because a neighbour is close.
    pub(crate) close: bool,
    /// Whether the last fit changed it, so that its neighbours have to be fitted again.
    pub(crate) moved: bool,
}

impl Spot {
    /// Whether its shape is one to judge others by.
    pub(crate) fn is_sure(&self) -> bool {
        self.fitted && !self.close && self.core == 0.0 && self.snr > SURE_SNR
    }

    pub(crate) fn is_free(&self) -> bool {
        self.core > 0.0 || self.snr >= FREE_SNR
    }
}

/// The median shape of sure stars; round where there are too few.
pub(crate) fn typical_shape<'a>(spots: impl IntoIterator<Item = &'a Spot>, sigma: f64) -> Moments {
    let sure: Vec<Moments> = spots
        .into_iter()
        .filter(|s| s.is_sure())
        .map(|s| s.model.shape)
        .collect();
    if sure.len() < 5 {
        return Moments::round(sigma);
    }
    let of = |value: fn(&Moments) -> f64| {
        f64::from(median_of(sure.iter().map(|m| value(m) as f32)).unwrap_or(0.0))
    };
    let shape = Moments {
        xx: of(|m| m.xx),
        xy: of(|m| m.xy),
        yy: of(|m| m.yy),
    };
    if shape.determinant() > 0.0 {
        shape
    } else {
        Moments::round(sigma)
    }
}
