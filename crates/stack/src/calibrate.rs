//! Dark, flat and hot pixels applied to a mosaic.

use std::sync::Arc;

use nightloom_raster::{Cfa, Mosaic, Plane};
use rayon::prelude::*;

use crate::error::CalibrationError;
use crate::hot::HotPixels;

/// A flat below this is dust no division can repair, or not lit: the pixel is left undivided
/// (common practice, no source).
const SMALLEST_FLAT: f32 = 0.05;

/// A master dark and what it counts.
#[derive(Clone, Debug, PartialEq)]
pub struct Dark {
    /// The values, black subtracted, 1 at saturation.
    pub plane: Arc<Plane>,
    /// Factor on what it has over the bias (over nought without one): 1 for a dark of the frames' own exposure,
    /// else the ratio of the exposures, or what [`WarmPixels`](crate::WarmPixels) measure.
    pub scale: f32,
}

/// Pixels worked on together.
const TOGETHER: usize = 1 << 16;

/// Everything known of a camera at one setting; cheap to clone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// Master bias.
    pub bias: Option<Arc<Plane>>,
    /// Master dark.
    pub dark: Option<Dark>,
    /// Master flat, mean 1 per filter (see [`flat_from_master`](crate::flat_from_master)).
    pub flat: Option<Arc<Plane>>,
    /// Pixels to be repaired.
    pub hot: HotPixels,
}

/// What was done to a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CalibrationReport {
    /// Hot and dead pixels repaired.
    pub repaired: usize,
    /// Pixels not divided because the flat is too small there.
    pub undivided: usize,
}

/// Subtracts bias and scaled dark, divides by the flat and repairs hot pixels from their
/// neighbours of the same colour: frame − bias − scale · (dark − bias), over the flat.
///
/// # Errors
/// A master that is not of the frame's size; the frame is then unchanged.
pub fn calibrate(
    frame: &mut Mosaic,
    calibration: &Calibration,
) -> Result<CalibrationReport, CalibrationError> {
    check_sizes(frame, calibration)?;
    let mut report = CalibrationReport::default();
    subtract(frame, calibration);
    if let Some(flat) = &calibration.flat {
        report.undivided = divide(&mut frame.plane, flat);
    }
    report.repaired = repair(frame, &calibration.hot);
    Ok(report)
}

fn check_sizes(frame: &Mosaic, calibration: &Calibration) -> Result<(), CalibrationError> {
    let size = |p: &Plane| (p.width(), p.height());
    let expected = size(&frame.plane);
    let masters = [
        ("bias", calibration.bias.as_deref()),
        ("dark", calibration.dark.as_ref().map(|d| &*d.plane)),
        ("flat", calibration.flat.as_deref()),
    ];
    for (which, plane) in masters {
        if let Some(got) = plane.map(size).filter(|got| *got != expected) {
            return Err(CalibrationError::Size { which, expected, got });
        }
    }
    Ok(())
}

fn subtract(frame: &mut Mosaic, calibration: &Calibration) {
    let out = frame.plane.data_mut();
    let dark = calibration.dark.as_ref().map(|d| (d.plane.data(), d.scale));
    let bias = calibration.bias.as_ref().map(|b| b.data());
    if dark.is_none() && bias.is_none() {
        return;
    }
    out.par_chunks_mut(TOGETHER).enumerate().for_each(|(k, out)| {
        let own = k * TOGETHER..k * TOGETHER + out.len();
        let dark = dark.map(|(dark, scale)| (&dark[own.clone()], scale));
        let bias = bias.map(|bias| &bias[own]);
        match (dark, bias) {
            (None, None) => {}
            (None, Some(bias)) => out.iter_mut().zip(bias).for_each(|(v, b)| *v -= b),
            (Some((dark, scale)), None) => out.iter_mut().zip(dark).for_each(|(v, d)| *v -= scale * d),
            (Some((dark, scale)), Some(bias)) => out
                .iter_mut()
                .zip(dark.iter().zip(bias))
                .for_each(|(v, (d, b))| *v -= b + scale * (d - b)),
        }
    });
}

fn divide(plane: &mut Plane, flat: &Plane) -> usize {
    let width = plane.width().max(1);
    let rows = plane
        .data_mut()
        .par_chunks_mut(width)
        .zip(flat.data().par_chunks(width));
    rows.map(|(row, flat)| {
        let mut undivided = 0;
        for (v, f) in row.iter_mut().zip(flat) {
            if *f > SMALLEST_FLAT {
                *v /= f;
            } else {
                undivided += 1;
            }
        }
        undivided
    })
    .sum()
}

/// Replaces each hot pixel by the median of the sound neighbours of its colour; they are taken
/// from the frame before any repair.
fn repair(frame: &mut Mosaic, hot: &HotPixels) -> usize {
    let Mosaic { plane, cfa } = frame;
    let (w, h) = (plane.width(), plane.height());
    let inside = hot
        .places
        .iter()
        .filter(|p| (p[0] as usize) < w && (p[1] as usize) < h);
    let replacements: Vec<([u32; 2], f32)> = inside
        .filter_map(|p| Some((*p, neighbours_median(plane, *cfa, hot, *p)?)))
        .collect();
    for (p, v) in &replacements {
        *plane.at_mut(p[0] as usize, p[1] as usize) = *v;
    }
    replacements.len()
}

fn neighbours_median(plane: &Plane, cfa: Cfa, hot: &HotPixels, p: [u32; 2]) -> Option<f32> {
    let (x, y) = (p[0] as usize, p[1] as usize);
    let colour = cfa.colour(x, y);
    let (mut near, mut n) = ([0.0; 25], 0);
    // Nearest ring first; a cluster of hot pixels makes the search go one ring farther.
    for reach in [2usize, 4] {
        for ny in y.saturating_sub(reach)..(y + reach + 1).min(plane.height()) {
            for nx in x.saturating_sub(reach)..(x + reach + 1).min(plane.width()) {
                let fits = cfa.colour(nx, ny) == colour && !hot.contains(nx, ny) && n < near.len();
                if fits && (nx, ny) != (x, y) {
                    near[n] = plane.at(nx, ny);
                    n += 1;
                }
            }
        }
        if n >= 3 {
            break;
        }
        if reach == 2 {
            n = 0;
        }
    }
    near[..n].sort_unstable_by(f32::total_cmp);
    (n > 0).then(|| 0.5 * (near[(n - 1) / 2] + near[n / 2]))
}
