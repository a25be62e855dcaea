//! What pairs of like frames tell of the sensor: level and variance in small patches, levels of darks.
//!
//! Half the variance of the difference of two like frames is that of one of them, with everything that
//! stays put gone. In patches of some thirty pixels also what drifts slowly over the frame is gone.

use nightloom_fit::median_and_sigma;
use nightloom_raster::{Cfa, Levels, Pixels, Plane};
use rayon::prelude::*;

/// Pixels on a side of a patch of the mosaic.
const PATCH: usize = 32;
/// Values farther from the patch's median than so many σ are left out: particle hits, pixels that
/// flicker. Of a Gaussian 6e-7 lie beyond, which lowers its variance by 2e-5.
const CLIP_SIGMA: f32 = 5.0;
/// Added to the clip, in DN: rounding leaves a median absolute deviation of 0 where noise is small.
const CLIP_DN: f32 = 5.0;

/// One undemosaiced frame with the file's numbers that its values stand for.
#[derive(Clone, Copy, Debug)]
pub struct Readout<'a> {
    /// The values, 1 at saturation.
    pub plane: &'a Plane,
    /// The filters.
    pub cfa: Cfa,
    /// DN per unit of the values, by place.
    pub span_dn: [f32; 4],
}

/// Number of kinds of pixels that are measured apart: the places of the cell; of a cell of 6 × 6 the three colours.
pub fn sensor_places(cfa: Cfa) -> usize {
    match cfa.side() {
        6 => 3,
        side => side * side,
    }
}

impl<'a> Readout<'a> {
    /// Of a decoded frame; `None` of one that is demosaiced already.
    pub fn of(pixels: &'a Pixels, levels: &Levels) -> Option<Self> {
        let (plane, cfa) = match pixels {
            Pixels::Mosaic(mosaic) => (&mosaic.plane, mosaic.cfa),
            Pixels::Grey(plane) => (plane, Cfa::NONE),
            Pixels::Rgb(_) => return None,
        };
        Some(Self {
            plane,
            cfa,
            span_dn: levels.span(),
        })
    }
    /// Number of kinds of pixels that are measured apart, as [`sensor_places`].
    pub fn places(&self) -> usize {
        sensor_places(self.cfa)
    }
    /// DN of the pixels of one place in the rectangle, row by row.
    fn values(&self, place: usize, [x0, y0, x1, y1]: [usize; 4]) -> impl Iterator<Item = f32> + use<'a> {
        let (plane, cfa, span) = (self.plane, self.cfa, self.span_dn[place]);
        let side = cfa.side();
        let (step, px, py) = match side {
            6 => (1, 0, 0),
            _ => (side, place % side, place / side),
        };
        (y0 + py..y1).step_by(step).flat_map(move |y| {
            let row = plane.row(y)[x0..x1].iter().enumerate().skip(px).step_by(step);
            row.filter(move |(x, _)| side != 6 || cfa.colour(x0 + x, y) == place)
                .map(move |(_, v)| v * span)
        })
    }
    fn same_kind(&self, other: &Self) -> bool {
        let size = |r: &Self| (r.plane.width(), r.plane.height(), r.cfa);
        size(self) == size(other)
    }
}

/// Level and variance of the pixels of one place in one patch of a pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PairPatch {
    /// Place in the cell of filters, row by row; in a cell of 6 × 6 the colour.
    pub place: usize,
    /// Mean of both frames above the file's black, DN.
    pub level_dn: f64,
    /// Variance of a single frame, DN².
    pub variance_dn2: f64,
    /// Pixels used.
    pub samples: usize,
}

/// Level and variance in all patches of a pair of like frames, in a fixed order. Empty where the
/// frames are not of one size.
pub fn pair_patches(a: &Readout<'_>, b: &Readout<'_>) -> Vec<PairPatch> {
    if !a.same_kind(b) {
        return Vec::new();
    }
    let patches: Vec<[usize; 4]> = rectangles(a.plane);
    let of_patch = |area: &[usize; 4]| {
        let places = 0..a.places();
        places
            .filter_map(|place| pair_patch(a, b, place, *area))
            .collect::<Vec<_>>()
    };
    let found: Vec<Vec<PairPatch>> = patches.par_iter().map(of_patch).collect();
    found.concat()
}

fn rectangles(plane: &Plane) -> Vec<[usize; 4]> {
    let (w, h) = (plane.width() / PATCH, plane.height() / PATCH);
    let corners = (0..h).flat_map(|j| (0..w).map(move |i| (i * PATCH, j * PATCH)));
    corners.map(|(x, y)| [x, y, x + PATCH, y + PATCH]).collect()
}

fn pair_patch(a: &Readout<'_>, b: &Readout<'_>, place: usize, area: [usize; 4]) -> Option<PairPatch> {
    let pairs: Vec<(f32, f32)> = a.values(place, area).zip(b.values(place, area)).collect();
    let differences = pairs.iter().map(|(a, b)| a - b).collect();
    let keep = within(differences)?;
    let kept = pairs.iter().filter(|(a, b)| keep.contains(&(a - b)));
    let (mut level, mut difference, mut samples) = (0.0, 0.0, 0usize);
    for (a, b) in kept.clone() {
        level += 0.5 * (f64::from(*a) + f64::from(*b));
        difference += f64::from(a - b);
        samples += 1;
    }
    if samples < 2 {
        return None;
    }
    let n = samples as f64;
    let mean = difference / n;
    let squares: f64 = kept.map(|(a, b)| (f64::from(a - b) - mean).powi(2)).sum();
    Some(PairPatch {
        place,
        level_dn: level / n,
        variance_dn2: 0.5 * squares / (n - 1.0),
        samples,
    })
}

/// The range that is not left out, about the median.
fn within(mut values: Vec<f32>) -> Option<std::ops::RangeInclusive<f32>> {
    let (median, sigma) = median_and_sigma(&mut values)?;
    let reach = CLIP_SIGMA * sigma + CLIP_DN;
    Some(median - reach..=median + reach)
}

/// Mean level of the ordinary pixels of one place, DN above `zero`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PlaceLevel {
    /// Mean, DN.
    pub level_dn: f64,
    /// Its standard error from the scatter of the pixels, DN.
    pub error_dn: f64,
    /// Pixels used.
    pub samples: usize,
}

/// Levels of a frame by place, with `zero` (the mean of biases or short darks, 1 at saturation) taken
/// off pixel by pixel, hot pixels left out. Empty where the sizes differ.
pub fn place_levels(frame: &Readout<'_>, zero: &Plane) -> Vec<PlaceLevel> {
    let zero = Readout {
        plane: zero,
        ..*frame
    };
    if !frame.same_kind(&zero) {
        return Vec::new();
    }
    (0..frame.places())
        .map(|place| place_level(frame, &zero, place))
        .collect()
}

fn place_level(frame: &Readout<'_>, zero: &Readout<'_>, place: usize) -> PlaceLevel {
    let patch = |area: &[usize; 4]| {
        let values = || {
            let both = frame.values(place, *area).zip(zero.values(place, *area));
            both.map(|(v, z)| v - z)
        };
        let keep = within(values().collect())?;
        let kept = || values().filter(|v| keep.contains(v)).map(f64::from);
        let n = kept().count();
        let mean = kept().sum::<f64>() / n as f64;
        let squares: f64 = kept().map(|v| (v - mean).powi(2)).sum();
        (n > 1).then_some((mean, squares, n))
    };
    let patches: Vec<Option<(f64, f64, usize)>> = rectangles(frame.plane).par_iter().map(patch).collect();
    let mut total = (0.0, 0.0, 0usize, 0usize);
    for (mean, squares, n) in patches.into_iter().flatten() {
        total.0 += mean * n as f64;
        total.1 += squares;
        total.2 += n;
        total.3 += 1;
    }
    let (sum, squares, samples, groups) = total;
    let n = samples as f64;
    let variance = squares / samples.saturating_sub(groups).max(1) as f64;
    PlaceLevel {
        level_dn: sum / n.max(1.0),
        error_dn: (variance / n.max(1.0)).sqrt(),
        samples,
    }
}

/// What shows in both of two darks: pixel by pixel the lower of both, less `zero`. Particle hits, which
/// strike one frame, are gone; hot pixels stand out.
pub fn lower_of_both(a: &Plane, b: &Plane, zero: &Plane) -> Plane {
    let mut out = a.clone();
    let same = |p: &Plane| (p.width(), p.height()) == (a.width(), a.height());
    if same(b) && same(zero) {
        let others = b.data().iter().zip(zero.data());
        for (v, (b, z)) in out.data_mut().iter_mut().zip(others) {
            *v = v.min(*b) - z;
        }
    }
    out
}

/// Where the pixels of a frame pile up at the top of its range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pile {
    /// The level, DN above the file's black.
    pub level_dn: f64,
    /// Share of the pixels of this place that stand there.
    pub share: f64,
}

/// The highest level of one place and the share of pixels that have it: where much of a frame shares
/// its highest number, that is the sensor's saturation.
pub fn pile(frame: &Readout<'_>, place: usize) -> Pile {
    let whole = [0, 0, frame.plane.width(), frame.plane.height()];
    let (mut top, mut at, mut all) = (f32::MIN, 0usize, 0usize);
    for v in frame.values(place, whole) {
        all += 1;
        if v > top + 0.5 {
            (top, at) = (v, 1);
        } else if v > top - 0.5 {
            at += 1;
        }
    }
    Pile {
        level_dn: f64::from(top),
        share: at as f64 / all.max(1) as f64,
    }
}
