//! What is in a frame, as far as its role needs it; covered and evenly lit frames.

use nightloom_fit::{SIGMA_PER_MAD, median_of};
use nightloom_frames::cause::{View, drift};
use nightloom_optics::Lens;
use nightloom_raster::{Pixels, Plane};
use nightloom_stars::Field;
use serde::{Deserialize, Serialize};

use super::{FrameFacts, RoleDecision};
use nightloom_outing::Role;

/// What the pixels of one frame show. Levels are linear, black subtracted, 1 at saturation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameContent {
    /// Median level.
    pub level: f64,
    /// Robust standard deviation of single pixels about their neighbours of the same colour.
    pub noise: f64,
    /// Robust standard deviation of the medians of about 24 × 16 blocks: what is not even.
    pub structure: f64,
    /// Share of block triples in a row or column that bend by more than 6 % of their level: contours.
    pub edges: f64,
    /// Pixels in a block, which the expected scatter of block medians rests on.
    pub block_px: usize,
    /// Stars found.
    pub stars: usize,
    /// Median ratio of long to short axis of the stars, 1 when round; `None` without stars.
    pub elongation: Option<f64>,
    /// Median length of the star trails in pixels, 0 when not trailed; `None` without stars.
    pub trail_px: Option<f64>,
    /// Share of the frame that is land.
    pub land_fraction: f64,
    /// Length of the motion that all stars share, pixels, 0 where they are drawn out by something else;
    /// `None` where it was not looked for.
    #[serde(default)]
    pub drift_px: Option<f64>,
}

/// Share of the elongation that one motion must explain to be common to all stars.
const COMMON: f64 = 0.6;
/// Blocks across and down.
const BLOCKS: [usize; 2] = [24, 16];
/// A median of n samples of standard deviation 1 scatters by 1.2533/√n (Kendall & Stuart, large n).
const MEDIAN_SCATTER: f64 = 1.2533;
/// Relative bend over three blocks in a row that counts as a contour. Vignetting of two stops in the
/// corners bends by about 3 % on this grid.
const EDGE_STEP: f64 = 0.06;

impl FrameContent {
    /// Measures a frame's pixels, with what `nightloom_stars::measure` found in it.
    pub fn of(pixels: &Pixels, field: &Field) -> Self {
        let mut content = match pixels {
            Pixels::Mosaic(m) => levels(&m.plane, m.cfa.side()),
            Pixels::Rgb(p) => levels(&p.planes()[1], 1),
            Pixels::Grey(p) => levels(p, 1),
        };
        content.stars = field.stars.len();
        if content.stars > 0 {
            content.elongation = Some(f64::from(field.elongation));
            content.trail_px = Some(f64::from(field.trail_px));
        }
        content.land_fraction = 1.0 - field.land.sky_fraction();
        content
    }

    /// The same with what the stars' shapes say of a common motion; `image` is what `field` was measured in.
    #[must_use]
    pub(crate) fn with_drift(mut self, image: &Plane, field: &Field) -> Self {
        // Only directions and lengths in pixels are asked for, so any moderate lens serves.
        let (width, height) = (image.width(), image.height());
        let lens = Lens::rectilinear(0.8 * (width as f64).hypot(height as f64), width, height);
        let motion = drift(
            image,
            field,
            &View {
                lens,
                scaled: false,
                pole: None,
            },
        );
        self.drift_px = Some(if motion.explained > COMMON {
            motion.length_px
        } else {
            0.0
        });
        self
    }

    /// The scatter that block medians would have in a perfectly even frame.
    fn expected_structure(&self) -> f64 {
        MEDIAN_SCATTER * self.noise / (self.block_px.max(1) as f64).sqrt()
    }
}

/// Levels of one plane; `step` is the distance to the next pixel of the same colour.
fn levels(plane: &Plane, step: usize) -> FrameContent {
    let (width, height) = (plane.width(), plane.height());
    if width < 2 * step + 2 || height < 2 * step + 2 {
        return FrameContent::default();
    }
    let [across, down] = [
        BLOCKS[0].min(width / (4 * step)).max(1),
        BLOCKS[1].min(height / (4 * step)).max(1),
    ];
    let (bw, bh) = (width / across, height / down);
    // Only the pixels of one colour: the one of the first pixel of every block's cell.
    let mut medians = Vec::with_capacity(across * down);
    let mut noises = Vec::with_capacity(across * down);
    let mut block_px = 0;
    for j in 0..down {
        for i in 0..across {
            let (x0, y0) = (i * bw / step * step, j * bh / step * step);
            let (values, differences) = block(plane, [x0, y0], [bw, bh], step);
            block_px = values.len();
            medians.push(middle(values));
            noises.push(middle(differences) * SIGMA_PER_MAD / std::f64::consts::SQRT_2);
        }
    }
    let edges = contours(&medians, across, down);
    let level = middle(medians.clone());
    let structure = middle(medians.iter().map(|m| (m - level).abs())) * SIGMA_PER_MAD;
    FrameContent {
        level,
        noise: middle(noises),
        structure,
        edges,
        block_px,
        ..FrameContent::default()
    }
}

fn block(plane: &Plane, [x0, y0]: [usize; 2], [bw, bh]: [usize; 2], step: usize) -> (Vec<f64>, Vec<f64>) {
    let mut values = Vec::with_capacity(bw * bh / step / step + 1);
    let mut differences = Vec::with_capacity(values.capacity());
    for y in (y0..y0 + bh).step_by(step) {
        let row = &plane.row(y)[x0..x0 + bw];
        let mut before = None;
        for value in row
            .iter()
            .step_by(step)
            .map(|&v| f64::from(v))
            .filter(|v| v.is_finite())
        {
            values.push(value);
            differences.extend(before.map(|b: f64| (value - b).abs()));
            before = Some(value);
        }
    }
    (values, differences)
}

/// Vignetting bends slowly from block to block; a contour is a step that its neighbours do not continue.
fn contours(medians: &[f64], across: usize, down: usize) -> f64 {
    let (mut triples, mut steps) = (0usize, 0usize);
    let mut compare = |a: f64, b: f64, c: f64| {
        triples += 1;
        steps += usize::from((a - 2.0 * b + c).abs() > EDGE_STEP * (a.abs() + b.abs() + c.abs()) / 3.0);
    };
    for j in 0..down {
        for i in 0..across {
            let at = |i: usize, j: usize| medians[j * across + i];
            if i + 2 < across {
                compare(at(i, j), at(i + 1, j), at(i + 2, j));
            }
            if j + 2 < down {
                compare(at(i, j), at(i, j + 1), at(i, j + 2));
            }
        }
    }
    if triples == 0 {
        0.0
    } else {
        steps as f64 / triples as f64
    }
}

/// Median; 0 of nothing.
pub(super) fn middle(values: impl IntoIterator<Item = f64>) -> f64 {
    median_of(values).unwrap_or(0.0)
}

/// Above this a frame holds light. Dark current of a warm sensor in minutes stays below it.
const COVERED_LEVEL: f64 = 0.005;
/// Unevenness of a covered frame (glow of the amplifier) at most, in parts of saturation.
const COVERED_STRUCTURE: f64 = 5e-4;
/// An evenly lit frame is exposed at least to this level. Common practice is a third to a half.
const FLAT_LEVEL: f64 = 0.05;
/// Contours allowed in a flat: dust, and the darkest corners.
const FLAT_EDGES: f64 = 0.04;
/// A starry sky needs longer than this, seconds; an even frame below it is a flat. Common practice,
/// no source.
const STARLESS_S: f64 = 1.0;
/// An even frame this much shorter than the longest of the outing is a flat too.
const STARLESS_PART: f64 = 0.1;
/// Stars that noise and dust may feign in a frame without any.
const FEIGNED_STARS: usize = 8;
/// A covered exposure shorter than this can only be a bias, seconds.
const BIAS_S: f64 = 0.01;
/// Or one shorter than this part of the longest exposure of the outing.
const BIAS_PART: f64 = 1e-3;

/// Dark, bias or flat by what is in the frame; `None` for frames of light with something in them.
///
/// Stars say little here: hot pixels pass for some in a dark, dust in a flat.
pub(super) fn covered_or_flat(frame: &FrameFacts, all: &[FrameFacts]) -> Option<RoleDecision> {
    let c = frame.content.as_ref()?;
    let longest = all.iter().filter_map(|f| f.meta.exposure_s).fold(0.0, f64::max);
    let even = c.structure <= 4.0 * c.expected_structure() + COVERED_STRUCTURE;
    if c.level < COVERED_LEVEL && even {
        return Some(dark_or_bias(frame, c, longest));
    }
    let short = frame
        .meta
        .exposure_s
        .is_some_and(|t| t < STARLESS_S || t < STARLESS_PART * longest);
    if c.level >= FLAT_LEVEL && c.edges <= FLAT_EDGES && (short || c.stars <= FEIGNED_STARS) {
        let reason = format!(
            "bright and even: level {:.0} % of saturation, contours in {:.1} % of the frame",
            c.level * 100.0,
            c.edges * 100.0
        );
        return Some(RoleDecision::of(Role::Flat, reason));
    }
    None
}

fn dark_or_bias(frame: &FrameFacts, c: &FrameContent, longest: f64) -> RoleDecision {
    let light = format!("no light: level {:.2} % of saturation, even", c.level * 100.0);
    match frame.meta.exposure_s {
        Some(t) if t <= BIAS_S || t <= BIAS_PART * longest => {
            RoleDecision::of(Role::Bias, format!("{light}, the shortest exposures ({t} s)"))
        }
        Some(t) => RoleDecision::of(Role::Dark, format!("{light}, {t} s")),
        None => RoleDecision::of(Role::Dark, format!("{light}; the exposure time is not told")),
    }
}
