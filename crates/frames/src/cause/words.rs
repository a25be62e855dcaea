//! The sentences: the figure a cause rests on, and the next step.

use super::told::{NightTold, SIDEREAL_RAD_S, read_noise_share};
use super::verdict::Cause;
use super::{Inspection, Turn};

const ARCSEC: f64 = 206_264.806;

/// The figure that a cause rests on.
pub(super) fn figure(cause: Cause, seen: &Inspection, told: &NightTold) -> String {
    let (m, g, e) = (&seen.motion, &seen.growth, &seen.exposure);
    match cause {
        Cause::Good => format!(
            "stars {:.1} px wide, {:.2} times as long as wide",
            seen.width_px, seen.elongation
        ),
        Cause::TrackerOff | Cause::WrongHemisphere | Cause::PeriodicError | Cause::WrongRate => {
            drift(seen, told)
        }
        Cause::AxisError => match axis_arcmin(m.turn.as_ref(), told.exposure_s) {
            Some(arcmin) => format!(
                "{}: the axis is about {arcmin:.0}′ off the pole, or more",
                drift(seen, told)
            ),
            None => drift(seen, told),
        },
        Cause::Wind => format!(
            "shaken by {:.1} px to each side at {:.0}° from the picture's right",
            seen.path.shaken_px, m.middle_deg
        ),
        Cause::Knock => knock(seen),
        Cause::Focus => {
            let ring = if seen.profile.hollow < 0.9 {
                ", with a hollow middle"
            } else {
                ""
            };
            format!("stars {:.1} px wide at best{ring}", g.least_px)
        }
        Cause::Dew => format!(
            "{:.0} % of the starlight lies in halos",
            100.0 * seen.profile.halo
        ),
        Cause::Aberration => format!(
            "stars {:.2} times as wide in the corners as in the middle",
            g.corners
        ),
        Cause::Decentred => format!(
            "stars have a tail to one and the same side all over the frame, at {:.0}° from the picture's right (strength \
             {:.2}; one minds from 0.12 on)",
            seen.coma.towards_deg, seen.coma.middle
        ),
        Cause::Tilt => format!(
            "stars {:.2} times as wide at one side as where they are sharpest, at {:.0}° from the picture's right",
            g.worst, g.towards_deg
        ),
        Cause::Cloud => cloud(seen, told),
        Cause::Moon => told.moon.map_or_else(String::new, |moon| {
            format!(
                "moon {:.0}° up and {:.0} % lit: the sky is {:.1} mag brighter for it",
                moon.altitude_deg,
                100.0 * moon.lit,
                moon.cost_mag
            )
        }),
        Cause::UnderExposed => format!(
            "sky at {:.1} % of saturation; the camera's own noise adds {:.0} % to the sky's",
            100.0 * e.sky,
            100.0 * read_noise_share(seen, told)
        ),
        Cause::OverExposed => format!(
            "sky at {:.0} % of saturation, {:.0} % of the stars burnt out",
            100.0 * e.sky,
            100.0 * e.clipped_stars
        ),
        Cause::Covered => format!(
            "no light: the brightest hundredth is at {:.2} % of saturation",
            100.0 * e.brightest
        ),
        Cause::Daylight => format!("middle level {:.0} % of saturation and no stars", 100.0 * e.sky),
        Cause::Drawing => format!("{:.0} % of neighbouring pixels are exactly alike", 100.0 * e.flat),
        Cause::TooSmall => "too few pixels".into(),
        Cause::NoStars => format!("{} stars were found", seen.stars),
        Cause::CannotTell if told.identified => format!(
            "no cause stands out: stars {:.1} px wide, {:.2} times as long as wide",
            seen.width_px, seen.elongation
        ),
        Cause::CannotTell => format!(
            "{} points that are no known part of the sky; {} of them had a shape that could be measured",
            seen.stars, seen.shapes
        ),
    }
}

fn drift(seen: &Inspection, told: &NightTold) -> String {
    let m = &seen.motion;
    let mut out = format!("stars drawn out by {:.1} px", m.length_px);
    if let Some(scale) = told.scale_arcsec_px {
        out += &format!(" ({:.0}″)", m.length_px * scale);
    }
    if let Some(t) = told.exposure_s.filter(|t| *t > 0.0) {
        out += &format!(" in {t:.0} s");
        if let Some(turn) = &m.turn {
            out += &format!(
                ", {:.2} times the sky's own turn along right ascension",
                turn.polar_rad / (SIDEREAL_RAD_S * t)
            );
        }
    }
    out
}

/// Axis error from the turn across the pole: |Δ| = 2 Ω sin(ε/2).
pub(super) fn axis_arcmin(turn: Option<&Turn>, exposure_s: Option<f64>) -> Option<f64> {
    let t = exposure_s.filter(|t| *t > 0.0)?;
    let ratio = turn?.crosswise_rad / (SIDEREAL_RAD_S * t);
    Some(2.0 * (0.5 * ratio).min(1.0).asin() * ARCSEC / 60.0)
}

fn knock(seen: &Inspection) -> String {
    match &seen.doubled {
        Some(d) => format!(
            "{:.0} % of the bright stars stand twice, {:.1} px apart, the fainter with {:.0} % of the light",
            100.0 * d.share,
            d.offset_px[0].hypot(d.offset_px[1]),
            100.0 * d.ratio
        ),
        None => format!(
            "two stops {:.1} px apart, the shorter with {:.0} % of the light",
            seen.path.stops_px,
            100.0 * seen.path.stops_ratio
        ),
    }
}

fn cloud(seen: &Inspection, told: &NightTold) -> String {
    told.veil.map_or_else(
        || {
            format!(
                "{} stars; hardly any in {:.0} % of the sky shown",
                seen.stars,
                100.0 * seen.patches.holes
            )
        },
        |v| {
            format!(
                "starlight differs by {:.2} mag from part to part; stars are missing in {:.0} % of the sky shown",
                v.patchy.map_or(0.0, |p| p.mag),
                100.0 * v.blocked
            )
        },
    )
}

/// The next step, one plain sentence.
pub(super) fn next(cause: Cause, seen: &Inspection, told: &NightTold) -> String {
    match cause {
        Cause::Good if told.linear => "Nothing found wrong: go on.".into(),
        Cause::Good => "Nothing found wrong, as far as a finished picture shows: its shapes and tones are no longer the \
                        lens's. Check the camera's own file for the rest."
            .into(),
        Cause::WrongRate => "Set the tracker to the stars' own rate, not half of it, and take the frame again.".into(),
        Cause::CannotTell => "Look at the frame at full size, and take another to compare.".into(),
        Cause::TrackerOff => "Start the tracker and check that its clutch is tight; if this is the land frame, all is well.".into(),
        Cause::WrongHemisphere => "Set the tracker to your hemisphere and take the frame again.".into(),
        Cause::AxisError => "Point the tracker's axis at the pole again, then look once more.".into(),
        Cause::PeriodicError => "Check the tracker's rate is the stars' own; if it is, shorten the exposure or take more frames and leave out the worst.".into(),
        Cause::Wind => "Shelter the tripod, hang nothing loose from it, take the strap off, and take the frame again.".into(),
        Cause::Knock => "Leave this frame out and take it again without touching the tripod.".into(),
        Cause::Focus => "Focus again on a bright star at the largest magnification, then take a frame to compare.".into(),
        Cause::Dew => "Look at the front of the lens by a dim light; dry it with warm air and put the heater on.".into(),
        Cause::Aberration => format!(
            "Stop down by {}, or crop the corners.",
            stops(seen.growth.corners)
        ),
        Cause::Decentred => "Stop down by two stops; if the next frames show it too, have the lens looked at or use another.".into(),
        Cause::Tilt => "Check that lens and adapter sit square; nothing slack at the mount; stop down if it stays.".into(),
        Cause::Cloud => "Wait for the gap, and leave this frame out of the stack.".into(),
        Cause::Moon => "Wait until the moon is down, or use its light for the land.".into(),
        Cause::UnderExposed => under(seen, told),
        Cause::OverExposed => format!("Expose {} less, or lower the ISO.", stops_of(seen.exposure.sky / 0.12)),
        Cause::Covered => "Take the lens cap off, or keep it as a dark.".into(),
        Cause::Daylight => "Name a frame of the night sky.".into(),
        Cause::Drawing => "Name a photograph of the night sky, best the raw file.".into(),
        Cause::TooSmall => "Name the frame at full size.".into(),
        Cause::NoStars => "See whether cloud, the lens cap or the land fills the frame; then take it again.".into(),
    }
}

fn stops(ratio: f64) -> &'static str {
    if ratio < 1.6 { "one stop" } else { "two stops" }
}

fn stops_of(ratio: f64) -> String {
    let n = ratio.max(1.0).log2();
    if n < 1.25 {
        "one stop".into()
    } else {
        format!("{n:.0} stops")
    }
}

/// Longer by more than this is no advice.
const MUCH: f64 = 16.0;

fn under(seen: &Inspection, told: &NightTold) -> String {
    let share = read_noise_share(seen, told).max(0.05);
    // The sky's light needed for a share of 5 %, over what there is.
    let factor = ((1.0 + share).powi(2) - 1.0) / (1.05f64.powi(2) - 1.0);
    match told.exposure_s {
        Some(_) if factor > MUCH => {
            "Open the lens and expose several stops more: the sky hardly shows above the camera's noise."
                .into()
        }
        Some(t) if factor > 1.2 => format!(
            "Expose {:.1} times as long (about {:.0} s), or open the lens, if the stars stay round.",
            factor,
            t * factor
        ),
        _ => "Expose longer or open the lens, if the stars stay round.".into(),
    }
}
