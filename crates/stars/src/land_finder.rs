//! Recognises land in one frame: where no stars are although they should be, or where the picture
//! is rougher than noise, behind an edge.
//!
//! 1. Level and texture of each cell. 2. Regions without edges or roughness inside: those that hold
//!    the stars they should are sky, those that hold next to none are land; so is what is rough
//!    and comes in from the frame's border. 3. From these seeds both grow over the level's gradient
//!    until they meet (watershed; Meyer 1994). 4. Land whose border is no edge is sky after all: a
//!    dark nebula, haze, a dim corner.

use nightloom_raster::Plane;
use rayon::prelude::*;

use crate::cells::{distance, flood, neighbours, patches};
use crate::levels::few;
use crate::{LandFinderSettings, LandMask, Star};
use nightloom_fit::{median, median_of, quantile};

/// Variance over the least that photon noise explains, above which a cell is rough.
const ROUGH: f32 = 2.5;
/// Departure of a cell's level from its neighbours' plane, over what noise explains, above which
/// it is rough.
const UNEVEN: f32 = 10.0;
/// Roughness beside the level, below which it may be a crowd of stars.
const BUSY: f32 = 0.12;
/// Level over the frame's typical one from which rough ground may be the thick of the Milky Way.
const BRIGHTER: f32 = 1.3;
/// Its texture over its level at most; lit twigs have more.
const SOFT: f32 = 0.25;
/// Stars that it then holds at least, over those where they are sparse.
const THICK: f64 = 1.0;
/// Slope over the steeper ones met about stars, above which there is an edge.
const STEEP: f32 = 1.5;
/// Stars a region must be expected to hold before their absence says land.
const EXPECTED: f64 = 8.0;
/// Part of the expected stars up to which a region is land: false ones come everywhere.
const VOID: f64 = 0.12;
/// Part of the expected stars from which a region is sky.
const FILLED: f64 = 0.25;
/// Part of the frame that rough ground covers at least; a bright star's halo covers less.
const ROUGH_PART: f64 = 0.015;
/// Part of the frame that is sky, below which the mask is not believed.
const LEAST_SKY: f64 = 0.05;
/// Part of a patch that is rough, above which it needs no edge to be land.
const RUGGED: f64 = 0.3;
/// Cells on either side of a border that are compared.
const REACH: usize = 6;
/// How much larger the step across a border must be than steps within the sky.
const EDGE: f32 = 3.0;
/// Change of texture across a border that tells land by itself, as a ratio.
const TEXTURE: f32 = 1.5;

/// What the pixels alone say of land, before stars are known.
pub(crate) struct Ground {
    sky: LandMask,
    size: (usize, usize),
    map: CellMap,
    rough: Vec<bool>,
    gradient: Vec<f32>,
}

impl Ground {
    /// Measures the cells; `None` where land is not looked for or the frame is too small to tell.
    pub(crate) fn new(image: &Plane, settings: &LandFinderSettings) -> Option<Self> {
        let size = (image.width(), image.height());
        let sky = LandMask::all_sky(size.0, size.1, settings.cell_px);
        if !settings.look || sky.columns < 8 || sky.rows < 8 {
            return None;
        }
        let map = CellMap::new(image, &sky);
        Some(Self {
            rough: map.rough(),
            gradient: map.gradient(),
            sky,
            size,
            map,
        })
    }

    /// Where rough ground comes in from the frame's border and is not so bright that it may be the Milky Way: land
    /// whatever the stars say.
    pub(crate) fn surely(&self) -> LandMask {
        let mut seeds = vec![None; self.rough.len()];
        let rough = self.map.without_bright(&self.rough, |_| true);
        add_rough_ground(&mut seeds, &rough, self.sky.columns, self.sky.rows);
        LandMask {
            land: seeds.iter().map(|s| *s == Some(true)).collect(),
            ..self.sky.clone()
        }
    }

    /// Finds the land of the frame.
    pub(crate) fn find_land(self, stars: &[Star], settings: &LandFinderSettings) -> LandMask {
        let Self {
            sky,
            size,
            map,
            rough,
            gradient,
        } = self;
        let (columns, rows) = (sky.columns, sky.rows);
        let thick = Thick::new(stars, &rough, &sky, size);
        let rough = map.without_bright(&rough, |patch| thick.holds(patch));
        let on_smooth = smooth(stars, &rough, &sky);
        let mut seeds = if on_smooth.len() >= settings.min_stars {
            star_seeds(&on_smooth, &rough, &gradient, &sky, size)
        } else {
            // Without stars only what is rough is known to be land, and the rest is left as sky.
            rough.iter().map(|r| (!r).then_some(false)).collect()
        };
        add_rough_ground(&mut seeds, &rough, columns, rows);
        if !seeds.contains(&Some(true)) || !seeds.contains(&Some(false)) {
            return sky;
        }
        let mut land = flood(&seeds, &gradient, columns, rows);
        let mut borders = Borders::new(&map, &land);
        for patch in patches(&land, columns, rows) {
            let rugged = patch.iter().filter(|c| rough[**c]).count() as f64 > RUGGED * patch.len() as f64;
            if !rugged && !borders.is_edge(&patch) {
                patch.iter().for_each(|cell| land[*cell] = false);
            }
        }
        fill_islands(&mut land, columns, rows);
        map.give_back(&mut land);
        grow_over_ramp(&mut land, &gradient, columns, rows);
        let mask = LandMask { land, ..sky }.grown(settings.margin_cells);
        // Hardly any sky left: the evidence contradicts itself.
        if mask.sky_fraction() < LEAST_SKY {
            LandMask::all_sky(size.0, size.1, settings.cell_px)
        } else {
            mask
        }
    }
}

/// The stars that stand on smooth ground.
fn smooth(stars: &[Star], rough: &[bool], mask: &LandMask) -> Vec<Star> {
    let on_smooth = |s: &&Star| !rough[cell_of(s, mask)];
    stars.iter().filter(on_smooth).copied().collect()
}

fn cell_of(star: &Star, mask: &LandMask) -> usize {
    let cell = |v: f64, n: usize| (((v + 0.5).max(0.0) / mask.cell_px as f64) as usize).min(n - 1);
    cell(star.y, mask.rows) * mask.columns + cell(star.x, mask.columns)
}

/// Sky and land by the stars that regions without edges hold.
fn star_seeds(
    stars: &[Star],
    rough: &[bool],
    gradient: &[f32],
    mask: &LandMask,
    size: (usize, usize),
) -> Vec<Option<bool>> {
    let mut counts = vec![0u32; gradient.len()];
    stars.iter().for_each(|s| counts[cell_of(s, mask)] += 1);
    let mut about_stars: Vec<f32> = stars.iter().map(|s| gradient[cell_of(s, mask)]).collect();
    let edge = STEEP * quantile(&mut about_stars, 0.9).unwrap_or(0.0);
    let per_cell = sparse_density(stars, size) * (mask.cell_px * mask.cell_px) as f64;
    let even: Vec<bool> = gradient
        .iter()
        .zip(rough)
        .map(|(g, r)| *g <= edge && !r)
        .collect();
    let mut seeds = vec![None; gradient.len()];
    for region in patches(&even, mask.columns, mask.rows) {
        let found: f64 = region.iter().map(|c| f64::from(counts[*c])).sum();
        let expected = per_cell * region.len() as f64;
        let seed = if found >= 1.0 && found >= FILLED * expected {
            Some(false)
        } else if expected >= EXPECTED && found <= VOID * expected {
            Some(true)
        } else {
            None
        };
        region.iter().for_each(|c| seeds[*c] = seed);
    }
    seeds
}

/// Makes rough ground land where it comes in from the frame's border, alone or over land, and is
/// large enough; land that nothing joins to the border is none.
fn add_rough_ground(seeds: &mut [Option<bool>], rough: &[bool], columns: usize, rows: usize) {
    let ground: Vec<bool> = seeds
        .iter()
        .zip(rough)
        .map(|(s, r)| *r || *s == Some(true))
        .collect();
    let least = (ROUGH_PART * seeds.len() as f64).max(40.0) as usize;
    for patch in patches(&ground, columns, rows) {
        let on_border = |cell: &&usize| {
            let (x, y) = (**cell % columns, **cell / columns);
            x == 0 || y == 0 || x + 1 == columns || y + 1 == rows
        };
        let stands = patch.iter().filter(on_border).count() >= 4 && patch.len() >= least;
        patch.iter().for_each(|c| seeds[*c] = stands.then_some(true));
    }
}

/// Where stars stand thicker than elsewhere.
struct Thick {
    counts: Vec<u32>,
    /// Stars in a cell where they are sparse; `None` where they are too few to tell.
    per_cell: Option<f64>,
}

impl Thick {
    fn new(stars: &[Star], rough: &[bool], mask: &LandMask, size: (usize, usize)) -> Self {
        let mut counts = vec![0u32; mask.columns * mask.rows];
        stars.iter().for_each(|s| counts[cell_of(s, mask)] += 1);
        let on_smooth = smooth(stars, rough, mask);
        let enough = on_smooth.len() > EXPECTED as usize;
        let area = (mask.cell_px * mask.cell_px) as f64;
        Self {
            counts,
            per_cell: enough.then(|| sparse_density(&on_smooth, size) * area),
        }
    }

    fn holds(&self, patch: &[usize]) -> bool {
        let found: f64 = patch.iter().map(|c| f64::from(self.counts[*c])).sum();
        self.per_cell
            .is_some_and(|per| found >= (THICK * per * patch.len() as f64).max(EXPECTED))
    }
}

/// Small patches of sky cut off by land become land: gaps between trunks, false stars.
fn fill_islands(land: &mut [bool], columns: usize, rows: usize) {
    let sky: Vec<bool> = land.iter().map(|l| !l).collect();
    let groups = patches(&sky, columns, rows);
    let largest = groups.iter().map(Vec::len).max().unwrap_or(0);
    for group in groups.iter().filter(|g| g.len() * 20 < largest) {
        group.iter().for_each(|c| land[*c] = true);
    }
}

/// Level and texture of each cell.
struct CellMap {
    columns: usize,
    rows: usize,
    level: Vec<f32>,
    texture: Vec<f32>,
    least: Vec<f32>,
    /// The frame's typical level.
    typical: f32,
}

impl CellMap {
    fn new(image: &Plane, mask: &LandMask) -> Self {
        let (columns, rows, side) = (mask.columns, mask.rows, mask.cell_px);
        let cells: Vec<(f32, f32)> = (0..columns * rows)
            .into_par_iter()
            .map_init(Vec::new, |values, cell| {
                let (x0, y0) = ((cell % columns) * side, (cell / columns) * side);
                values.clear();
                for y in (y0..(y0 + side).min(image.height())).step_by(2) {
                    let row = &image.row(y)[x0..(x0 + side).min(image.width())];
                    values.extend(row.iter().step_by(2).filter(|v| v.is_finite()));
                }
                few(values, 3.0)
            })
            .collect();
        let (level, texture): (Vec<f32>, Vec<f32>) = cells.into_iter().unzip();
        let mut map = Self {
            columns,
            rows,
            typical: median_of(level.iter().copied()).unwrap_or(0.0),
            level,
            texture,
            least: Vec::new(),
        };
        map.least = map.least_variance();
        map
    }

    fn at(&self, values: &[f32], x: isize, y: isize) -> f32 {
        let x = x.clamp(0, self.columns as isize - 1) as usize;
        let y = y.clamp(0, self.rows as isize - 1) as usize;
        values[y * self.columns + x]
    }

    /// The least variance that photon noise explains in each cell.
    ///
    /// Photon noise grows no faster than the level, so the variance at any level is at most the
    /// least one seen at another, times the levels' ratio where that is above one.
    fn least_variance(&self) -> Vec<f32> {
        const BINS: usize = 24;
        let mut order: Vec<usize> = (0..self.level.len()).collect();
        order.sort_by(|a, b| self.level[*a].total_cmp(&self.level[*b]).then(a.cmp(b)));
        let floors: Vec<(f32, f32)> = order
            .chunks(order.len().div_ceil(BINS).max(1))
            .map(|bin| {
                let mut variances: Vec<f32> = bin.iter().map(|c| self.texture[*c].powi(2)).collect();
                let low = quantile(&mut variances, 1.0 / 3.0).unwrap_or(0.0);
                (self.level[bin[bin.len() / 2]], low)
            })
            .collect();
        let typical = median_of(floors.iter().map(|f| f.0)).unwrap_or(0.0);
        let floors: Vec<(f32, f32)> = floors
            .into_iter()
            .filter(|(l, v)| *l > 0.05 * typical && *v > 0.0)
            .collect();
        // Darker than a bin, the noise is less too; how much, the unknown read noise decides.
        let scale = |ratio: f32| if ratio < 1.0 { ratio.max(0.0).sqrt() } else { ratio };
        self.level
            .iter()
            .map(|level| {
                let level = level.max(0.05 * typical);
                floors
                    .iter()
                    .map(|(l, v)| v * scale(level / l))
                    .fold(f32::INFINITY, f32::min)
            })
            .collect()
    }

    /// Whether the pixels of a cell and those about it vary more than noise does: twigs, snow, rocks.
    fn busy(&self, x: isize, y: isize) -> bool {
        let variance = self.median_about(&self.texture, x, y).powi(2);
        let least = self.at(&self.least, x, y);
        // A crowd of faint stars varies too, but little beside the level.
        let level = self.at(&self.level, x, y).max(0.0);
        variance > ROUGH * least && (variance - least).sqrt() > BUSY * level
    }

    /// Rough cells but those of patches brighter than most of the frame that are `sky`.
    fn without_bright(&self, rough: &[bool], is_sky: impl Fn(&[usize]) -> bool) -> Vec<bool> {
        let bright = self.each(|x, y| {
            let level = self.median_about(&self.level, x, y);
            let texture = self.median_about(&self.texture, x, y);
            level > BRIGHTER * self.typical && texture < SOFT * level
        });
        let both: Vec<bool> = rough.iter().zip(&bright).map(|(r, b)| *r && *b).collect();
        let mut out = rough.to_vec();
        for patch in patches(&both, self.columns, self.rows) {
            if is_sky(&patch) {
                patch.iter().for_each(|c| out[*c] = false);
            }
        }
        out
    }

    /// Noise of a cell's level: the median of its 64 samples has 1.25/8 of a sample's.
    fn level_noise(&self, x: isize, y: isize) -> f32 {
        0.16 * self.at(&self.least, x, y).sqrt()
    }

    /// The median of a cell and its eight neighbours.
    fn median_about(&self, values: &[f32], x: isize, y: isize) -> f32 {
        let mut nine: [f32; 9] =
            std::array::from_fn(|i| self.at(values, x + i as isize % 3 - 1, y + i as isize / 3 - 1));
        median(&mut nine).unwrap_or(0.0)
    }

    /// Cells that are busy or whose levels jump about.
    fn rough(&self) -> Vec<bool> {
        let bends = self.each(|x, y| self.bend(x, y));
        self.each(|x, y| {
            let level = self.at(&self.level, x, y).max(0.0);
            let bend = self.median_about(&bends, x, y);
            let uneven = bend > UNEVEN * self.level_noise(x, y) && bend > 0.5 * BUSY * level;
            uneven || self.busy(x, y)
        })
    }

    /// Gives the sky its cells back that are land only because the edge beside them is rough.
    fn give_back(&self, land: &mut [bool]) {
        for _ in 0..3 {
            let back: Vec<usize> = (0..land.len())
                .filter(|cell| {
                    let (x, y) = ((cell % self.columns) as isize, (cell / self.columns) as isize);
                    let sky: Vec<f32> = neighbours(*cell, self.columns, self.rows)
                        .filter(|n| !land[*n])
                        .map(|n| self.level[n])
                        .collect();
                    let near = 6.0 * self.level_noise(x, y) + 0.02 * self.level[*cell].abs();
                    land[*cell]
                        && !sky.is_empty()
                        && (self.level[*cell] - median_of(sky).unwrap_or(0.0)).abs() < near
                        && self.texture[*cell].powi(2) < ROUGH * self.least[*cell]
                })
                .collect();
            back.iter().for_each(|c| land[*c] = false);
        }
    }

    /// Departure of a cell's level from the mean of those on either side.
    fn bend(&self, x: isize, y: isize) -> f32 {
        let off = |dx: isize, dy: isize| {
            let (a, b) = (
                self.at(&self.level, x - dx, y - dy),
                self.at(&self.level, x + dx, y + dy),
            );
            (self.at(&self.level, x, y) - 0.5 * (a + b)).abs()
        };
        off(1, 0).max(off(0, 1))
    }

    /// Slope of the level (Sobel on 3 × 3 medians), in units of the sky's own typical slope.
    fn gradient(&self) -> Vec<f32> {
        let smooth = self.each(|x, y| self.median_about(&self.level, x, y));
        let slopes = self.each(|x, y| {
            let v = |dx, dy| self.at(&smooth, x + dx, y + dy);
            let gx = v(1, -1) + 2.0 * v(1, 0) + v(1, 1) - v(-1, -1) - 2.0 * v(-1, 0) - v(-1, 1);
            let gy = v(-1, 1) + 2.0 * v(0, 1) + v(1, 1) - v(-1, -1) - 2.0 * v(0, -1) - v(1, -1);
            gx.hypot(gy) / 8.0
        });
        let typical = median_of(slopes.iter().copied())
            .unwrap_or(0.0)
            .max(f32::MIN_POSITIVE);
        slopes.iter().map(|s| s / typical).collect()
    }

    fn each<T: Send>(&self, of: impl Fn(isize, isize) -> T + Sync) -> Vec<T> {
        (0..self.rows * self.columns)
            .into_par_iter()
            .with_min_len(1024)
            .map(|i| of((i % self.columns) as isize, (i / self.columns) as isize))
            .collect()
    }

    /// The median change of level over twice the reach within the sky.
    fn usual_step(&self, land: &[bool]) -> f32 {
        let (columns, reach) = (self.columns, 2 * REACH);
        let mut steps = Vec::new();
        for cell in 0..land.len() {
            let right = (cell % columns + reach < columns).then_some(cell + reach);
            let down = (cell / columns + reach < self.rows).then_some(cell + reach * columns);
            for other in [right, down].into_iter().flatten() {
                if !land[cell] && !land[other] {
                    steps.push((self.level[cell] - self.level[other]).abs());
                }
            }
        }
        let noise = median_of(self.texture.iter().copied()).unwrap_or(0.0) / 8.0;
        median_of(steps).unwrap_or(0.0).max(noise)
    }
}

/// The borders of land, against which patches of it are judged.
struct Borders<'a> {
    map: &'a CellMap,
    land: Vec<bool>,
    /// Steps of each cell to the sky, as far as they count.
    near_sky: Vec<usize>,
    usual_step: f32,
    /// The patch that last came near each cell.
    visited: Vec<usize>,
    patch: usize,
}

impl<'a> Borders<'a> {
    fn new(map: &'a CellMap, land: &[bool]) -> Self {
        Self {
            map,
            land: land.to_vec(),
            near_sky: distance(land, map.columns, map.rows, false),
            usual_step: map.usual_step(land),
            visited: vec![0; land.len()],
            patch: 0,
        }
    }

    /// Whether level or texture change across the border of a patch as they do not within the sky.
    fn is_edge(&mut self, patch: &[usize]) -> bool {
        let inside: Vec<usize> = patch
            .iter()
            .copied()
            .filter(|c| self.near_sky[*c] <= REACH)
            .collect();
        let outside: Vec<usize> = self.about(patch).into_iter().filter(|c| !self.land[*c]).collect();
        if inside.is_empty() || outside.is_empty() {
            return false;
        }
        let of = |values: &[f32], cells: &[usize]| median_of(cells.iter().map(|c| values[*c])).unwrap_or(0.0);
        let step = (of(&self.map.level, &inside) - of(&self.map.level, &outside)).abs();
        let texture = of(&self.map.texture, &inside) / of(&self.map.texture, &outside).max(f32::MIN_POSITIVE);
        step > EDGE * self.usual_step || !(1.0 / TEXTURE..=TEXTURE).contains(&texture)
    }

    /// The cells of a patch and those within reach of it.
    fn about(&mut self, patch: &[usize]) -> Vec<usize> {
        self.patch += 1;
        let mut near = patch.to_vec();
        near.iter().for_each(|c| self.visited[*c] = self.patch);
        let mut from = 0;
        for _ in 0..REACH {
            for at in std::mem::replace(&mut from, near.len())..near.len() {
                for cell in neighbours(near[at], self.map.columns, self.map.rows) {
                    if self.visited[cell] != self.patch {
                        self.visited[cell] = self.patch;
                        near.push(cell);
                    }
                }
            }
        }
        near
    }
}

/// Stars per square pixel where they are sparse: from the distance of each to its tenth
/// neighbour, the value that five sixths of the stars exceed.
fn sparse_density(stars: &[Star], (width, height): (usize, usize)) -> f64 {
    let sample: Vec<&Star> = stars.iter().take(1500).collect();
    let tenth = 10.min(sample.len() - 1);
    let mut densities: Vec<f64> = sample
        .par_iter()
        .map(|s| {
            let mut d2: Vec<f64> = sample
                .iter()
                .map(|o| (o.x - s.x).powi(2) + (o.y - s.y).powi(2))
                .collect();
            let reach2 = *d2.select_nth_unstable_by(tenth, f64::total_cmp).1;
            tenth as f64 / (window_in_frame(s, reach2.sqrt(), width, height)).max(1.0)
        })
        .collect();
    let whole = stars.len() as f64 / sample.len() as f64;
    quantile(&mut densities, 1.0 / 6.0).unwrap_or(0.0) * whole
}

/// Area of the part of a disc that lies in the frame, taken as the disc's share of its square.
fn window_in_frame(star: &Star, radius: f64, width: usize, height: usize) -> f64 {
    let span = |v: f64, n: usize| (v + radius).min(n as f64) - (v - radius).max(0.0);
    span(star.x, width) * span(star.y, height) * std::f64::consts::FRAC_PI_4
}

/// A turning camera smears the ridge into a ramp; land takes the ramp's sky side too.
fn grow_over_ramp(land: &mut [bool], gradient: &[f32], columns: usize, rows: usize) {
    const MOST: usize = 10;
    for _ in 0..MOST {
        let border: Vec<usize> = (0..land.len())
            .filter(|c| !land[*c] && neighbours(*c, columns, rows).any(|n| land[n]))
            .collect();
        let steep: Vec<usize> = border.into_iter().filter(|c| gradient[*c] > 4.0 * EDGE).collect();
        if steep.is_empty() {
            break;
        }
        steep.iter().for_each(|c| land[*c] = true);
    }
}
