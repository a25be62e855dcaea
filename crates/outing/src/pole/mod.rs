//! Before any frame: aiming the axis by eye, and what that is worth for this lens and exposure.

mod cost;
mod sight;
mod words;

use nightloom_optics::{Camera, FieldError, SIDEREAL_ARCSEC_PER_S};
use nightloom_sky::{Angle, HopStar, Observer, PoleHop, hop_star, pole_hops, pole_star};
use serde::Serialize;

pub use cost::{allowed_error, drift_px};
pub use sight::{Sight, sight};
pub use words::{BEAM_FREE, CAUTIONS, Hint, clock_time_words, clock_words, hints};

/// Width of a finger at arm's length, degrees (1.5° to 2°: common practice, no source).
pub(crate) const FINGER_DEG: f64 = 1.75;
/// Width of a usual beam: a milliradian, degrees.
pub(crate) const BEAM_DEG: f64 = 0.057_3;
/// Stars of the figure round the south pole: σ, χ, τ and υ Octantis.
const OCTANS: [(u32, &str); 4] = [(104_382, "σ"), (92_824, "χ"), (115_836, "τ"), (111_196, "υ")];
/// Hops told.
const HOPS: usize = 3;

/// What is asked beside place and time.
#[derive(Clone, Copy, Debug)]
pub struct PoleAsk {
    /// The lens and the exposure, if known.
    pub shot: Option<(Camera, f64)>,
    /// Longest trail that is still a point, pixels.
    pub tolerance_px: f64,
    /// Width of the sight, if it is known.
    pub sight: Option<Angle>,
}

/// What aiming at the star itself costs, and what must be reached.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PoleCost {
    /// The exposure.
    pub exposure_s: f64,
    /// Drift in the middle of the picture with the axis straight at the star, in the worst place of the sky.
    pub straight_px: f64,
    /// Axis error that the exposure allows there.
    pub needed_arcmin: f64,
    /// Whether aiming straight at the star is enough.
    pub straight_is_enough: bool,
}

/// How far to offset, in widths of what is at hand.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PoleWidths {
    /// Width of the sight.
    pub sight_deg: Option<f64>,
    /// Star from the pole in widths of the sight.
    pub sight_widths: Option<f64>,
    /// In fingers at arm's length.
    pub finger_widths: f64,
    /// In widths of a beam of one milliradian.
    pub beam_widths: f64,
    /// Clock angle of the star seen from the pole, as the air shows it.
    pub star_clock_deg: f64,
    /// Clock angle of the pole seen from the star: where to go on from it.
    pub pole_clock_deg: f64,
}

/// A star of a figure, for the JSON.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FigureStar {
    /// Its name.
    pub name: String,
    /// Its number in the Hipparcos catalogue.
    pub hip: u32,
    /// V magnitude.
    pub v_mag: f32,
    /// As seen.
    pub altitude_deg: f64,
    /// From north through east.
    pub azimuth_deg: f64,
    /// From the pole.
    pub separation_deg: f64,
    /// About the pole: 0 up, clockwise.
    pub clock_deg: f64,
}

/// A hop, for the JSON.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HopLine {
    /// Where it begins.
    pub from: FigureStar,
    /// What it goes through.
    pub through: FigureStar,
    /// On by so many times their distance.
    pub times: f64,
    /// How far from the pole it passes.
    pub passes_deg: f64,
}

/// All that helps before the first frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PolePlan {
    /// A way without a beam, offered first.
    pub beam_free: &'static str,
    /// To be heeded where a beam is used all the same.
    pub cautions: &'static [&'static str],
    /// Offsets.
    pub widths: PoleWidths,
    /// How far the star stands from the pole as seen through the air, arcminutes.
    pub separation_arcmin: f64,
    /// What stands in the way of this plan: a pole low over the ground, or the sun up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mind: Option<String>,
    /// For the lens and the exposure.
    pub cost: Option<PoleCost>,
    /// Lines through bright stars to the pole, now.
    pub hops: Vec<HopLine>,
    /// In the south the figure of faint stars round the pole.
    pub figure: Vec<FigureStar>,
}

impl From<&HopStar> for FigureStar {
    fn from(star: &HopStar) -> Self {
        Self {
            name: star.name.clone(),
            hip: star.hip,
            v_mag: star.v_mag,
            altitude_deg: star.altitude.deg(),
            azimuth_deg: star.azimuth.deg(),
            separation_deg: star.offset.separation.deg(),
            clock_deg: star.offset.clock_angle.deg(),
        }
    }
}

impl From<&PoleHop> for HopLine {
    fn from(hop: &PoleHop) -> Self {
        Self {
            from: (&hop.from).into(),
            through: (&hop.through).into(),
            times: hop.times,
            passes_deg: hop.passes.deg(),
        }
    }
}

/// Puts everything together.
///
/// # Errors
/// Exposure or tolerance not above zero.
pub fn pole_plan(observer: &Observer, ask: &PoleAsk) -> Result<PolePlan, FieldError> {
    let (_, view) = pole_star(observer);
    let separation = view.refracted.separation;
    let widths = PoleWidths {
        sight_deg: ask.sight.map(|s| s.deg()),
        sight_widths: ask.sight.map(|s| separation.deg() / s.deg()),
        finger_widths: separation.deg() / FINGER_DEG,
        beam_widths: separation.deg() / BEAM_DEG,
        star_clock_deg: view.refracted.clock_angle.deg(),
        pole_clock_deg: (view.refracted.clock_angle.deg() + 180.0).rem_euclid(360.0),
    };
    let cost = match &ask.shot {
        Some((camera, seconds)) => Some(cost::cost(camera, *seconds, ask.tolerance_px, separation)?),
        None => None,
    };
    let south = observer.site().latitude.rad() < 0.0;
    Ok(PolePlan {
        beam_free: BEAM_FREE,
        cautions: &CAUTIONS,
        widths,
        separation_arcmin: separation.arcmin(),
        mind: words::mind(observer),
        cost,
        hops: pole_hops(observer, HOPS).iter().map(HopLine::from).collect(),
        figure: OCTANS
            .iter()
            .filter(|_| south)
            .filter_map(|(hip, letter)| Some((hop_star(observer, *hip)?, letter)))
            .map(|(star, letter)| FigureStar {
                name: format!("{letter} Octantis"),
                ..FigureStar::from(&star)
            })
            .collect(),
    })
}

/// The sky's rate, for the costs.
const RATE: f64 = SIDEREAL_ARCSEC_PER_S;
