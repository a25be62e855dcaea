//! The stars of one frame.

use std::path::Path;

use nightloom_raster::Pixels;
pub use nightloom_stars::StreakKind;
use nightloom_stars::{DetectSettings, Field, Streak, measure_green};

use super::{SingleError, decoded, measured};
use nightloom_outing::World;

/// A star of a [`StarsReport`]: pixels, x right, y down, the centre of the first pixel (0, 0).
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct StarReport {
    /// Centre.
    pub x_px: f64,
    /// Centre.
    pub y_px: f64,
    /// Sum above the background, units of saturation.
    pub flux: f32,
    /// Full width at half maximum.
    pub fwhm_px: f32,
    /// Long over short axis.
    pub elongation: f32,
    /// Direction of the long axis from +x (right) towards +y (down), −90° to 90°.
    pub angle_deg: f64,
    /// Signal over noise of the detection.
    pub snr: f32,
    /// Whether pixels of it were saturated.
    pub saturated: bool,
}

/// A streak of a [`StarsReport`].
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct StreakReport {
    /// One end: x and y, pixels.
    pub from_px: [f64; 2],
    /// The other end.
    pub to_px: [f64; 2],
    /// Full width at half maximum across.
    pub width_px: f32,
    /// Signal over noise of its brightest place.
    pub snr: f32,
    /// What it most likely is.
    pub kind: StreakKind,
    /// Part of the light's variation along it that one period explains, 0 to 1.
    pub beat: f32,
    /// Part of its length that is dark.
    pub dark: f32,
    /// Light of its ends over that of its middle.
    pub ends: f32,
    /// Whether both ends are within the frame.
    pub within: bool,
}

/// What one frame tells of its stars.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct StarsReport {
    /// Brightest first.
    pub stars: Vec<StarReport>,
    /// Median level of the sky, units of saturation.
    pub background: f32,
    /// Median noise of one pixel of sky, standard deviation, units of saturation.
    pub noise: f32,
    /// Streaks of satellites, aircraft and meteors over the sky.
    pub streaks: Vec<StreakReport>,
    /// Part of the frame that is land.
    pub land_fraction: f64,
    /// Median full width at half maximum, pixels; 0 without stars.
    pub fwhm_px: f32,
    /// Median elongation; 1 without stars.
    pub elongation: f32,
    /// Width and height.
    pub size_px: [usize; 2],
    /// Time of the measuring, the decoding left out.
    pub seconds: f64,
}

/// Measures the stars of one frame.
///
/// # Errors
/// [`SingleError::Unreadable`].
pub fn frame_stars(path: &Path, world: &dyn World) -> Result<StarsReport, SingleError> {
    look(path, world, false)
}

/// Measures the stars of one frame in the green pixels of its mosaic alone, where it has one; else as
/// [`frame_stars`].
///
/// # Errors
/// [`SingleError::Unreadable`].
pub fn frame_stars_in_green(path: &Path, world: &dyn World) -> Result<StarsReport, SingleError> {
    look(path, world, true)
}

fn look(path: &Path, world: &dyn World, in_green: bool) -> Result<StarsReport, SingleError> {
    let frame = decoded(path, world)?;
    let start = world.seconds();
    let settings = DetectSettings::default();
    let field = match &frame.pixels {
        Pixels::Mosaic(mosaic) if in_green => measure_green(mosaic, &settings),
        other => measured(&other.brightness(), other, &settings),
    };
    Ok(report(&field, world.seconds() - start))
}

fn report(field: &Field, seconds: f64) -> StarsReport {
    StarsReport {
        stars: field
            .stars
            .iter()
            .map(|s| StarReport {
                x_px: s.x,
                y_px: s.y,
                flux: s.flux,
                fwhm_px: s.fwhm_px,
                elongation: s.elongation,
                angle_deg: s.angle.deg(),
                snr: s.snr,
                saturated: s.saturated,
            })
            .collect(),
        background: field.background,
        noise: field.noise,
        streaks: field.streaks.iter().map(streak).collect(),
        land_fraction: 1.0 - field.land.sky_fraction(),
        fwhm_px: field.fwhm_px,
        elongation: field.elongation,
        size_px: [field.width, field.height],
        seconds,
    }
}

fn streak(s: &Streak) -> StreakReport {
    StreakReport {
        from_px: s.from,
        to_px: s.to,
        width_px: s.width_px,
        snr: s.snr,
        kind: s.kind,
        beat: s.beat,
        dark: s.dark,
        ends: s.ends,
        within: s.within,
    }
}
