//! Developing: from balanced layers in linear light to the picture, by the settings of `[picture]`.
//!
//! A build and the live page go the same way: [`Told`] is what the layers tell once, [`Development`] what settings make of
//! it, applied row by row at any size.

mod development;
mod export;
mod facts;
mod keep;
mod layers;
mod live;
mod quiet;
mod raise;
mod recipe;
mod screen;
mod sharpen;
mod white;

use nightloom_raster::Rgb;
use nightloom_stack::Run;
use rayon::prelude::*;

pub(crate) use development::{Development, LayerRow};
pub use export::{Export, ExportError, ExportKind};
pub(crate) use facts::Told;
pub(crate) use keep::{Keep, Kept, STEP, TakenBox};
pub use live::{Developed, DevelopedLayer, DevelopedPart, LiveDevelopment, LiveDevelopmentError};
pub(crate) use quiet::{ALL, COLOURS};
pub use recipe::{LIVE_OPTIONS, recipe, recipe_settings};
pub use screen::{HISTOGRAM_BINS, Shows, Tally};

/// Develops a whole layer in place; `quiet` is the same layer with all its noise taken.
fn in_place(layer: &mut Rgb, quiet: &Rgb, row: impl Fn(usize, LayerRow<'_>, &mut [Vec<f32>; 3]) + Sync) {
    let width = layer.width().max(1);
    let [r, g, b] = layer.planes_mut();
    let rows = r
        .data_mut()
        .par_chunks_mut(width)
        .zip(g.data_mut().par_chunks_mut(width))
        .zip(b.data_mut().par_chunks_mut(width));
    rows.enumerate()
        .for_each_init(<[Vec<f32>; 3]>::default, |out, (y, ((r, g), b))| {
            let of = LayerRow {
                layer: [r, g, b],
                quiet: quiet.planes().each_ref().map(|p| p.row(y)),
            };
            row(y, of, out);
            for (to, from) in [r, g, b].into_iter().zip(out.iter()) {
                to.copy_from_slice(from);
            }
        });
}

/// The whole sky, in place.
pub(crate) fn sky(how: &Development, layer: &mut Rgb, quiet: &Rgb) {
    in_place(layer, quiet, |y, of, out| {
        how.sky(Run::at_level(0, 0, y), of, out)
    });
}

/// The whole land, in place.
pub(crate) fn land(how: &Development, layer: &mut Rgb, quiet: &Rgb) {
    in_place(layer, quiet, |_, of, out| how.land(of, out));
}
