//! The composition: far mountains, a wooded ridge, a meadow with a few great trees.

use rayon::prelude::*;

use super::bare_tree::{Bare, bare_tree};
use super::brush::{Band, Stroke};
use super::conifer::{Paints, Stand, conifer};
use super::relief::{BARK, Light, NEEDLES, Relief, SNOW};
use super::{BLOCK, Extent, FULL, Painting};
use nightloom_fit::Random;

const BAND_ROWS: usize = 64;

/// A layer of the scene: ground below a skyline, then strokes over it.
struct Layer {
    skyline: Vec<f32>,
    strokes: Vec<Stroke>,
    bins: Vec<Vec<u32>>,
    ground: Ground,
}

#[derive(Clone, Copy, PartialEq)]
enum Ground {
    Far,
    Wooded,
    Meadow,
}

/// Paints the land within `extent`, lit so.
pub(crate) fn paint(extent: Extent, light: &Light, seed: u64) -> Painting {
    let relief = Relief::new(seed);
    let layers = [
        layer(
            extent,
            Ground::Far,
            &|a| relief.far(a),
            far_woods(extent, light, &relief, seed),
        ),
        layer(
            extent,
            Ground::Wooded,
            &|a| relief.mid(a),
            woods(extent, light, &relief, seed),
        ),
        layer(
            extent,
            Ground::Meadow,
            &|a| relief.meadow(a),
            meadow_trees(extent, light, &relief, seed),
        ),
    ];
    let mut texels = vec![[0u16; 4]; extent.width * extent.height];
    texels
        .par_chunks_mut(BAND_ROWS * extent.width)
        .enumerate()
        .for_each(|(number, rows)| {
            let mut scratch = vec![[0f32; 4]; rows.len()];
            let mut band = Band {
                texels: &mut scratch,
                width: extent.width,
                top: number * BAND_ROWS,
            };
            for layer in &layers {
                fill(&mut band, layer, extent, &relief, light);
                for &stroke in &layer.bins[number] {
                    band.stroke(&layer.strokes[stroke as usize]);
                }
            }
            for (texel, value) in rows.iter_mut().zip(&scratch) {
                let code = |v: f32, full: f32| (v / full * 65535.0).round().clamp(0.0, 65535.0) as u16;
                *texel = [
                    code(value[0], FULL),
                    code(value[1], FULL),
                    code(value[2], FULL),
                    code(value[3], 1.0),
                ];
            }
        });
    let half = halved(&texels, extent);
    let occupied = occupied(&texels, extent);
    Painting {
        extent,
        texels,
        half,
        occupied,
    }
}

fn layer(extent: Extent, ground: Ground, skyline: &dyn Fn(f64) -> f64, strokes: Vec<Stroke>) -> Layer {
    let skyline = (0..extent.width)
        .map(|x| extent.y(skyline(extent.azimuth(x as f64))) as f32)
        .collect();
    let bands = extent.height.div_ceil(BAND_ROWS);
    let mut bins = vec![Vec::new(); bands];
    for (i, stroke) in strokes.iter().enumerate() {
        let (low, high) = stroke.rows();
        if high < 0.0 || low >= extent.height as f32 {
            continue;
        }
        let first = low.max(0.0) as usize / BAND_ROWS;
        let last = (high.max(0.0) as usize / BAND_ROWS).min(bands - 1);
        for bin in &mut bins[first..=last] {
            bin.push(i as u32);
        }
    }
    Layer {
        skyline,
        strokes,
        bins,
        ground,
    }
}

fn fill(band: &mut Band, layer: &Layer, extent: Extent, relief: &Relief, light: &Light) {
    for row in 0..band.rows() {
        let y = (band.top + row) as f32;
        let altitude = extent.altitude(f64::from(y));
        for x in 0..band.width {
            let cover = (y - layer.skyline[x] + 0.5).clamp(0.0, 1.0);
            if cover <= 0.0 || hidden(layer, relief, extent, x, altitude) {
                continue;
            }
            let azimuth = extent.azimuth(x as f64);
            let edge = extent.altitude(f64::from(layer.skyline[x]));
            let colour = match layer.ground {
                Ground::Far => relief.far_colour(light, azimuth, altitude),
                Ground::Wooded => relief.mid_colour(light, azimuth, altitude),
                Ground::Meadow => relief.meadow_colour(light, azimuth, altitude, edge),
            };
            Band::over(&mut band.texels[row * band.width + x], colour, cover);
        }
    }
}

/// Whether a nearer layer's ground covers this place for certain, so that its colour need not be found.
fn hidden(layer: &Layer, relief: &Relief, extent: Extent, x: usize, altitude: f64) -> bool {
    let azimuth = extent.azimuth(x as f64);
    match layer.ground {
        Ground::Far => altitude < 0.0 && altitude < relief.mid(azimuth) - 0.3,
        Ground::Wooded => altitude < -1.5 && altitude < relief.meadow(azimuth) - 0.3,
        Ground::Meadow => false,
    }
}

/// Woods on the foot of the far mountains, as short strokes.
fn far_woods(extent: Extent, light: &Light, relief: &Relief, seed: u64) -> Vec<Stroke> {
    let mut random = Random::stream(seed, 0x1a4d, 1);
    let mut strokes = Vec::new();
    for row in 0..26 {
        let below = 0.16 * f64::from(row);
        let mut azimuth = extent.azimuth(0.0);
        while azimuth < extent.azimuth(extent.width as f64) {
            azimuth += random.between(0.05, 0.13);
            let tree_line = 4.6 + 0.5 * relief.far(azimuth * 1.7 + 100.0).sin();
            let altitude = relief.far(azimuth).min(tree_line) - below - 0.5 * random.uniform();
            if altitude > relief.far(azimuth) - 0.25 || random.chance(0.25) {
                continue;
            }
            let height = random.between(0.10, 0.22);
            let lit = light.on(NEEDLES, random.between(0.15, 0.75), 0.8);
            let veil = 0.22;
            let colour =
                std::array::from_fn(|i| lit[i] * (1.0 - veil) + veil * light.ambient[i] as f32 * 0.9);
            let (x, y) = (extent.x(azimuth), extent.y(altitude));
            strokes.push(Stroke {
                from: [x as f32, y as f32],
                to: [x as f32, (y - height * extent.per_degree) as f32],
                half: [(0.030 * extent.per_degree) as f32, 0.3],
                colour,
                opacity: 1.0,
            });
        }
    }
    strokes
}

fn paints(light: &Light, warm: f64, snowed: f64) -> Paints {
    let needles = NEEDLES.map(|c| c * warm);
    Paints {
        bark: light.on(BARK, 0.25, 0.4),
        needles: [light.on(needles, 0.02, 0.35), light.on(needles, 0.95, 0.9)],
        snow: light.on(SNOW, 0.30, 0.8),
        snowed,
    }
}

/// The wooded ridge: rows of spruces, far ones first.
fn woods(extent: Extent, light: &Light, relief: &Relief, seed: u64) -> Vec<Stroke> {
    let mut random = Random::stream(seed, 0x1a4d, 2);
    let mut strokes = Vec::new();
    for row in 0..34 {
        let depth = f64::from(row);
        let mut azimuth = extent.azimuth(0.0) - 1.0;
        while azimuth < extent.azimuth(extent.width as f64) + 1.0 {
            azimuth += random.between(0.07, 0.30) * (1.0 + 0.05 * depth);
            let clearing = relief.meadow(azimuth * 1.3 + depth * 3.0 + 50.0) + 0.9;
            let keep = if row == 0 { 0.85 } else { 0.95 - 0.75 * clearing };
            let foot = relief.mid(azimuth) - 0.02 - 0.26 * depth - 0.30 * random.uniform();
            let size = random.between(0.40, 1.0).powf(0.8) * (0.86 + 0.045 * depth);
            let warm = random.between(0.62, 1.3);
            if !random.chance(keep) || foot < relief.meadow(azimuth) - 0.5 {
                continue;
            }
            let stand = Stand {
                foot: [extent.x(azimuth), extent.y(foot)],
                height: size * 1.15 * extent.per_degree,
                girth: random.between(0.17, 0.26),
                lean: 0.012 * random.normal(),
            };
            conifer(stand, &paints(light, warm, 0.10), &mut random, &mut strokes);
        }
    }
    strokes
}

/// Foot (azimuth, altitude) and height of the great spruces, degrees.
const SPRUCES: [[f64; 3]; 13] = [
    [331.5, -1.6, 12.6],
    [325.6, -2.1, 15.9],
    [322.4, -1.6, 11.2],
    [328.6, -2.6, 13.4],
    [319.6, -1.7, 6.6],
    [316.9, -1.4, 3.9],
    [308.2, -1.3, 3.1],
    [306.8, -1.5, 4.2],
    [282.6, -1.2, 2.7],
    [271.0, -1.4, 3.4],
    [246.5, -2.0, 10.5],
    [249.8, -1.8, 7.8],
    [338.0, -2.0, 11.0],
];
/// The same for the bare trees, and their lean.
const BARE: [[f64; 4]; 5] = [
    [263.2, -2.4, 15.8, 0.05],
    [256.6, -2.0, 11.4, -0.06],
    [268.6, -1.7, 5.2, 0.10],
    [313.4, -1.8, 6.4, -0.08],
    [297.6, -1.5, 3.3, 0.04],
];

fn meadow_trees(extent: Extent, light: &Light, relief: &Relief, seed: u64) -> Vec<Stroke> {
    let mut random = Random::stream(seed, 0x1a4d, 3);
    let mut strokes = Vec::new();
    let shadow = |azimuth: f64, foot: f64, height: f64, strokes: &mut Vec<Stroke>| {
        // The low moon throws long shadows up the meadow, away from itself.
        let (x, y) = (extent.x(azimuth), extent.y(foot));
        let far = extent.y((relief.meadow(azimuth - 0.9 * height) - 0.1).max(foot));
        let half = [
            0.075 * height * extent.per_degree,
            0.02 * height * extent.per_degree,
        ]
        .map(|v| v as f32);
        let to = [(x - 0.85 * height * extent.per_degree) as f32, far as f32];
        strokes.push(Stroke {
            from: [x as f32, y as f32],
            to,
            half,
            colour: [0.0; 3],
            opacity: 0.42,
        });
    };
    for [azimuth, foot, height] in SPRUCES {
        shadow(azimuth, foot, height, &mut strokes);
    }
    for [azimuth, foot, height, _] in BARE {
        shadow(azimuth, foot, 0.4 * height, &mut strokes);
    }
    for [azimuth, foot, height, lean] in BARE {
        let tree = Bare {
            foot: [extent.x(azimuth), extent.y(foot)],
            height: height * extent.per_degree,
            finest: (0.0068 * extent.per_degree).max(0.3),
            lean,
            bark: [light.on(BARK, 0.05, 0.5), light.on(BARK, 0.95, 0.9)],
        };
        bare_tree(&tree, &mut random, &mut strokes);
    }
    for [azimuth, foot, height] in SPRUCES {
        let stand = Stand {
            foot: [extent.x(azimuth), extent.y(foot)],
            height: height * extent.per_degree,
            girth: random.between(0.165, 0.205),
            lean: 0.01 * random.normal(),
        };
        conifer(stand, &paints(light, 1.0, 0.10), &mut random, &mut strokes);
    }
    grass(extent, light, relief, &mut random, &mut strokes);
    strokes
}

/// Dry stalks along the meadow's near part.
fn grass(extent: Extent, light: &Light, relief: &Relief, random: &mut Random, strokes: &mut Vec<Stroke>) {
    let span = extent.width as f64 / extent.per_degree;
    for _ in 0..(span * 130.0) as usize {
        let azimuth = extent.azimuth(random.uniform() * extent.width as f64);
        let down = random.uniform().powf(0.8) * 11.0;
        let altitude = relief.meadow(azimuth) - 0.1 - down;
        let height = (0.10 + 0.055 * down) * random.between(0.5, 1.3) * extent.per_degree;
        let lean = 0.5 * random.normal();
        let colour = light.on([0.21, 0.176, 0.108], random.between(0.1, 0.7), 0.8);
        let (x, y) = (extent.x(azimuth), extent.y(altitude));
        strokes.push(Stroke {
            from: [x as f32, y as f32],
            to: [(x + lean * height) as f32, (y - height) as f32],
            half: [(0.006 * extent.per_degree) as f32, 0.25],
            colour,
            opacity: 0.85,
        });
    }
}

fn halved(texels: &[[u16; 4]], extent: Extent) -> Vec<[u16; 4]> {
    let (width, height) = (extent.width / 2, extent.height / 2);
    let mut half = vec![[0u16; 4]; width * height];
    half.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        for (x, texel) in row.iter_mut().enumerate() {
            let at = |dx: usize, dy: usize| texels[(2 * y + dy) * extent.width + 2 * x + dx];
            let four = [at(0, 0), at(1, 0), at(0, 1), at(1, 1)];
            *texel =
                std::array::from_fn(|i| ((four.iter().map(|t| u32::from(t[i])).sum::<u32>() + 2) / 4) as u16);
        }
    });
    half
}

fn occupied(texels: &[[u16; 4]], extent: Extent) -> Vec<bool> {
    let (across, down) = (extent.width.div_ceil(BLOCK), extent.height.div_ceil(BLOCK));
    let mut blocks = vec![false; across * down];
    for (i, texel) in texels.iter().enumerate() {
        if texel[3] > 0 {
            blocks[i / extent.width / BLOCK * across + i % extent.width / BLOCK] = true;
        }
    }
    blocks
}
