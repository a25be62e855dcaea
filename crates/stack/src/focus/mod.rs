//! Land frames of one tripod at different focus become one land, sharp everywhere.
//!
//! [`FocusDetail`] (one frame at a time) → [`focus_groups`] → the frames of a group averaged by the
//! caller → [`breathing`] between groups → [`fuse`].

mod breathing;
mod detail;
mod fuse;
mod groups;
mod pyramid;
mod salience;

pub use breathing::{Breathing, breathing};
pub use detail::{FocusDetail, NoiseLine};
pub use fuse::{FocusLayer, FuseSettings, fuse};
pub use groups::{FocusGroup, FocusStanding, focus_groups};

use nightloom_raster::{Plane, Rgb};

/// Share of red, green and blue in the luminance that focus is judged by: as the pixels of a mosaic
/// record them.
const LUMINANCE: [f32; 3] = [0.25, 0.5, 0.25];

/// The luminance that focus is judged by: a quarter red, half green, a quarter blue, linear.
pub fn focus_luminance(picture: &Rgb) -> Plane {
    let [r, g, b] = picture.planes();
    Plane::from_fn(picture.width(), picture.height(), |x, y| {
        LUMINANCE[0] * r.at(x, y) + LUMINANCE[1] * g.at(x, y) + LUMINANCE[2] * b.at(x, y)
    })
}
