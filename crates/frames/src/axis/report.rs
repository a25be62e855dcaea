//! What the JSON of `axis` holds.

use nalgebra::{Matrix2, UnitVector3};
use nightloom_optics::polar::AxisError;
use nightloom_sky::{Angle, Instant, Site};
use nightloom_stars::axis::{AxisEvent, AxisMeasurement, AxisRate, FrameUse, PeriodicFit, Pole};
use serde::Serialize;

use super::correction::Correction;
use super::frames::{Gathered, Known};
use super::safe::Tolerance;
use super::words;

/// A direction over the horizon; no refraction in it: it is where the metal points.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AxisPlace {
    /// Above the astronomical horizon.
    pub altitude_deg: f64,
    /// From true north through east, 0 to 360.
    pub azimuth_deg: f64,
}

impl AxisPlace {
    /// Of a direction in the ground frame.
    pub fn of(direction: &UnitVector3<f64>) -> Self {
        let azimuth = Angle::from_rad(direction.x.atan2(direction.y));
        Self {
            altitude_deg: Angle::from_rad(direction.z.atan2(direction.x.hypot(direction.y))).deg(),
            azimuth_deg: azimuth.wrapped_360().deg(),
        }
    }
}

/// The axis against the refracted pole.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ErrorReport {
    /// Axis too high: positive.
    pub altitude_arcmin: f64,
    /// Axis east of the pole: positive; times the cosine of the altitude.
    pub azimuth_arcmin: f64,
    /// From pole to axis, along the sky.
    pub total_arcmin: f64,
    /// The same in degrees.
    pub total_deg: f64,
    /// Root mean square distance of the axis measured from where it really is; with two frames, what an unnoticed touch
    /// between them may have done is in it.
    pub sigma_arcmin: f64,
    /// The same in degrees.
    pub sigma_deg: f64,
    /// Standard deviation of the altitude alone.
    pub sigma_altitude_arcmin: f64,
    /// Standard deviation of the azimuth alone, along the sky.
    pub sigma_azimuth_arcmin: f64,
}

impl ErrorReport {
    /// An error with the covariance of its axis.
    pub fn new(error: &AxisError, covariance: &Matrix2<f64>) -> Self {
        let sigma = |variance: f64| Angle::from_rad(variance.max(0.0).sqrt()).arcmin();
        Self {
            altitude_arcmin: error.altitude.arcmin(),
            azimuth_arcmin: error.azimuth.arcmin(),
            total_arcmin: error.total.arcmin(),
            total_deg: error.total.deg(),
            sigma_arcmin: sigma(covariance.trace()),
            sigma_deg: sigma(covariance.trace()) / 60.0,
            sigma_altitude_arcmin: sigma(covariance[(0, 0)]),
            sigma_azimuth_arcmin: sigma(covariance[(1, 1)]),
        }
    }
}

/// The pole above the horizon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PoleReport {
    /// Where the air shows it: what the error is held against.
    pub refracted_altitude_deg: f64,
    /// Without air.
    pub altitude_deg: f64,
    /// 0 in the north, 180 in the south, about.
    pub azimuth_deg: f64,
    /// Whether it is the north pole.
    pub north: bool,
}

/// The rate, with its name in words.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RateReport {
    /// As measured.
    #[serde(flatten)]
    pub rate: AxisRate,
    /// What it comes to.
    pub told: &'static str,
}

/// What a frame came to.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FrameLine {
    /// File name.
    pub name: String,
    /// Middle of the exposure, UTC.
    pub middle: Instant,
    /// Stars of the catalogue in it.
    pub matched: usize,
    /// Its part.
    #[serde(flatten)]
    pub used: FrameUse,
}

/// A frame that could not serve.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LeftOutFrame {
    /// File name.
    pub name: String,
    /// Why.
    pub why: String,
}

/// What an axis was after an adjustment, from one frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct UpdatedAxis {
    /// File name.
    pub name: String,
    /// Middle of the exposure, UTC.
    pub middle: Instant,
    /// The axis then.
    pub axis: AxisPlace,
    /// Its error then.
    pub error: ErrorReport,
}

/// The two answers of one trailed frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TwoAnswers {
    /// The axis, if this is the one.
    pub axis: AxisPlace,
    /// Its error.
    pub error: ErrorReport,
    /// What to do then.
    pub advice: String,
}

/// The answer as JSON holds it.
#[derive(Clone, Debug, Default, Serialize)]
pub struct AxisReport {
    /// Where the axis points, from the latest frames.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub axis: Option<AxisPlace>,
    /// Against the refracted pole.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<ErrorReport>,
    /// What to do, in a sentence or two.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub advice: Option<String>,
    /// Why there is no axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub problem: Option<String>,
    /// Of one trailed frame: one of these is right.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub either: Vec<TwoAnswers>,
    /// The pole.
    pub pole: Option<PoleReport>,
    /// The same in movements.
    pub correction: Option<Correction>,
    /// What this lens and exposure forgive.
    pub tolerance: Option<Tolerance>,
    /// How fast the tracker turned.
    pub rate: Option<RateReport>,
    /// Whether a hand turned it between frames.
    pub by_hand: bool,
    /// The furthest that frames are apart about the axis.
    pub turned_deg: Option<f64>,
    /// The gear's periodic error.
    pub periodic_error: Option<PeriodicFit>,
    /// After each adjustment.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub updates: Vec<UpdatedAxis>,
    /// The error before the first adjustment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<ErrorReport>,
    /// What else happened between the frames.
    pub events: Vec<AxisEvent>,
    /// Frames used, or left out by the fit.
    pub frames: Vec<FrameLine>,
    /// Frames that could not serve.
    pub left_out: Vec<LeftOutFrame>,
    /// Stars' residuals, root mean square, pixels.
    pub rms_px: Option<f64>,
    /// Focal length in pixels.
    pub focal_px: Option<f64>,
    /// Where.
    pub site: Option<Site>,
    /// Whole sentences.
    pub notes: Vec<String>,
}

impl AxisReport {
    pub(super) fn begun(gathered: &Gathered) -> Self {
        Self {
            left_out: gathered
                .left_out
                .iter()
                .map(|(name, why)| LeftOutFrame {
                    name: name.clone(),
                    why: why.clone(),
                })
                .collect(),
            notes: gathered.notes.clone(),
            site: Some(gathered.site),
            ..Self::default()
        }
    }

    pub(super) fn pole(&mut self, pole: &Pole) {
        let (seen, true_) = (AxisPlace::of(&pole.refracted), AxisPlace::of(&pole.airless));
        self.pole = Some(PoleReport {
            refracted_altitude_deg: seen.altitude_deg,
            altitude_deg: true_.altitude_deg,
            azimuth_deg: seen.azimuth_deg,
            north: pole.north,
        });
    }

    pub(super) fn measured(&mut self, measured: &AxisMeasurement, known: &[Known], pole: &Pole) {
        self.frames = (known.iter().zip(&measured.frames))
            .map(|(k, used)| FrameLine {
                name: k.name.clone(),
                middle: k.middle(),
                matched: k.blind.found.matches.len(),
                used: *used,
            })
            .collect();
        self.rate = measured.rate.map(|rate| RateReport {
            rate,
            told: words::rate(rate.named),
        });
        self.by_hand = measured.by_hand;
        self.turned_deg = Some(measured.turned.deg());
        self.periodic_error = measured.periodic;
        self.events.clone_from(&measured.events);
        self.rms_px = Some(measured.rms_px);
        self.focal_px = Some(measured.lens.focal_px);
        let error = AxisError::of(&measured.axis, &pole.refracted);
        self.before = Some(ErrorReport::new(&error, &measured.covariance));
    }

    pub(super) fn update(
        &mut self,
        known: &Known,
        axis: &UnitVector3<f64>,
        covariance: &Matrix2<f64>,
        pole: &Pole,
    ) {
        let error = AxisError::of(axis, &pole.refracted);
        self.updates.push(UpdatedAxis {
            name: known.name.clone(),
            middle: known.middle(),
            axis: AxisPlace::of(axis),
            error: ErrorReport::new(&error, covariance),
        });
    }

    pub(super) fn axis(&mut self, axis: &UnitVector3<f64>, covariance: &Matrix2<f64>, error: &AxisError) {
        self.axis = Some(AxisPlace::of(axis));
        self.error = Some(ErrorReport::new(error, covariance));
        if self.updates.is_empty() {
            self.before = None;
        }
    }
}
