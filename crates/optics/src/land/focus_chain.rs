//! Focus brackets: a chain of focus distances whose sharp ranges join.

use super::depth::{Depth, hyperfocal_m, limits};
use crate::field::{FieldError, Range, check};

/// More than so many frames are not planned: nobody takes them at night (common practice, no source).
pub const FOCUS_STEPS: usize = 40;

/// The focus distances, farthest first, whose sharp ranges cover `nearest_m` to infinity without a
/// gap; each range reaches by `overlap` (a share of its near limit, 0 for none) into the one before,
/// because focus is set by hand. The first is focused at the hyperfocal distance.
///
/// The far limit of a step must be the near limit n of the one before: s = nH/(H−f+n). The chain ends
/// after [`FOCUS_STEPS`], short of the nearest distance if need be: the last step's near limit tells.
///
/// # Errors
/// See [`hyperfocal_m`]; a nearest distance not beyond twice the focal length; an overlap outside 0
/// to 1.
pub fn focus_chain(
    nearest_m: f64,
    focal_mm: f64,
    f_number: f64,
    confusion_mm: f64,
    overlap: f64,
) -> Result<Vec<Depth>, FieldError> {
    let hyperfocal = hyperfocal_m(focal_mm, f_number, confusion_mm)?;
    let focal = focal_mm * 1e-3;
    let beyond = "the nearest distance beyond twice the focal length in m";
    check(beyond, nearest_m - 2.0 * focal, Range::Positive, "1.5")?;
    check("the overlap as a share", overlap, Range::NotNegative, "0.1")?;
    check("the rest beside the overlap", 1.0 - overlap, Range::Share, "0.9")?;
    let mut steps = vec![limits(hyperfocal, hyperfocal, focal)];
    while let Some(last) = steps.last()
        && last.near_m > nearest_m * (1.0 + 1e-12)
        && steps.len() < FOCUS_STEPS
    {
        let far = last.near_m * (1.0 + overlap);
        let focus = far * hyperfocal / (hyperfocal - focal + far);
        steps.push(limits(focus, hyperfocal, focal));
    }
    Ok(steps)
}
