//! What is said before any frame.

use nightloom_sky::{Observer, SolarBody, Target};

use super::{FigureStar, PolePlan};

/// The way that needs no beam.
pub const BEAM_FREE: &str = "Without a beam: roughly aim the axis by a sighting tube or along the tracker's edge, take two frames some minutes apart (or turn the tracker by hand by 30° to 90° between them) and let Nightloom tell from them which way to turn. That needs no beam at all, in either hemisphere.";

/// To be heeded with a beam.
pub const CAUTIONS: [&str; 4] = [
    "If you use a beam all the same: never towards aircraft, people, vehicles or animals. It distracts over kilometres, and pointers often exceed their label.",
    "Hand-held lasers aimed at the sky are restricted or banned in many places, and aiming one at an aircraft is a crime in most countries. Local law and the site's rules come first.",
    "Look and listen first, use it as shortly as can be, never leave it on.",
    "Know the ground by day: cold and dark impair judgement, and the eyes are on the sky.",
];

/// A clock angle in words: 0° up, clockwise as one faces the pole.
pub fn clock_words(clock_deg: f64) -> &'static str {
    const WAYS: [&str; 8] = [
        "straight up",
        "up and right",
        "right",
        "down and right",
        "straight down",
        "down and left",
        "left",
        "up and left",
    ];
    let eighth = (clock_deg / 45.0).round().rem_euclid(8.0);
    WAYS[(eighth as usize).min(7)]
}

/// A clock angle as an hour hand shows it: 0° is 12:00, 340° is 11:20.
pub fn clock_time_words(clock_deg: f64) -> String {
    // An hour of the clock is 30°; to ten minutes, as a hand is read.
    let tens = (clock_deg.rem_euclid(360.0) / 5.0).round() as u32 % 72;
    let hour = match tens / 6 {
        0 => 12,
        hour => hour,
    };
    format!("{hour}:{:02}", tens % 6 * 10)
}

/// The pole lower than this, degrees, is in haze and refraction, and often behind land (common practice, no source).
const LOW_DEG: f64 = 5.0;

/// What stands in the way before one begins.
pub(super) fn mind(observer: &Observer) -> Option<String> {
    let pole = observer.site().latitude.deg().abs();
    let sun = observer.place(&Target::Body(SolarBody::Sun)).altitude.deg();
    let mut said = Vec::new();
    if pole < LOW_DEG {
        said.push(format!(
            "The pole is {pole:.1}° high only: haze, refraction and land hide it. Measure the axis from frames."
        ));
    }
    if sun > -0.8333 {
        said.push(format!(
            "The sun is up ({sun:.0}° high): no star is to be seen. Never look at it or near it through a sight or a lens."
        ));
    }
    (!said.is_empty()).then(|| said.join(" "))
}

/// A hint with its heading.
#[derive(Clone, Debug, PartialEq)]
pub struct Hint {
    /// A word or two.
    pub about: &'static str,
    /// A sentence or two.
    pub text: String,
}

/// The plan in sentences.
pub fn hints(plan: &PolePlan, star: &str) -> Vec<Hint> {
    let mut hints = vec![aim(plan, star)];
    hints.extend(cost(plan, star));
    for hop in &plan.hops {
        hints.push(Hint {
            about: "find it",
            text: format!(
                "From {} (altitude {:.0}°, azimuth {:.0}°) through {} ({:.0}°, {:.0}°) and on by {:.1} times their distance: the line passes {:.1}° from the pole.",
                hop.from.name,
                hop.from.altitude_deg,
                hop.from.azimuth_deg,
                hop.through.name,
                hop.through.altitude_deg,
                hop.through.azimuth_deg,
                hop.times,
                hop.passes_deg
            ),
        });
    }
    if !plan.figure.is_empty() {
        hints.push(figure(&plan.figure));
        hints.push(Hint {
            about: "no star",
            text: "No bright star marks the south pole. Set the tracker's altitude by its scale to the pole's, its azimuth by a compass corrected for the magnetic declination, start tracking, and let two frames tell the rest.".into(),
        });
    }
    hints
}

fn aim(plan: &PolePlan, star: &str) -> Hint {
    let w = &plan.widths;
    let mut text = format!(
        "Place {star} at {} on the clock ({}), {:.0}′ from the centre of the sight; from the star to the pole go {} by {:.2} finger-widths at arm's length (1.5° to 2° each) or {:.0} widths of a 1 mrad beam.",
        clock_time_words(w.star_clock_deg),
        clock_words(w.star_clock_deg),
        plan.separation_arcmin,
        clock_words(w.pole_clock_deg),
        w.finger_widths,
        w.beam_widths
    );
    if let (Some(deg), Some(widths)) = (w.sight_deg, w.sight_widths) {
        text += &if widths < 0.5 {
            format!(" In a sight {deg:.1}° wide that is {widths:.2} of its width from the middle.")
        } else {
            format!(
                " In a sight {deg:.1}° wide {star} stands outside when the axis is right: {widths:.1} widths from the middle."
            )
        };
    }
    Hint { about: "aim", text }
}

fn cost(plan: &PolePlan, star: &str) -> Option<Hint> {
    let cost = plan.cost?;
    let verdict = if cost.straight_is_enough {
        "Aiming straight at the star is enough; spend no more time on it."
    } else {
        "Aiming straight at the star is not enough: offset, or measure from frames."
    };
    Some(Hint {
        about: "how well",
        text: format!(
            "{:.0} s with this lens need the axis within {:.0}′ of the pole; straight at {star} they drift by {:.2} px at worst. {verdict}",
            cost.exposure_s, cost.needed_arcmin, cost.straight_px
        ),
    })
}

fn figure(stars: &[FigureStar]) -> Hint {
    let list: Vec<String> = stars
        .iter()
        .map(|s| {
            format!(
                "{} (V {:.1}) {:.1}° {}, at {:.0}°",
                s.name,
                s.v_mag,
                s.separation_deg,
                clock_words(s.clock_deg),
                s.clock_deg
            )
        })
        .collect();
    Hint {
        about: "figure",
        text: format!(
            "Binoculars show four faint stars round the pole, seen from it: {}.",
            list.join("; ")
        ),
    }
}
