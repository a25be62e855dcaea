//! Where to focus, all in one answer.

use super::depth::{Airy, Depth, airy, circle_of_confusion_mm, depth, hyperfocal_m};
use super::focus_chain::focus_chain;
use crate::field::FieldError;

/// What is asked.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FocusQuestion {
    /// Focal length, mm.
    pub focal_mm: f64,
    /// Relative aperture N.
    pub f_number: f64,
    /// Distance between pixels' centres, micrometres; two of them count as sharp.
    pub pitch_um: f64,
    /// The nearest thing that is to be sharp, metres; `None` for no brackets.
    pub nearest_m: Option<f64>,
    /// See [`focus_chain`].
    pub overlap: f64,
}

/// Where to focus, and what is sharp then.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FocusPlan {
    /// Circle of confusion, µm.
    pub confusion_um: f64,
    /// Hyperfocal distance, metres.
    pub hyperfocal_m: f64,
    /// What is sharp when focused there.
    pub at_hyperfocal: Depth,
    /// What diffraction does at this aperture.
    pub diffraction: Airy,
    /// Focus brackets, farthest first; empty where no nearest distance was asked for.
    pub brackets: Vec<Depth>,
    /// Whether the brackets reach the nearest distance.
    pub reached: bool,
}

/// Hyperfocal distance, depth, diffraction and, where a nearest distance is asked for, brackets.
///
/// # Errors
/// See [`focus_chain`].
pub fn focus_plan(question: &FocusQuestion) -> Result<FocusPlan, FieldError> {
    let FocusQuestion {
        focal_mm,
        f_number,
        pitch_um,
        nearest_m,
        overlap,
    } = *question;
    let confusion_mm = circle_of_confusion_mm(pitch_um)?;
    let hyperfocal = hyperfocal_m(focal_mm, f_number, confusion_mm)?;
    let chain = |nearest| focus_chain(nearest, focal_mm, f_number, confusion_mm, overlap);
    let brackets = nearest_m.map(chain).transpose()?.unwrap_or_default();
    let short = |b: &Depth| nearest_m.is_some_and(|n| b.near_m > n * (1.0 + 1e-9));
    Ok(FocusPlan {
        confusion_um: confusion_mm * 1e3,
        hyperfocal_m: hyperfocal,
        at_hyperfocal: depth(hyperfocal, focal_mm, f_number, confusion_mm)?,
        diffraction: airy(f_number, pitch_um)?,
        reached: !brackets.last().is_some_and(short),
        brackets,
    })
}
