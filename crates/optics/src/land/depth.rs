//! Depth of field of a thin lens.
//!
//! Distances from the lens. A point at distance s' is drawn as a disk of diameter
//! c = f²·|s'−s|/(N·s'·(s−f)) when the lens is focused at s; solving for c = the circle of confusion
//! gives the formulas below (e.g. Ray 2002, *Applied Photographic Optics*, ch. 22).

use crate::field::{FieldError, Range, check};

/// Pixels that a point may be wide and still count as sharp beside stars.
const SHARP_PX: f64 = 2.0;
/// Wavelength for the Airy disk, µm: green.
const GREEN_UM: f64 = 0.55;

/// The circle of confusion for star-sharp work, two pixels, in mm.
///
/// # Errors
/// A pitch that is not above zero.
pub fn circle_of_confusion_mm(pitch_um: f64) -> Result<f64, FieldError> {
    check("the pixel pitch in µm", pitch_um, Range::Positive, "5.95")?;
    Ok(SHARP_PX * pitch_um * 1e-3)
}

/// The distance in metres to focus at so that everything from half of it to infinity is sharp:
/// H = f²/(N·c) + f.
///
/// # Errors
/// A focal length, f-number or circle of confusion that is not above zero.
///
/// ```
/// use nightloom_optics::land::hyperfocal_m;
/// assert!((hyperfocal_m(24.0, 2.8, 0.030)? - 6.88).abs() < 0.005);
/// # Ok::<(), nightloom_optics::FieldError>(())
/// ```
pub fn hyperfocal_m(focal_mm: f64, f_number: f64, confusion_mm: f64) -> Result<f64, FieldError> {
    check("the focal length in mm", focal_mm, Range::Positive, "24")?;
    check("the f-number", f_number, Range::Positive, "2.8")?;
    check(
        "the circle of confusion in mm",
        confusion_mm,
        Range::Positive,
        "0.012",
    )?;
    Ok((focal_mm * focal_mm / (f_number * confusion_mm) + focal_mm) * 1e-3)
}

/// What is sharp.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Depth {
    /// Distance focused at, metres.
    pub focus_m: f64,
    /// Nearest sharp distance, metres.
    pub near_m: f64,
    /// Farthest sharp distance, metres; `None` is infinity.
    pub far_m: Option<f64>,
}

/// Near and far limit of sharpness when focused at `focus_m`:
/// near s(H−f)/(H+s−2f), far s(H−f)/(H−s), infinite from s = H on.
///
/// # Errors
/// See [`hyperfocal_m`]; a focus distance not beyond the focal length.
pub fn depth(focus_m: f64, focal_mm: f64, f_number: f64, confusion_mm: f64) -> Result<Depth, FieldError> {
    let hyperfocal = hyperfocal_m(focal_mm, f_number, confusion_mm)?;
    let focal = focal_mm * 1e-3;
    check(
        "the focus distance beyond the focal length in m",
        focus_m - focal,
        Range::Positive,
        "3",
    )?;
    Ok(limits(focus_m, hyperfocal, focal))
}

/// The same from hyperfocal distance and focal length, all in metres.
pub(super) fn limits(focus_m: f64, hyperfocal_m: f64, focal_m: f64) -> Depth {
    let (s, h, f) = (focus_m, hyperfocal_m, focal_m);
    // The hyperfocal distance itself may be a rounding below its own.
    let beyond = s >= h * (1.0 - 1e-12);
    Depth {
        focus_m: s,
        near_m: s * (h - f) / (h + s - 2.0 * f),
        far_m: (!beyond).then(|| s * (h - f) / (h - s)),
    }
}

/// The disk that diffraction makes of a point.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Airy {
    /// Diameter of the first dark ring, 2.44 λN at 0.55 µm, in µm.
    pub diameter_um: f64,
    /// The same in pixels.
    pub diameter_px: f64,
    /// Whether it is wider than the two pixels that count as sharp: stopping down further costs
    /// more sharpness than it gives.
    pub limits: bool,
}

/// The Airy disk (Born & Wolf, *Principles of Optics*, 8.5.2: first zero at 1.22 λN from the centre).
///
/// # Errors
/// An f-number or a pitch that is not above zero.
pub fn airy(f_number: f64, pitch_um: f64) -> Result<Airy, FieldError> {
    check("the f-number", f_number, Range::Positive, "8")?;
    check("the pixel pitch in µm", pitch_um, Range::Positive, "5.95")?;
    let diameter_um = 2.0 * 1.219_67 * GREEN_UM * f_number;
    let diameter_px = diameter_um / pitch_um;
    Ok(Airy {
        diameter_um,
        diameter_px,
        limits: diameter_px > SHARP_PX,
    })
}
