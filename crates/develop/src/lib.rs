//! Developing: from balanced layers in linear light to the picture, by the settings of `[picture]`.
//!
//! A build and the live page go the same way: [`Told`] is what the layers tell once, [`Development`] what settings make of
//! it, applied row by row at any size.

mod capture;
mod corners;
mod development;
mod export;
mod facts;
mod keep;
mod layers;
mod light_report;
mod live;
mod look;
mod part;
mod pyramid;
mod quiet;
mod raise;
mod recipe;
mod screen;
mod sharpen;
mod stars;
mod white;

use nightloom_outing::PictureSettings;
use nightloom_raster::{Plane, Rgb};
use nightloom_stack::{Run, StarForm, Turn, TurnedFrom};
use rayon::prelude::*;

pub use capture::Capture;
pub use development::{Development, LayerRow};
pub use export::{Export, ExportError, ExportKind};
pub use facts::Told;
pub use keep::{Keep, Kept, STEP, TakenBox};
pub use light_report::LightReport;
pub use live::{Developed, DevelopedPart, LiveDevelopment, LiveDevelopmentError};
pub use part::DevelopedLayer;
pub use pyramid::{Pyramid, Stretch, TILE_PX};
pub use quiet::{ALL, COLOURS};
pub use recipe::{LIVE_OPTIONS, recipe, recipe_settings};
pub use screen::{HISTOGRAM_BINS, Shows, Tally};
use stars::Stars;

/// Rows worked on together.
const BAND: usize = 192;
/// Bands whose stars' light is told at once.
const AT_ONCE: usize = 4;

/// Develops a whole layer in place; `quiet` is the same layer with all its noise taken, `stars` what its stars are told by if
/// they are to be shown otherwise.
fn in_place(
    layer: &mut Rgb,
    quiet: &Rgb,
    stars: Option<StarForm>,
    row: impl Fn(usize, LayerRow<'_>, &mut [Vec<f32>; 3]) + Sync,
) {
    let width = layer.width().max(1);
    let [r, g, b] = layer.planes_mut();
    let bands = r
        .data_mut()
        .chunks_mut(width * BAND)
        .zip(g.data_mut().chunks_mut(width * BAND))
        .zip(b.data_mut().chunks_mut(width * BAND));
    let mut bands: Vec<_> = bands.enumerate().collect();
    // Stars' light takes room.
    let at_once = stars.map_or(bands.len(), |_| AT_ONCE);
    while !bands.is_empty() {
        let rest = bands.split_off(at_once.min(bands.len()));
        bands.into_par_iter().for_each(|(band, ((r, g), b))| {
            let first = band * BAND;
            let last = first + r.len() / width;
            let stars = stars.map(|form| Stars::of_rows(quiet, first, last, &form));
            let rows = r
                .par_chunks_mut(width)
                .zip(g.par_chunks_mut(width))
                .zip(b.par_chunks_mut(width));
            rows.enumerate()
                .for_each_init(<[Vec<f32>; 3]>::default, |out, (k, ((r, g), b))| {
                    let y = first + k;
                    let of = LayerRow {
                        layer: [r, g, b],
                        quiet: quiet.planes().each_ref().map(|p| p.row(y)),
                        stars: stars.as_ref().map(|s| s.row(y)),
                    };
                    row(y, of, out);
                    for (to, from) in [r, g, b].into_iter().zip(out.iter()) {
                        to.copy_from_slice(from);
                    }
                });
        });
        bands = rest;
    }
}

/// The whole sky, in place.
pub fn sky(how: &Development, layer: &mut Rgb, quiet: &Rgb) {
    in_place(layer, quiet, how.stars(), |y, of, out| {
        let run = Run::at_level(0, 0, y);
        how.sky(run, of, out);
        how.corners(run, out);
    });
}

/// The whole land, in place.
pub fn land(how: &Development, layer: &mut Rgb, quiet: &Rgb) {
    in_place(layer, quiet, None, |y, of, out| {
        how.land(of, out);
        how.corners(Run::at_level(0, 0, y), out);
    });
}

/// The turn that makes a picture of this size level, if one was asked for.
pub fn turn(settings: &PictureSettings, size: [usize; 2]) -> Option<Turn> {
    (settings.level_deg != 0.0).then(|| Turn::new(size, settings.level_deg))
}

/// What of a plane is kept once it is turned.
pub fn turned(turn: &Turn, plane: &Plane) -> Plane {
    let [left, top, right, bottom] = turn.kept();
    let from = TurnedFrom {
        values: plane.data(),
        first: [0, 0],
        width: plane.width(),
    };
    let mut out = Plane::filled(right - left, bottom - top, 0.0);
    let rows = out.data_mut().par_chunks_mut(right - left).enumerate();
    rows.for_each(|(y, row)| turn.row(&from, [left, top + y], row));
    out
}

/// The same of shares, which stay between 0 and 1.
pub fn turned_shares(turn: &Turn, plane: &Plane) -> Plane {
    let mut out = turned(turn, plane);
    out.data_mut().par_iter_mut().for_each(|v| *v = v.clamp(0.0, 1.0));
    out
}

/// The same of counts, which nothing lies between: the nearest one's.
pub fn turned_counts(turn: &Turn, plane: &Plane) -> Plane {
    let [left, top, right, bottom] = turn.kept();
    let mut out = Plane::filled(right - left, bottom - top, 0.0);
    let rows = out.data_mut().par_chunks_mut(right - left).enumerate();
    rows.for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            let [u, w] = turn.nearest([left + x, top + y]);
            *v = plane.at(u, w);
        }
    });
    out
}
