//! What a build says it did: the JSON of `nightloom build --json`, which stays stable.

use std::path::{Path, PathBuf};

use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

use nightloom_develop::LightReport;
use nightloom_journal::{StepCounts, entries_of};

/// Everything a build did, in the form printed by `--json`. Fields are added, never renamed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BuildReport {
    /// Every frame found, in path order.
    pub frames: Vec<FrameReport>,
    /// The stack of tracked frames; `None` without sky frames.
    pub sky: Option<SkyReport>,
    /// The stack of fixed frames.
    pub land: LandReport,
    /// How land and sky were joined.
    pub seam: SeamReport,
    /// The picture's pixel grid.
    pub canvas: CanvasReport,
    /// Where the results are.
    pub outputs: Outputs,
    /// Wall-clock time of this run.
    pub seconds: f64,
    /// Largest resident memory of the program so far, with its largest decoder child: an upper bound.
    pub peak_memory_mib: f64,
    /// Sentences the photographer should read: what was assumed, what could not be done.
    pub warnings: Vec<String>,
    /// Frames that failed for a reason that may pass (file away, decoder killed, no memory): the picture is not the one
    /// these frames make, and the next build tries again.
    #[serde(default)]
    pub incomplete: Vec<String>,
    /// The lens as the stars show it.
    pub lens: Option<LensReport>,
    /// How the colours were balanced by the stars; `None` where they are as the camera balanced them.
    pub colour: Option<ColourReport>,
    /// How the light was shown; `None` in reports of older builds.
    #[serde(default)]
    pub light: Option<LightReport>,
    /// Whether the files of the picture say where it was taken.
    #[serde(default)]
    pub site_shared: bool,
    /// How many steps were taken from the journal and how many were done.
    pub steps: StepCounts,
}

impl BuildReport {
    /// Width and height of the picture as it was written.
    pub fn picture_px(&self) -> [usize; 2] {
        let level = self.light.as_ref().and_then(|l| l.level_px);
        level.unwrap_or([self.canvas.width_px, self.canvas.height_px])
    }

    /// What the last finished build of an outing said.
    pub fn last(folder: &Path) -> Option<Self> {
        let mut pictures = entries_of(folder).filter(|e| e.step == "picture");
        pictures.find_map(|e| serde_json::from_value(e.data).ok())
    }

    /// The same report with its outputs in another folder.
    pub(super) fn in_folder(mut self, results: &Path) -> Self {
        let outputs = &mut self.outputs;
        let all = [
            &mut outputs.picture,
            &mut outputs.layers,
            &mut outputs.layer_pages,
            &mut outputs.layer_sky,
            &mut outputs.layer_stars,
            &mut outputs.layer_land,
            &mut outputs.preview,
            &mut outputs.report,
            &mut outputs.matte,
            &mut outputs.sky,
            &mut outputs.land,
            &mut outputs.coverage,
            &mut outputs.linear,
            &mut outputs.skyline,
        ];
        for path in all.into_iter().flatten() {
            if let Some(name) = path.file_name() {
                *path = results.join(name);
            }
        }
        self
    }
}

/// One frame and its verdict.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FrameReport {
    /// Path relative to the outing's folder.
    pub path: String,
    /// sky, land, dark, flat, bias, or unknown when it could not be read.
    pub role: String,
    /// Why it has this role.
    pub role_reason: String,
    /// Whether the picture rests on it.
    pub used: bool,
    /// Why it was used or left out, and in brackets what was done to it.
    pub reason: String,
    /// What was done to it before it was stacked: the masters applied, in words; none for frames that are not stacked.
    #[serde(default)]
    pub calibration: Option<String>,
    /// Stars measured; 0 for frames that have none.
    pub stars: usize,
    /// Median full width at half maximum of the stars.
    pub fwhm_px: Option<f64>,
    /// Median ratio of long to short axis.
    pub elongation: Option<f64>,
    /// Median sky level above black, in the file's numbers (ADU).
    pub background_e_or_adu: Option<f64>,
    /// Weight in the stack relative to the best frame.
    pub weight: Option<f64>,
    /// Registration residual of this frame.
    pub registration_rms_px: Option<f64>,
    /// Rotation from the reference frame's camera to this one's, row by row (x right, y down, z
    /// forward).
    pub rotation_from_reference: Option<[[f64; 3]; 3]>,
    /// Share of this frame's samples that were rejected.
    pub rejected_fraction: Option<f64>,
}

impl FrameReport {
    /// Why it was used or left out, without what was done to it.
    pub fn verdict(&self) -> &str {
        let done = self.calibration.as_ref().map(|c| format!(" ({c})"));
        done.and_then(|done| self.reason.strip_suffix(done.as_str()))
            .unwrap_or(&self.reason)
    }
}

/// The stack of tracked frames.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SkyReport {
    /// Frames in the stack.
    pub frames_used: usize,
    /// Root mean square distance of matched stars after registration, over the whole frame;
    /// `None` with a single frame.
    pub registration_rms_px: Option<f64>,
    /// Noise of the stack's background, green, in parts of the sensor's saturation.
    pub noise: f64,
    /// Share of samples rejected.
    pub rejected_fraction: f64,
    /// Stars identified in the catalogue; 0 when not identified.
    pub identified_stars: usize,
    /// Figures that would tell if something went wrong.
    #[serde(default)]
    pub figures: SkyFigures,
}

/// Figures of the sky stack that would tell if something went wrong.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SkyFigures {
    /// Tracked frames under the sky where they are fewest: the 1st percentile of what they cover.
    pub least_frames: f64,
    /// Noise of the stack per channel, camera colour, parts of saturation.
    pub noise: [f32; 3],
    /// The darkest green pixel within 3 px of bright stars that are not clipped, against their surroundings and in their
    /// noise; the median over stars. Of noise alone it is about −1.7. `None` where there are too few.
    pub ring_sigma: Option<f64>,
}

/// The stack of fixed frames.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LandReport {
    /// Frames in the stack.
    pub frames_used: usize,
    /// Largest shift of the tripod between land frames that was taken out.
    pub largest_shift_px: f64,
}

/// How land and sky were joined.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SeamReport {
    /// Mean of the matte: the share of the picture that is sky.
    pub sky_fraction: f64,
    /// Shift of the sky from where it stood at `instant`, as asked for.
    pub offset_px: [f64; 2],
    /// The moment at which the sky is shown.
    pub instant: Option<Instant>,
    /// Why that moment, in words.
    #[serde(default)]
    pub instant_reason: String,
    /// Seconds from the middle of the land exposures to the moment shown; negative before them.
    #[serde(default)]
    pub instant_from_land_s: Option<f64>,
    /// How the sky was placed over the land.
    pub placement: String,
    /// Residual of the land frames' stars against the sky stack.
    pub placement_rms_px: Option<f64>,
    /// Share of the picture's sky that no tracked frame saw, through twigs neither, and that was filled.
    pub filled_fraction: f64,
    /// Share of it that they saw through twigs alone: its stars and grain are measured, its level is that of the sky round it.
    #[serde(default)]
    pub veiled_fraction: f64,
    /// Factors on the land's red, green, blue that make its sky equal the sky stack's, beyond the
    /// ratio of the exposures.
    pub land_gain: [f32; 3],
    /// Mean luminance step across the join, sky side less land side, linear Rec. 2020 on the sky
    /// stack's scale, before balance, gradient and tone.
    pub luminance_step: Option<f64>,
    /// Degrees of azimuth over which the land's edge was measured, for `outputs.skyline`.
    #[serde(default)]
    pub skyline_deg: Option<f64>,
}

/// The picture's pixel grid.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CanvasReport {
    /// Width.
    pub width_px: usize,
    /// Height.
    pub height_px: usize,
    /// Where the first pixel of the land frame lies in the picture; negative where it is cropped away.
    pub land_origin_px: [i64; 2],
    /// The box `[left, top, right, bottom]` that was taken from the full canvas, pixels; right and bottom are the first
    /// left out.
    #[serde(default)]
    pub crop_px: [usize; 4],
    /// Width and height of the full canvas.
    #[serde(default)]
    pub full_px: [usize; 2],
}

/// Where the results are.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Outputs {
    /// The picture, 16-bit TIFF.
    pub picture: Option<PathBuf>,
    /// OpenRaster with land, sky and background model.
    pub layers: Option<PathBuf>,
    /// Sky and land as pages of one 16-bit TIFF, where asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer_pages: Option<PathBuf>,
    /// The sky as a layer of its own, 16-bit TIFF, where asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer_sky: Option<PathBuf>,
    /// The stars as a layer of their own, 16-bit TIFF, where asked for; `layer_sky` is without them then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer_stars: Option<PathBuf>,
    /// The land with its alpha, 16-bit TIFF, where asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layer_land: Option<PathBuf>,
    /// JPEG for a first look.
    pub preview: Option<PathBuf>,
    /// The record as a page.
    pub report: Option<PathBuf>,
    /// Matte, 16-bit TIFF, 0 land to 65535 sky.
    pub matte: Option<PathBuf>,
    /// Sky alone, 16-bit TIFF.
    pub sky: Option<PathBuf>,
    /// Land alone, 16-bit TIFF.
    pub land: Option<PathBuf>,
    /// The land's edge by azimuth as the frames show it, CSV.
    #[serde(default)]
    pub skyline: Option<PathBuf>,
    /// Number of tracked frames under each pixel, 16-bit TIFF.
    pub coverage: Option<PathBuf>,
    /// The sky stack, linear, FITS.
    pub linear: Option<PathBuf>,
}

/// The lens as the stars show it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensReport {
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Principal point.
    pub centre_px: [f64; 2],
    /// Radial distortion k₁, k₂, k₃ (Brown 1966).
    pub radial: [f64; 3],
    /// Image scale at the centre.
    pub scale_arcsec_per_px: f64,
}

/// A colour balance and what it rests on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ColourReport {
    /// Factors on red, green, blue.
    pub gains: [f32; 3],
    /// Stars it rests on.
    pub stars: usize,
    /// In words.
    pub basis: String,
}
