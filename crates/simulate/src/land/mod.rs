//! The land: a picture of the ground over azimuth and altitude, painted once for a night, and looked
//! at by every frame.

mod bare_tree;
mod brush;
mod conifer;
mod relief;
mod scene;
mod view;

pub(crate) use relief::Light;
pub(crate) use scene::paint;
pub(crate) use view::{Cover, Kernel, look};

/// The part of the ground frame that the picture holds, and how finely.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Extent {
    /// Azimuth of the left edge, degrees.
    pub(crate) left: f64,
    /// Altitude of the upper edge, degrees.
    pub(crate) top: f64,
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Texels a degree, the same both ways.
    pub(crate) per_degree: f64,
}

impl Extent {
    pub(crate) fn x(&self, azimuth: f64) -> f64 {
        (azimuth - self.left) * self.per_degree
    }
    pub(crate) fn y(&self, altitude: f64) -> f64 {
        (self.top - altitude) * self.per_degree
    }
    pub(crate) fn azimuth(&self, x: f64) -> f64 {
        self.left + x / self.per_degree
    }
    pub(crate) fn altitude(&self, y: f64) -> f64 {
        self.top - y / self.per_degree
    }
}

/// Brightest value that the picture can hold, in units of a sky of 22 mag/arcsec².
pub(crate) const FULL: f32 = 48.0;

/// The painted land: premultiplied R, G, B in [`FULL`]/65535 and coverage in 1/65535, at full and at
/// half size, and which blocks of it hold anything.
pub(crate) struct Painting {
    pub(crate) extent: Extent,
    pub(crate) texels: Vec<[u16; 4]>,
    pub(crate) half: Vec<[u16; 4]>,
    pub(crate) occupied: Vec<bool>,
}

/// Texels on a side of a block of `occupied`.
pub(crate) const BLOCK: usize = 32;
