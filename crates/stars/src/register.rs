//! One lens and one rotation per frame from the stars of all frames.

use nalgebra::Rotation3;
use nightloom_optics::Lens;

use crate::{Field, MatchSettings};

/// How frames are registered.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RegisterSettings {
    /// How fields are matched.
    pub matching: MatchSettings,
    /// How far the guessed focal length may be off (one standard deviation), as a part of it.
    pub focal_sigma: f64,
    /// Stars needed for a frame to count as registered.
    pub min_stars: usize,
    /// Residuals kept for the report, at most.
    pub max_residuals: usize,
}

impl Default for RegisterSettings {
    fn default() -> Self {
        Self {
            matching: MatchSettings::default(),
            focal_sigma: 0.03,
            min_stars: 8,
            max_residuals: 4000,
        }
    }
}

/// Where one frame looked.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameRegistration {
    /// Rotation from the reference camera frame to this frame's; `None` where the frame could not
    /// be registered.
    pub rotation: Option<Rotation3<f64>>,
    /// Root mean square residual of the frame's stars, pixels.
    pub rms_px: f64,
    /// Stars the registration rests on.
    pub matched: usize,
    /// Median flux of the frame's stars over that of the same stars in the reference.
    pub flux_ratio: Option<f32>,
    /// Why the frame could not be registered.
    pub reason: Option<String>,
}

/// One residual: seen minus computed, pixels.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Residual {
    /// Index of the frame.
    pub frame: usize,
    /// Where the star was seen.
    pub x: f32,
    /// Where the star was seen.
    pub y: f32,
    /// Seen minus computed.
    pub dx: f32,
    /// Seen minus computed.
    pub dy: f32,
}

/// A registered set.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Registration {
    /// The lens all frames share.
    pub lens: Lens,
    /// Index of the reference frame.
    pub reference: usize,
    /// One entry for each field given, in order.
    pub frames: Vec<FrameRegistration>,
    /// Root mean square residual over all frames, pixels.
    pub rms_px: f64,
    /// A sample of the residuals.
    pub residuals: Vec<Residual>,
}

impl Registration {
    /// Where the sky seen at `pixel` of the reference frame stands in frame `frame`.
    ///
    /// `None` where the frame is not registered or the lens does not reach.
    pub fn map(&self, frame: usize, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let rotation = self.frames.get(frame)?.rotation?;
        self.lens
            .project(&(rotation * self.lens.unproject(pixel)?.into_inner()))
    }
}

/// Registers frames to one of them (`reference`, or the best one near the middle of the set).
///
/// `guess` is the lens as far as known: focal length from EXIF, no distortion.
pub fn register(
    fields: &[&Field],
    reference: Option<usize>,
    guess: &Lens,
    settings: &RegisterSettings,
) -> Registration {
    let _ = settings;
    let frames = fields
        .iter()
        .map(|_| FrameRegistration {
            rotation: None,
            rms_px: 0.0,
            matched: 0,
            flux_ratio: None,
            reason: Some("not registered yet".into()),
        })
        .collect();
    Registration {
        lens: *guess,
        reference: reference.unwrap_or(0),
        frames,
        rms_px: 0.0,
        residuals: Vec::new(),
    }
}
