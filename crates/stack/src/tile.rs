//! All frames of a stack on one tile of the canvas.

use crate::error::CombineError;
use crate::input::Input;
use crate::level::FrameLevel;
use crate::mapping::MappingGrid;
use crate::resample::supported;
use crate::source::Block;
use crate::warp::Coordinates;

/// One frame on one tile, warped and normalised.
pub(crate) struct Layer {
    /// Which input it is.
    pub(crate) input: usize,
    /// Red, green, blue; 0 where `weight` is 0.
    pub(crate) values: [Vec<f32>; 3],
    /// The mask, 0 to 1; 0 is not covered.
    pub(crate) share: Vec<f32>,
    /// The mask times the fade towards the frame's border, 0 only where not covered.
    pub(crate) weight: Vec<f32>,
    /// Where the frame is saturated; empty where it is nowhere.
    clipped: Vec<bool>,
}

/// Frames that can tell less than this part of what the best of a pixel can tell say nothing where they are
/// saturated. Frames of one setting, and of settings a mark apart, are all alike in this.
const AS_MUCH: f32 = 0.9;

/// Whether some input can tell clearly more light than another.
fn clipping_counts(inputs: &[Input]) -> bool {
    let most = || {
        inputs
            .iter()
            .filter(|i| i.is_used())
            .filter_map(|i| Some(i.clipped?.1))
    };
    let (low, high) = (most().fold(f32::INFINITY, f32::min), most().fold(0.0, f32::max));
    low < AS_MUCH * high
}

/// Takes saturated values out wherever a frame that can tell more light reaches.
pub(crate) fn drop_clipped(layers: &mut [Layer], inputs: &[Input]) {
    if layers.iter().all(|l| l.clipped.is_empty()) {
        return;
    }
    let most = |l: &Layer| inputs[l.input].clipped.map_or(f32::INFINITY, |c| c.1);
    let size = layers[0].weight.len();
    let mut best = vec![0.0f32; size];
    for layer in layers.iter() {
        let most = most(layer);
        for (b, w) in best.iter_mut().zip(&layer.weight) {
            if *w > 0.0 {
                *b = b.max(most);
            }
        }
    }
    for layer in layers.iter_mut().filter(|l| !l.clipped.is_empty()) {
        let most = most(layer);
        for (p, best) in best.iter().enumerate() {
            if layer.clipped[p] && most < AS_MUCH * best {
                (layer.weight[p], layer.share[p]) = (0.0, 0.0);
            }
        }
    }
}

/// Which pixels of a tile are saturated in the frame.
fn clipped_in(input: &Input, grid: Option<&MappingGrid<'_>>, tile: Block) -> Vec<bool> {
    let Some((clipped, _)) = input.clipped.filter(|(c, _)| !c.is_empty()) else {
        return Vec::new();
    };
    let found: Vec<bool> = match grid {
        Some(grid) => Coordinates::new(grid, tile)
            .points()
            .map(|(x, y)| x >= 0.0 && y >= 0.0 && clipped.contains((x + 0.5) as usize, (y + 0.5) as usize))
            .collect(),
        None => (tile.y0..tile.y0 + tile.height)
            .flat_map(|y| (tile.x0..tile.x0 + tile.width).map(move |x| (x, y)))
            .map(|(x, y)| clipped.contains(x, y))
            .collect(),
    };
    if found.contains(&true) { found } else { Vec::new() }
}

/// What is known of a frame before its pixels are read.
pub(crate) struct Prepared<'a> {
    /// Its mapping, sampled; `None` lays it down unmoved.
    pub(crate) grid: Option<MappingGrid<'a>>,
    /// What is taken from its background.
    pub(crate) level: Option<FrameLevel>,
}

/// The frames that reach a tile at all.
pub(crate) fn load(
    inputs: &[Input],
    prepared: &[Prepared],
    tile: Block,
    feather_px: f32,
) -> Result<Vec<Layer>, CombineError> {
    let mut layers = Vec::with_capacity(inputs.len());
    let heed = clipping_counts(inputs);
    for (index, (input, prepared)) in inputs
        .iter()
        .zip(prepared)
        .enumerate()
        .filter(|(_, (i, _))| i.is_used())
    {
        let Some(mut layer) = layer(index, input, prepared, tile, feather_px)? else {
            continue;
        };
        if heed {
            layer.clipped = clipped_in(input, prepared.grid.as_ref(), tile);
        }
        layers.push(layer);
    }
    Ok(layers)
}

/// A frame whose mask lets less than this through does not cover a pixel.
const LEAST_SHARE: f32 = 0.05;

fn layer(
    index: usize,
    input: &Input,
    prepared: &Prepared,
    tile: Block,
    feather_px: f32,
) -> Result<Option<Layer>, CombineError> {
    let size = tile.width * tile.height;
    let mut share = vec![1.0; size];
    if let Some(mask) = input.mask {
        let columns = mask.places(tile.x0, tile.width);
        for (y, line) in (tile.y0..).zip(share.chunks_exact_mut(tile.width)) {
            mask.row(y, &columns, line);
        }
    }
    let coordinates = prepared.grid.as_ref().map(|g| Coordinates::new(g, tile));
    share
        .iter_mut()
        .filter(|s| **s < LEAST_SHARE)
        .for_each(|s| *s = 0.0);
    let mut weight = share.clone();
    if let Some(c) = &coordinates {
        fade(&mut weight, c, input.source.size(), feather_px);
    }
    if weight.iter().all(|w| *w <= 0.0) {
        return Ok(None);
    }
    let mut values: [Vec<f32>; 3] = std::array::from_fn(|_| vec![f32::NAN; size]);
    let read = match &coordinates {
        Some(c) => {
            let [r, g, b] = &mut values;
            c.resample(input.source, [0, 1, 2], [r, g, b])
        }
        None => (0..3).try_for_each(|p| input.source.read_block(p, tile, &mut values[p])),
    };
    read.map_err(|source| CombineError::Read { index, source })?;
    let open = input.veiled.then_some(share.as_slice());
    normalise(
        input,
        prepared.level.as_ref(),
        (tile, open),
        &mut values,
        &mut weight,
    );
    let covered = share.iter_mut().zip(&weight);
    covered.for_each(|(s, w)| *s = f32::from(u8::from(*w > 0.0 && *s >= LEAST_SHARE)));
    Ok(Some(Layer {
        input: index,
        clipped: Vec::new(),
        values,
        share,
        weight,
    }))
}

/// Lowers the weight linearly over the last `feather_px` pixels of the source, to that of half a
/// pixel at its very border: where nothing else reaches, what is there still counts.
fn fade(weight: &mut [f32], coordinates: &Coordinates, (w, h): (usize, usize), feather_px: f32) {
    let slope = 1.0 / feather_px.max(1e-3);
    for (weight, (x, y)) in weight.iter_mut().zip(coordinates.points()) {
        // Points outside the mapping's domain are not a number and not supported either.
        *weight *= if supported((x, y), w, h) {
            let inside = (x + 1.0).min(w as f32 - x).min(y + 1.0).min(h as f32 - y);
            (inside * slope).min(1.0)
        } else {
            0.0
        };
    }
}

/// Brings values to the set's level; what is not covered or not finite gets weight and value 0.
fn normalise(
    input: &Input,
    level: Option<&FrameLevel>,
    (tile, open): (Block, Option<&[f32]>),
    values: &mut [Vec<f32>; 3],
    weight: &mut [f32],
) {
    let mut added = vec![0.0; tile.width];
    let of_surface = input.surface.as_ref().map(|s| (s, s.places(tile.x0, tile.width)));
    let of_level = level.map(|l| (l, l.columns(tile.x0, tile.width)));
    for (c, plane) in values.iter_mut().enumerate() {
        let (gain, offset) = (input.gain[c], input.offset[c]);
        let lines = plane.chunks_exact_mut(tile.width);
        for ((y, line), weight) in (tile.y0..).zip(lines).zip(weight.chunks_exact_mut(tile.width)) {
            added.fill(offset);
            if let Some((surface, columns)) = &of_surface {
                surface.add(c, y, columns, &mut added);
            }
            if let Some(open) = open {
                let open = &open[(y - tile.y0) * tile.width..][..tile.width];
                added.iter_mut().zip(open).for_each(|(a, o)| *a *= o);
            }
            line.iter_mut().zip(&added).for_each(|(v, a)| *v = *v * gain + a);
            if let Some((level, columns)) = &of_level {
                level.take_off(c, y, columns, line);
            }
            for (v, w) in line.iter().zip(weight) {
                *w = if v.is_finite() { *w } else { 0.0 };
            }
        }
    }
    for plane in values {
        for (v, w) in plane.iter_mut().zip(weight.iter()) {
            *v = if *w <= 0.0 { 0.0 } else { *v };
        }
    }
}
