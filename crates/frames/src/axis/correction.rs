//! The correction in movements: degrees of the base, turns of its knobs, and the star on the rear screen.

use nalgebra::{Rotation3, UnitVector3};
use nightloom_optics::polar::{KnobTurns, ScreenShift, screen_shift};
use serde::Serialize;

use super::AxisAsk;
use super::safe::{Stance, Tolerance};
use super::words;

/// What to move.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Correction {
    /// Raise the axis by this on the base; lower where negative.
    pub altitude_arcmin: f64,
    /// Turn the base by this about its upright, clockwise seen from above; the other way where negative. More
    /// than the error along the sky: its azimuth lines meet overhead.
    pub azimuth_arcmin: f64,
    /// The first in degrees on the base.
    pub base_altitude_deg: f64,
    /// The second in degrees of azimuth on the base.
    pub base_azimuth_deg: f64,
    /// From the axis to the pole along the sky, degrees: what the star on the screen goes by.
    pub sky_deg: f64,
    /// Turns of the knobs, where it is known what one turn does.
    pub knobs: KnobReport,
    /// What the star in the middle of the picture does while the altitude is turned.
    pub screen_altitude: Option<ScreenStep>,
    /// And then while the azimuth is turned.
    pub screen_azimuth: Option<ScreenStep>,
    /// Both together, for a head that moves freely: where the star in the middle has to be brought to.
    pub screen: Option<ScreenStep>,
}

/// Turns of knobs; positive raises, and turns clockwise seen from above.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct KnobReport {
    /// Of the altitude's.
    pub altitude_turns: Option<f64>,
    /// Of the azimuth's.
    pub azimuth_turns: Option<f64>,
}

/// A star's way over the screen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ScreenStep {
    /// Pixels of the picture, right and down.
    pub shift_px: [f64; 2],
    /// In parts of the picture's width, per cent.
    pub of_width_percent: f64,
    /// The same at the zoom asked for: parts of the screen's width, per cent.
    pub of_screen_percent: f64,
    /// Magnification.
    pub zoom: f64,
    /// Which way.
    pub towards: &'static str,
}

pub(super) fn correction(ask: &AxisAsk, stance: &Stance<'_>, axis: &UnitVector3<f64>) -> Correction {
    let turns = ask.base.turns(axis, &stance.pole.refracted);
    let per_turn = |knob: usize, deg: f64| ask.knobs_deg[knob].map(|d| deg / d);
    let [first, second, both] = screen(ask, stance, axis, &turns);
    Correction {
        base_altitude_deg: turns.altitude.deg(),
        base_azimuth_deg: turns.azimuth.deg(),
        sky_deg: axis.angle(&stance.pole.refracted).to_degrees(),
        screen: both,
        altitude_arcmin: turns.altitude.arcmin(),
        azimuth_arcmin: turns.azimuth.arcmin(),
        knobs: KnobReport {
            altitude_turns: per_turn(0, turns.altitude.deg()),
            azimuth_turns: per_turn(1, turns.azimuth.deg()),
        },
        screen_altitude: first,
        screen_azimuth: second,
    }
}

fn screen(
    ask: &AxisAsk,
    stance: &Stance<'_>,
    axis: &UnitVector3<f64>,
    turns: &KnobTurns,
) -> [Option<ScreenStep>; 3] {
    let camera = stance.camera();
    let middle = camera.at(0.5, 0.5);
    let raise = ask.base.in_altitude(axis, turns);
    let turn = ask.base.in_azimuth(turns);
    let step = |stands: &Rotation3<f64>, by: &Rotation3<f64>| {
        let shift = screen_shift(&camera, stands, by, middle)?;
        Some(told(&flipped(shift, stance), ask.zoom))
    };
    let raised = stance.camera_from_ground * raise.inverse();
    [
        step(stance.camera_from_ground, &raise),
        step(&raised, &turn),
        step(stance.camera_from_ground, &(turn * raise)),
    ]
}

/// A mirror image shows it the other way round.
fn flipped(shift: ScreenShift, stance: &Stance<'_>) -> ScreenShift {
    let mut shift = shift;
    if stance.known.flipped().is_some() {
        shift.shift_px[0] = -shift.shift_px[0];
        shift.share[0] = -shift.share[0];
    }
    shift
}

fn told(shift: &ScreenShift, zoom: f64) -> ScreenStep {
    let share = 100.0 * shift.share[0].hypot(shift.share[1]);
    ScreenStep {
        shift_px: shift.shift_px,
        of_width_percent: share,
        of_screen_percent: share * zoom,
        zoom,
        towards: words::towards(shift.shift_px),
    }
}

/// How near a hand brings a head without fine movements to a mark on the screen, arcminutes (common practice, no source).
const BY_HAND_ARCMIN: f64 = 10.0;

/// For a head without fine movements: one mark for the star, and whether a hand's reach is enough tonight.
pub(super) fn reach(correction: &Correction, tolerance: &Tolerance) -> Option<String> {
    let step = correction.screen.as_ref()?;
    let zoomed = if step.zoom > 1.0 {
        format!(
            " ({:.0} % of the screen at {}×)",
            step.of_screen_percent, step.zoom
        )
    } else {
        String::new()
    };
    let enough = match tolerance.allowed_arcmin {
        Some(allowed) if allowed >= BY_HAND_ARCMIN => format!(
            "a hand gets within about {BY_HAND_ARCMIN:.0}′, and {:.0} s with this lens allow {allowed:.0}′: enough for tonight",
            tolerance.exposure_s
        ),
        Some(allowed) => format!(
            "a hand gets within about {BY_HAND_ARCMIN:.0}′, and {:.0} s with this lens allow {allowed:.1}′: expose for less, or use fine movements",
            tolerance.exposure_s
        ),
        None => "a hand's reach is enough for this exposure".into(),
    };
    Some(format!(
        "On a ball head, move it as a whole until the star in the middle of the picture stands {:.1} % of its width {}{zoomed}; {enough}.",
        step.of_width_percent, step.towards
    ))
}
