//! Land frames of different focus: told apart, and merged by sharpness.

use nightloom_raster::{Plane, Rgb, WorkFile, resize_area_plane};
use nightloom_stack::{
    FocusDetail, FocusLayer, FocusStanding, FuseSettings, NoiseLine, WarpSettings, breathing, focus_groups,
    fuse, warp,
};
use rayon::prelude::*;

use super::land_frame::LandFrame;
use nightloom_journal::{Bench, BuildError};

/// Stillness is looked for in pictures no longer than this, in cells of so many of their pixels.
const STILL_PX: usize = 1600;
const STILL_CELL: usize = 16;
/// Pixels that are worth a thread's while.
const LEAST: usize = 1 << 14;
/// Correlation of a cell's slopes above which it stands still: that of one picture with as much noise as scene,
/// twice.
const AGREES: f64 = 0.5;

/// The land frames by focus.
#[derive(Clone, Debug, Default)]
pub(super) struct Parts {
    /// Frames of equal focus; the first part is the one focused farthest, whose sky is kept.
    pub(super) parts: Vec<Vec<usize>>,
    /// Frames that are only ever softer than others, with what is said of them.
    pub(super) soft: Vec<(usize, &'static str)>,
}

/// Parts the frames by focus, by what their files tell and by their sharpness; `reference` is a frame of the
/// first part where nothing tells which part is focused farthest.
pub(super) fn parts(
    bench: &Bench<'_>,
    frames: &[LandFrame<'_>],
    sources: &[WorkFile],
    reference: usize,
) -> Result<Parts, BuildError> {
    let all = || Parts {
        parts: vec![(0..frames.len()).collect()],
        soft: Vec::new(),
    };
    if frames.len() < 2 {
        return Ok(all());
    }
    let told: Vec<Option<f64>> = frames.iter().map(|f| f.frame.facts.meta.focus_m).collect();
    let setting = frames[0].frame.facts.setting();
    let alike = frames.iter().all(|f| f.frame.facts.setting().same(&setting));
    // Frames whose noise differs look unlike sharp where they are not.
    if !alike && told.iter().any(Option::is_none) {
        return Ok(all());
    }
    let still = still_cells(bench, sources, reference)?;
    let mut details = Vec::with_capacity(frames.len());
    for (k, (frame, source)) in frames.iter().zip(sources).enumerate() {
        bench.show("Looking at the focus", k as f64 / frames.len() as f64, "")?;
        let light = luminance(source, frame.gain)?;
        let land = &frame.frame.facts.field.land;
        // What moves between the frames is sky to this, whatever it was taken for.
        let moves = |x: usize, y: usize| !still.at(x, y) || !land.is_land(x as f64, y as f64);
        let sky = marked(light.width(), light.height(), moves);
        details.push(FocusDetail::of(
            &light,
            noise_line(std::slice::from_ref(frame), &[0]),
            Some(&sky),
        ));
    }
    let groups = focus_groups(&details, &told);
    let mut found = Parts::default();
    let mut first = None;
    for group in groups {
        let why = match group.standing {
            FocusStanding::Sharp => {
                if group.farthest || (first.is_none() && group.frames.contains(&reference)) {
                    first = Some(found.parts.len());
                }
                found.parts.push(group.frames);
                continue;
            }
            FocusStanding::Soft => {
                "out of focus: nowhere sharper than other land frames, in many places softer"
            }
            FocusStanding::Shaken => "shaken: its detail is lost along one direction",
        };
        found.soft.extend(group.frames.into_iter().map(|i| (i, why)));
    }
    if found.parts.is_empty() {
        return Ok(all());
    }
    found.parts.swap(0, first.unwrap_or(0));
    Ok(found)
}

/// Where the land frames show the same thing at the same place.
struct Still {
    cells: Vec<bool>,
    columns: usize,
    /// Pixels of a frame per cell.
    side: f64,
}

impl Still {
    fn at(&self, x: usize, y: usize) -> bool {
        let (column, row) = ((x as f64 / self.side) as usize, (y as f64 / self.side) as usize);
        column < self.columns
            && self
                .cells
                .get(row * self.columns + column)
                .copied()
                .unwrap_or(false)
    }
}

/// Cells whose slopes agree between the reference and every other frame: land, sharp or soft. Trails move along,
/// noise agrees with nothing.
fn still_cells(bench: &Bench<'_>, sources: &[WorkFile], reference: usize) -> Result<Still, BuildError> {
    let small = |i: usize| {
        let plane = sources[i].read_plane(1)?;
        Ok::<_, BuildError>(resize_area_plane(&plane, STILL_PX))
    };
    let home = small(reference)?;
    let (columns, rows) = (home.width() / STILL_CELL, home.height() / STILL_CELL);
    let mut cells = vec![true; columns * rows];
    for i in (0..sources.len()).filter(|i| *i != reference) {
        bench.show("Looking at the focus", 0.0, "")?;
        let other = small(i)?;
        for (k, still) in cells.iter_mut().enumerate().filter(|(_, still)| **still) {
            let at = [k % columns * STILL_CELL, k / columns * STILL_CELL];
            *still = slopes_agree(&home, &other, at) > AGREES;
        }
    }
    Ok(Still {
        cells,
        columns,
        side: sources[reference].width() as f64 / home.width() as f64 * STILL_CELL as f64,
    })
}

/// Correlation of the slopes of a cell, both ways.
fn slopes_agree(a: &Plane, b: &Plane, [x0, y0]: [usize; 2]) -> f64 {
    let (mut ab, mut aa, mut bb) = (0.0f64, 0.0, 0.0);
    let (x1, y1) = (a.width() - 1, a.height() - 1);
    for y in y0.max(1)..(y0 + STILL_CELL).min(y1) {
        for x in x0.max(1)..(x0 + STILL_CELL).min(x1) {
            for (dx, dy) in [(1, 0), (0, 1)] {
                let slope = |p: &Plane| f64::from(p.at(x + dx, y + dy) - p.at(x - dx, y - dy));
                let (ga, gb) = (slope(a), slope(b));
                (ab, aa, bb) = (ab + ga * gb, aa + ga * ga, bb + gb * gb);
            }
        }
    }
    if aa * bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 }
}

fn luminance(source: &WorkFile, gain: f32) -> Result<Plane, BuildError> {
    let picture = source.read_rgb()?;
    let mut light = picture.brightness();
    drop(picture);
    let values = light.data_mut().par_iter_mut().with_min_len(LEAST);
    values.for_each(|v| *v *= gain);
    Ok(light)
}

fn sky_of(frame: &LandFrame<'_>, width: usize, height: usize) -> Plane {
    let land = &frame.frame.facts.field.land;
    marked(width, height, |x, y| !land.is_land(x as f64, y as f64))
}

/// 1 where `is_marked` says so, else 0.
fn marked(width: usize, height: usize, is_marked: impl Fn(usize, usize) -> bool + Sync) -> Plane {
    let mut out = Plane::filled(width, height, 0.0);
    let rows = out.data_mut().par_chunks_mut(width.max(1)).enumerate();
    rows.for_each(|(y, row)| {
        for (x, v) in row.iter_mut().enumerate() {
            *v = f32::from(u8::from(is_marked(x, y)));
        }
    });
    out
}

/// Noise of the brightness of the mean of some frames: that of their pixels, in the measure in which it was found
/// in their skies.
fn noise_line(frames: &[LandFrame<'_>], part: &[usize]) -> NoiseLine {
    let (mut floor, mut slope) = (0.0, 0.0);
    for &i in part {
        let frame = &frames[i];
        let facts = &frame.frame.facts;
        let sky = frame.gain * facts.sky_level[1].max(0.0);
        let measured = (frame.gain * facts.field.noise).powi(2);
        let factor = (measured / frame.noise.variance(sky)).clamp(0.05, 2.0);
        floor += (factor * frame.noise.read.max(1e-12)).recip();
        slope += (factor * frame.noise.shot.max(1e-12)).recip();
    }
    NoiseLine {
        floor: 1.0 / floor,
        slope: 1.0 / slope,
    }
}

/// Merges the pictures of the parts, each laid on the first one's pixels; parts whose breathing is not known are
/// left out and named by their number.
pub(super) fn merged(
    bench: &mut Bench<'_>,
    frames: &[LandFrame<'_>],
    parts: &[Vec<usize>],
    pictures: Vec<Rgb>,
    reference: usize,
) -> Result<(Rgb, Vec<usize>), BuildError> {
    bench.show("Merging the focus bracket", 0.0, "")?;
    let mut pictures = pictures.into_iter();
    let Some(home) = pictures.next() else {
        return Err(BuildError::Internal {
            what: "no land picture to merge".into(),
        });
    };
    let land = &frames[reference].frame.facts.field.land;
    let is_land = |x: usize, y: usize| land.is_land(x as f64, y as f64);
    let home_light = home.brightness();
    let (mut laid, mut known, mut lost) = (Vec::new(), vec![0], Vec::new());
    for (k, picture) in (1..).zip(pictures) {
        match breathing(&home_light, &picture.brightness(), &is_land) {
            Some(found) => {
                laid.push(on_home(&picture, &|p| Some(found.moved(p)), &home)?);
                known.push(k);
            }
            None => lost.push(k),
        }
    }
    let layers: Vec<FocusLayer<'_>> = std::iter::once(&home)
        .chain(&laid)
        .zip(&known)
        .map(|(picture, &k)| FocusLayer {
            picture,
            noise: noise_line(frames, &parts[k]),
        })
        .collect();
    let sky = sky_of(&frames[reference], home.width(), home.height());
    let fused = fuse(&layers, Some(&sky), 0, &FuseSettings::default());
    Ok((fused.unwrap_or(home), lost))
}

/// A picture on the pixels of another; where it does not reach, that one's.
fn on_home(picture: &Rgb, mapping: &nightloom_stack::Mapping<'_>, home: &Rgb) -> Result<Rgb, BuildError> {
    let (width, height) = (home.width(), home.height());
    let plane = |c: usize| {
        let mut plane = warp(picture, c, mapping, width, height, &WarpSettings::default())
            .map_err(BuildError::internal)?;
        for (v, own) in plane.data_mut().iter_mut().zip(home.planes()[c].data()) {
            if !v.is_finite() {
                *v = *own;
            }
        }
        Ok::<_, BuildError>(plane)
    };
    Ok(Rgb::from_planes([plane(0)?, plane(1)?, plane(2)?]))
}
