//! What is said of an axis.

use nightloom_optics::polar::AxisError;
use nightloom_sky::{Angle, Site};
use nightloom_stars::axis::{
    AxisEvent, AxisFrame, AxisMeasurement, AxisProblem, ClockDoubt, FrameUse, LeftOut, Named, Pole,
};

use super::frames::{Gathered, Known};
use super::safe::Tolerance;

/// What a tilted base costs.
pub const LEVEL: &str = "Level: a base that is not level costs nothing once the axis is right. Until then each knob moves a little of the other, about 2 % for each degree of tilt; measuring again after turning takes care of it, so do not chase the bubble.";

pub(super) const TWO_ANSWERS: &str = "One trailed frame does not tell which end of its trails came first: one of the two answers is right, the other just opposite. Correct half of the first; if the trails of the next frame are longer, it is the second. Or take a second frame: two tell which.";

/// Said before advice that two frames give which no tracker turned between them as it should.
pub(super) const TOUCHED: &str = "Turn nothing yet: what turned between these two frames is further from the pole, or at another rate, than a tracker is likely to be, as when the camera is nudged or slips in between. Take a third frame without touching anything, and give all three.";

/// Said where the last frames stand alone after a touch.
pub(super) const LOOSE_END: &str = "Turn nothing yet: before the last frame something was touched, and if it was the axis, the figures are of before. Take two more frames without touching anything, and give all of them.";

/// A rate's name in a clause.
pub(super) fn rate(named: Named) -> &'static str {
    match named {
        Named::Sidereal => "with the stars, as it should",
        Named::Solar => "at the sun's rate: switch it to the stars'",
        Named::Lunar => "at the moon's rate: switch it to the stars'",
        Named::Half => "at half the stars' rate",
        Named::NearSidereal => "at the stars' rate or the sun's; the run is too short to tell which",
        Named::Odd => {
            "at a rate of none of its settings: a slipping clutch, a weak battery, or a setting of its own"
        }
        Named::Off => "not at all",
        Named::Reversed => "against the sky",
    }
}

/// An angle as hands can use it: to 0.1′ below ten, whole above, degrees where large.
fn amount(angle: Angle) -> String {
    match angle.arcmin().abs() {
        a if a < 9.95 => format!("{a:.1}′"),
        a if a < 119.5 => format!("{a:.0}′"),
        a => format!("{:.1}°", a / 60.0),
    }
}

/// Which way to turn, both hemispheres: east and west are those of the map.
pub fn turn_words(error: &AxisError, north: bool) -> String {
    const NOTHING_ARCMIN: f64 = 0.05;
    let mut parts = Vec::new();
    if error.altitude.arcmin().abs() >= NOTHING_ARCMIN {
        let verb = if error.altitude.rad() > 0.0 {
            "lower"
        } else {
            "raise"
        };
        parts.push(format!("{verb} the axis by {}", amount(error.altitude)));
    }
    if error.azimuth.arcmin().abs() >= NOTHING_ARCMIN {
        // An axis east of the pole goes west: anticlockwise from above for one who faces north.
        let west = error.azimuth.rad() > 0.0;
        let (way, seen) = (
            if west { "west" } else { "east" },
            if west == north { "left" } else { "right" },
        );
        parts.push(format!(
            "turn it {way} (to your {seen} as you face the pole) by {}",
            amount(error.azimuth)
        ));
    }
    match parts.as_slice() {
        [] => "Leave the axis as it is.".into(),
        parts => {
            let text = parts.join(", ");
            let mut letters = text.chars();
            let first = letters
                .next()
                .map_or(String::new(), |c| c.to_uppercase().to_string());
            format!("{first}{}.", letters.as_str())
        }
    }
}

/// What is to be done, and whether the axis is to be turned.
pub(super) struct Advice {
    pub(super) words: String,
    /// Whether a correction may be given: what was measured is surely the axis's error.
    pub(super) sure: bool,
}

/// One sentence by one criterion: the longest trail in the part of the frame that counts, against the limit.
pub(super) fn advice(
    error: &AxisError,
    sigma: Angle,
    wary: bool,
    tolerance: &Tolerance,
    north: bool,
) -> Advice {
    let sure = error.total.rad() > SURE[usize::from(wary)] * sigma.rad();
    if tolerance.safe {
        let words = format!(
            "Stop here: {:.0} s with this lens are safe as the axis stands. {}",
            tolerance.exposure_s,
            safe_reason(tolerance)
        );
        return Advice { words, sure };
    }
    if let Some(words) = by_air(tolerance) {
        return Advice { words, sure };
    }
    let words = if sure {
        format!("{} Then take another frame.", turn_words(error, north))
    } else {
        format!(
            "Turn nothing yet: the {} measured are hardly more than their uncertainty of {}, as a touch between so few \
             frames may have made them. Take a third frame some minutes later without touching anything, or turn the \
             tracker by hand by 60° or more, and give all frames.",
            amount(error.total),
            amount(sigma)
        )
    };
    Advice { words, sure }
}

/// Uncertainties that an error is more than before anybody turns a knob for it: usually, and where two frames alone or a
/// zoom that crept say so.
const SURE: [f64; 2] = [2.0, 2.5];
/// What the axis may add to the air's own trail, in parts of the limit, where turning it gains nothing.
const GAINS: f64 = 0.25;

/// Where the air alone draws the stars out further than the limit and the axis adds next to nothing.
fn by_air(tolerance: &Tolerance) -> Option<String> {
    let (now, on_pole) = (tolerance.trail_px?, tolerance.trail_on_pole_px?);
    let gain = now - on_pole;
    (on_pole > (1.0 - GAINS) * tolerance.tolerance_px && gain < GAINS * tolerance.tolerance_px).then(|| {
        let shorter = tolerance.longest_s.map_or(String::new(), |s| {
            format!(" Expose for at most {s:.0} s, or aim higher.")
        });
        format!(
            "Leave the axis as it is: of the {now:.1} px that {:.0} s trail in the worst corner, {on_pole:.1} px are the \
             air's, which lifts low stars unevenly, and no axis cures them.{shorter}",
            tolerance.exposure_s
        )
    })
}

fn safe_reason(tolerance: &Tolerance) -> String {
    let trail = tolerance.trail_px.map_or(String::new(), |px| {
        format!("The longest trail in the frame is {px:.2} px")
    });
    let longest = match tolerance.longest_s {
        Some(s) if s < 7200.0 => format!(", and up to {s:.0} s stay within {} px.", tolerance.tolerance_px),
        _ => ".".into(),
    };
    if trail.is_empty() {
        trail
    } else {
        format!("{trail}{longest}")
    }
}

/// What a picture's shift looks like.
pub(super) fn towards([right, down]: [f64; 2]) -> &'static str {
    const WAYS: [&str; 8] = [
        "to the right",
        "to the lower right",
        "down",
        "to the lower left",
        "to the left",
        "to the upper left",
        "up",
        "to the upper right",
    ];
    let eighth = (down.atan2(right).to_degrees() / 45.0).round().rem_euclid(8.0);
    WAYS[(eighth as usize).min(7)]
}

pub(super) fn site_notes(site: &Site, pole: &Pole) -> Vec<String> {
    const LOW_DEG: f64 = 10.0;
    let altitude = pole.refracted.z.clamp(-1.0, 1.0).asin().to_degrees();
    let mut notes = Vec::new();
    if altitude < LOW_DEG {
        notes.push(format!(
            "So near the equator the pole stands at {altitude:.1}°, where the air lifts it by an amount that no formula knows to better than a few tenths of an arcminute, near the horizon worse; and the land may hide it. The frames see higher: trust the azimuth, and the altitude to about 1′."
        ));
    }
    if site.latitude.deg().abs() > 85.0 {
        notes.push("So near the Earth's pole azimuth means little: the pole is almost overhead.".into());
    }
    notes
}

pub(super) fn clock_doubt(doubt: &ClockDoubt) -> String {
    let minutes = doubt.ahead_s / 60.0;
    format!(
        "The air contradicts the clock: the low stars are refracted as if it were {:.0} ± {:.0} min {}. If the camera's clock or its zone is wrong, or the longitude, the error's size still holds but its direction is turned about the pole by {:.0}°: set --clock-offset, --clock-error or --lon right and ask again before turning anything.",
        minutes.abs(),
        doubt.sigma_s / 60.0,
        if minutes > 0.0 { "earlier" } else { "later" },
        minutes.abs() / 4.0
    )
}

pub(super) fn none_usable(gathered: &Gathered) -> String {
    let why: Vec<String> = gathered
        .left_out
        .iter()
        .map(|(name, why)| format!("{name} {why}"))
        .collect();
    format!("no frame can be used: {}", why.join("; "))
}

pub(super) fn problem(problem: &AxisProblem, gathered: &Gathered) -> String {
    let others: Vec<String> = gathered
        .left_out
        .iter()
        .map(|(name, why)| format!("{name} {why}"))
        .collect();
    if others.is_empty() {
        problem.to_string()
    } else {
        format!("{problem}. Left out: {}", others.join("; "))
    }
}

/// Identified stars that could not be seen from there then.
pub(super) fn below_horizon(known: &[Known], frames: &[AxisFrame]) -> Option<String> {
    const MOST_SHARE: f64 = 0.25;
    const FEW: usize = 8;
    known.iter().zip(frames).find_map(|(known, frame)| {
        let matched = known.blind.found.matches.len();
        let gone = matched.saturating_sub(frame.sights.len());
        (gone > FEW && gone as f64 > MOST_SHARE * matched as f64).then(|| {
            format!(
                "{gone} of the {matched} stars identified in {} would stand below the horizon or on it: the place, the clock or its offset from UTC are wrong ({} was taken for the middle of the exposure); give --lat and --lon, --clock-offset or --at",
                known.name,
                known.middle()
            )
        })
    })
}

pub(super) fn one_frame(name: &str, exposure_s: f64) -> String {
    format!(
        "{name} alone does not tell the axis: its stars are not trailed (or too few are) in {exposure_s:.0} s. Take a second frame some minutes later without touching the camera, or after turning the tracker by hand by 30° to 90°"
    )
}

pub(super) fn notes(measured: &AxisMeasurement, known: &[Known]) -> Vec<String> {
    let name = |frame: usize| known.get(frame).map_or("?", |k| k.name.as_str());
    let mut notes: Vec<String> = measured.events.iter().map(|e| event(e, &name)).collect();
    for (frame, used) in measured.frames.iter().enumerate() {
        if let FrameUse::LeftOut { why: LeftOut::Alone } = used {
            notes.push(format!(
                "{} stands alone between two touches of the camera and is left out.",
                name(frame)
            ));
        }
    }
    notes.push("A clock wrong by a minute turns the error's direction about the pole by a quarter of a degree, and leaves its size.".into());
    let steady = measured.turned.deg() < 10.0 && !measured.by_hand;
    if steady && measured.frames.len() < 6 {
        notes.push("In so short a run a head that creeps steadily looks like an axis error. If the correction does not hold, tighten everything and turn the tracker by hand between two frames.".into());
    }
    notes
}

fn event<'a>(event: &AxisEvent, name: &impl Fn(usize) -> &'a str) -> String {
    let by = |arcmin: f64| amount(Angle::from_arcmin(arcmin));
    match *event {
        AxisEvent::Reaimed { after, by_arcmin } => format!(
            "The camera was aimed anew between {} and {} (by {}); both sides count.",
            name(after),
            name(after + 1),
            by(by_arcmin)
        ),
        AxisEvent::Slipped { after, by_arcmin } => format!(
            "Between {} and {} the camera moved by {} on its head: a nudge, or a head that slips. It is no axis error and is not counted as one.",
            name(after),
            name(after + 1),
            by(by_arcmin)
        ),
        AxisEvent::Moved { after, by_arcmin } => format!(
            "After {} the axis points elsewhere, by {}: the axis was adjusted, the tripod was moved, or a leg sank. The figures are for after.",
            name(after),
            by(by_arcmin)
        ),
        AxisEvent::Outlier { frame, by_arcmin } => format!(
            "{} stands aside of the others by {} and is left out: a knock, or wind.",
            name(frame),
            by(by_arcmin)
        ),
        AxisEvent::Zoomed { by_percent } => format!(
            "The focal length changed by {by_percent:.2} % between the frames: the zoom creeps. Tape it, or use a fixed lens; each frame was taken with its own focal length.",
        ),
        AxisEvent::Misfit { arcsec, times } => format!(
            "The frames do not turn about one axis: they stand {arcsec:.0}″ off it, {times:.0} times what their stars allow. Something creeps or shakes: head, tripod legs, wind. The uncertainty is widened by as much."
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_ways_over_the_screen() {
        assert_eq!(towards([1.0, 0.1]), "to the right");
        assert_eq!(towards([0.0, 1.0]), "down");
        assert_eq!(towards([-1.0, -0.9]), "to the upper left");
        assert_eq!(towards([-1.0, -0.01]), "to the left");
    }
}
