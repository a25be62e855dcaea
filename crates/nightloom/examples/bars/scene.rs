//! A build beside the truth of its night.

use std::path::{Path, PathBuf};

use nalgebra::{Matrix3, Rotation3};
use nightloom_optics::Lens;
use nightloom_pipeline::{BuildReport, FrameReport};
use nightloom_raster::colour::apply_matrix;
use nightloom_raster::{CameraColour, Limits, Plane, Rgb, decode_here};
use nightloom_simulate::{Truth, TruthFrame};

use crate::{Outcome, pixels, program};

/// A build beside the truth of its night.
pub(crate) struct Scene {
    pub(crate) report: BuildReport,
    pub(crate) truth: Truth,
    pub(crate) folder: PathBuf,
    pub(crate) colour: CameraColour,
    /// The sky stack, linear working colour, 1 at a tracked frame's saturation.
    pub(crate) linear: Rgb,
    /// Tracked frames under each pixel.
    pub(crate) coverage: Plane,
    pub(crate) reference: usize,
    /// Number of tracked frames in the stack.
    pub(crate) stacked: usize,
}

impl Scene {
    pub(crate) fn new(folder: &Path, report: BuildReport) -> Outcome<Self> {
        let identity = |r: &[[f64; 3]; 3]| (0..3).all(|i| (r[i][i] - 1.0).abs() < 1e-12);
        let reference = report
            .frames
            .iter()
            .position(|f| f.rotation_from_reference.as_ref().is_some_and(identity))
            .ok_or("no reference frame in the report")?;
        let first = decode_here(&folder.join(&report.frames[reference].path), &Limits::default())?;
        let coverage = report.outputs.coverage.as_deref().ok_or("no coverage")?;
        Ok(Self {
            truth: program::truth(folder)?,
            folder: folder.to_owned(),
            colour: first.colour,
            linear: pixels::linear(report.outputs.linear.as_deref())?,
            coverage: pixels::counts(coverage)?,
            reference,
            stacked: report.sky.as_ref().map_or(0, |s| s.frames_used),
            report,
        })
    }

    pub(crate) fn of(&self, path: &str) -> Option<&TruthFrame> {
        self.truth.frames.iter().find(|f| f.path == path)
    }

    /// The tracked frames in the stack, and what is true of them.
    pub(crate) fn used(&self) -> impl Iterator<Item = (&FrameReport, &TruthFrame)> {
        let sky = self.report.frames.iter().filter(|f| f.used && f.role == "sky");
        sky.filter_map(|f| Some((f, self.of(&f.path)?)))
    }

    pub(crate) fn reference_truth(&self) -> &TruthFrame {
        self.of(&self.report.frames[self.reference].path)
            .expect("the reference is in the truth")
    }

    /// Where the sky seen at a pixel of a frame stands in the picture by the truth, refraction taken
    /// off at the frame's middle and laid on again at the picture's instant.
    pub(crate) fn in_picture(&self, frame: &TruthFrame, at: [f64; 2]) -> Option<[f64; 2]> {
        let (site, air) = (&self.truth.scenario.site, &self.truth.scenario.air);
        let middle = frame.start.plus_seconds(frame.exposure.seconds / 2.0);
        let seen = self.truth.lens.unproject(at)?.into_inner();
        let turned = site.ground_from_icrs(middle);
        let ground = turned * (rotation(&frame.attitude[1]).inverse() * seen);
        let star = turned.inverse() * air.lower(&ground);
        let then = site.ground_from_icrs(self.truth.default_instant);
        let camera = rotation(&self.truth.picture_attitude) * then.inverse();
        let [x, y] = self.truth.lens.project(&(camera * air.lift(&(then * star))))?;
        let [ox, oy] = self.report.canvas.land_origin_px;
        Some([x + ox as f64, y + oy as f64])
    }

    /// The other way: where a frame saw what stands at a pixel of the picture.
    pub(crate) fn in_frame(&self, frame: &TruthFrame, at: [f64; 2]) -> Option<[f64; 2]> {
        let (site, air) = (&self.truth.scenario.site, &self.truth.scenario.air);
        let seen = self.truth.lens.unproject(self.land_pixel(at))?.into_inner();
        let then = site.ground_from_icrs(self.truth.default_instant);
        let ground = then * (rotation(&self.truth.picture_attitude).inverse() * seen);
        let star = then.inverse() * air.lower(&ground);
        let turned = site.ground_from_icrs(frame.start.plus_seconds(frame.exposure.seconds / 2.0));
        let apparent = air.lift(&(turned * star));
        let camera = rotation(&frame.attitude[1]) * turned.inverse();
        self.truth.lens.project(&(camera * apparent))
    }

    /// The pixel of the land frame under one of the picture.
    pub(crate) fn land_pixel(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [ox, oy] = self.report.canvas.land_origin_px;
        [x - ox as f64, y - oy as f64]
    }

    /// Solid angle of a pixel of the picture over that of a pixel on the axis.
    pub(crate) fn solid_angle(&self, at: [f64; 2]) -> Option<f64> {
        solid_angle(&self.truth.lens, self.land_pixel(at))
    }

    /// A picture of the truth's sky in camera colours, 1 at a tracked frame's saturation.
    pub(crate) fn truth_picture(&self, name: &str) -> Outcome<Rgb> {
        let mut sky = pixels::colour(&self.folder.join("truth").join(name))?;
        let truth = &self.truth;
        let exposures = truth.scenario.sky_exposure.seconds / truth.picture_seconds;
        let scale = (truth.picture_unit_e / truth.sensor.sky_saturation_e * exposures) as f32;
        for plane in sky.planes_mut() {
            plane.data_mut().iter_mut().for_each(|v| *v *= scale);
        }
        Ok(sky)
    }

    /// A picture in working colour made camera red, green and blue again.
    pub(crate) fn to_camera(&self, mut picture: Rgb) -> Outcome<Rgb> {
        let (to, balance) = (&self.colour.to_working, &self.colour.white_balance);
        let forth = Matrix3::from_fn(|i, j| to[i][j] * balance[j]);
        let back = forth.try_inverse().ok_or("the camera's matrix has no inverse")?;
        let rows = std::array::from_fn(|i| std::array::from_fn(|j| back[(i, j)]));
        apply_matrix(&mut picture, &rows);
        Ok(picture)
    }
}

/// Solid angle that a pixel sees over that on the axis.
pub(crate) fn solid_angle(lens: &Lens, [x, y]: [f64; 2]) -> Option<f64> {
    let looks = |x: f64, y: f64| Some(lens.unproject([x, y])?.into_inner());
    let across = looks(x + 0.5, y)? - looks(x - 0.5, y)?;
    let down = looks(x, y + 0.5)? - looks(x, y - 0.5)?;
    Some(across.cross(&down).norm() * lens.focal_px.powi(2))
}

pub(crate) fn rotation(rows: &[[f64; 3]; 3]) -> Rotation3<f64> {
    Rotation3::from_matrix_unchecked(Matrix3::from_fn(|i, j| rows[i][j]))
}
