//! Every English text of the sheet, in one place. What is in braces is filled in.
//!
//! The shot list's own words (kinds, notes, warnings) come with the list.

mod faults;

use serde::Serialize;

pub(super) use faults::{FAULTS, Fault};

pub(super) const PROGRAM: &str = "Nightloom";
pub(super) const TITLE: &str = "Field sheet";
pub(super) const NIGHT_OF: &str = "The night of {from} to {to}";

/// Headings of the sections.
pub(super) mod heading {
    pub(crate) const LIST: &str = "Shot list";
    pub(crate) const POLE: &str = "Pole star";
    pub(crate) const RECHECK: &str = "Re-check";
    pub(crate) const FAULTS: &str = "A test frame shows …";
    pub(crate) const STOPS: &str = "Same light, in stops";
    pub(crate) const PACK: &str = "Pack";
    pub(crate) const SET_UP: &str = "Set up";
    pub(crate) const CARE: &str = "Take care";
    pub(crate) const TIMES: &str = "The night’s times";
    pub(crate) const SHEET: &str = "This sheet";
    pub(crate) const LEAVE: &str = "Left with someone";
    pub(crate) const DROP: &str = "If time runs short, drop in this order";
}

/// Around the lists.
pub(super) mod say {
    pub(crate) const WINDOW: &str = "Sky frames {from} to {to}, {long}: {is}";
    pub(crate) const NOT_FIT: &str = "This plan does not fit the night by {min} min:";
    pub(crate) const TIMES_IN: &str = "Times are the site’s: {zone}.";
    pub(crate) const NO_SKYLINE: &str = "No skyline is known; rising and setting are over a flat horizon.";
    pub(crate) const CLOCK: &str = "Clocks change to {zone} at {at}.";
    pub(crate) const SUMS: &str = "{sky} sky frames, {light} min of light. {frames} frames in all, {gb} GB.";
    pub(crate) const SPARE: &str = "{min} to spare in the window.";
    pub(crate) const BACK: &str = "Back at {at} by this plan.";
    pub(crate) const AWAY: &str = "Away {long}.";
    pub(crate) const NUDGE_EACH: &str =
        "tracker on; after every frame a dither nudge by hand, another way each time";
    pub(crate) const NUDGES: &str =
        "tracker on; after every {n} frames a dither nudge by hand, another way each time";
    pub(crate) const INTERVAL: &str = "interval {s}";
    pub(crate) const GAP: &str = "gap {s}";
    pub(crate) const POLE: &str = "Facing the pole, as the eye sees it. Up is up.";
    pub(crate) const POLE_HERE: &str = "pole";
    pub(crate) const POLE_DIAL: &str =
        "The cross is the pole; the dots are the star at each full hour, local time.";
    pub(crate) const POLE_AXIS: &str =
        "The axis belongs on the pole, which stands {alt}° high{side}. The star only shows the way.";
    pub(crate) const POLE_NORTH: &str = ", true north";
    pub(crate) const POLE_SOUTH: &str = ", true south";
    pub(crate) const POLE_FAINT: &str =
        "Sigma Octantis is faint (magnitude 5.4): binoculars or a sighting tube help.";
    pub(crate) const POLE_LOW: &str =
        "The pole stands too low here to be sighted well; measure the axis from frames.";
    pub(crate) const NO_BEAM: &str =
        "No beam is needed: look along a sighting tube, or measure the axis from frames.";
    pub(crate) const STOPS: &str =
        "Each line gathers the same light, a stop of time apart. The plan’s own line is marked.";
    pub(crate) const NO_STOPS: &str = "The plan gives a time without aperture and ISO, so there is no ladder. Make the sheet again with both, like --sky-exposure \"90s f/2.8 ISO1600\".";
    pub(crate) const PLAN: &str = "plan";
    pub(crate) const FAULTS: &str =
        "Look at full size, in the middle and in all four corners. Is each frame so, or only some?";
    pub(crate) const RECHECK: &str = "Every {min} min, and after every new framing.";
    pub(crate) const RECHECK_NONE: &str = "After every new framing.";
    pub(crate) const LEAVE: &str =
        "Give someone this place and time. If you are not heard of by then, they call for help.";
    pub(crate) const LEAVE_WITH: &str = "left with";
    pub(crate) const TURN_BACK: &str = "turn back by";
    pub(crate) const CALL_BY: &str = "call help after";
    pub(crate) const NOT_SHOWN: &str = "Letters that this paper cannot show stand as ?.";
    pub(crate) const DROP: &str = "{what}, up to {frames} ({min} min): {why}.";
    pub(crate) const OFFLINE: &str =
        "This file needs no network. Save it on the phone before you leave, and open it once to try.";
    pub(crate) const PAPER: &str = "For paper, print this page on A5 or A4.";
    pub(crate) const NO_SCRIPT: &str =
        "Without its script this page has no countdown and keeps no ticks. Everything else stands below.";
}

/// Columns of tables.
pub(super) mod column {
    pub(crate) const TIME: &str = "time";
    pub(crate) const CLOCK: &str = "local";
    pub(crate) const UTC: &str = "UTC";
    pub(crate) const APERTURE: &str = "aperture";
    pub(crate) const ISO: &str = "ISO";
    pub(crate) const STOPS: &str = "stops";
    pub(crate) const ANGLE: &str = "clock angle";
    pub(crate) const HAND: &str = "as a clock’s hour hand";
    pub(crate) const OFF: &str = "from the pole";
}

/// What happens in the sky.
pub(super) mod event {
    pub(crate) const SUNSET: &str = "sunset";
    pub(crate) const CIVIL_DUSK: &str = "civil dusk, sun at −6°";
    pub(crate) const NAUTICAL_DUSK: &str = "nautical dusk, sun at −12°";
    pub(crate) const NIGHT: &str = "night, sun below −18°";
    pub(crate) const DAWN: &str = "first dawn, sun at −18°";
    pub(crate) const NAUTICAL_DAWN: &str = "nautical dawn, sun at −12°";
    pub(crate) const CIVIL_DAWN: &str = "civil dawn, sun at −6°";
    pub(crate) const SUNRISE: &str = "sunrise";
    pub(crate) const MOONRISE: &str = "moonrise";
    pub(crate) const MOONSET: &str = "moonset";
    pub(crate) const DARK_FROM: &str = "dark: no sun, no moon";
    pub(crate) const DARK_TO: &str = "dark ends";
    pub(crate) const UP: &str = "{subject} up and dark";
    pub(crate) const DOWN: &str = "{subject} no longer up and dark";
    pub(crate) const HIGHEST: &str = "{subject} at its highest, {alt}°";
}

/// What goes into the bag; the figures come from the plan.
pub(super) mod pack {
    pub(crate) const FIRST: &[&str] = &[
        "Plan and time to call help left with someone",
        "Weather, closures and the site’s rules looked up",
        "Two lights, each with full cells; one dim for walking",
        "Phone full, this sheet saved and opened; paper copy",
        "Warm layers, hat, gloves, dry socks",
        "Food, something hot to drink, water",
        "First aid, whistle, map of the way back",
    ];
    pub(crate) const CAMERA: &[&str] = &[
        "Camera, lens, lens cap (for the darks)",
        "Tracker, wedge, counterweight, its cells full",
        "Tripod, plates, heads, the keys that fit them",
        "Sighting tube or finder for the pole",
        "Interval timer or cable, spare cell",
        "Tape for the focus ring, dry cloth",
        "Lens heater and its battery",
    ];
    pub(crate) const CARD: &str = "Card with {gb} GB free, and a spare ({frames} frames)";
    pub(crate) const BATTERIES_ONE: &str = "1 camera battery for the plan, full, kept warm; and a spare";
    pub(crate) const BATTERIES: &str = "{n} camera batteries for the plan, full, kept warm; and a spare";
    pub(crate) const PANEL: &str = "Flat panel or white screen";
    pub(crate) const CLOTH: &str = "White cloth for the flats";
}

/// The set-up, in order.
pub(super) const SET_UP: &[&str] = &[
    "By daylight: the ground, its edges, water and the way back seen",
    "Tripod low and level on firm ground, legs and plates tight",
    "Camera clock set to UTC or its zone noted, to the second",
    "Raw, manual, {exposure}",
    "Noise reduction in the camera off, stabiliser off, autofocus off",
    "Tracker level, towards the pole, north or south set, rate sidereal",
    "Pole sighted at the clock angle of the hour",
    "Camera on, balanced, clutch tight",
    "Framed on the subject and the ridge",
    "Again: pole sighted with the camera on",
    "Focused on a magnified star; ring taped",
    "Heater on; straps and cables free of the lens",
    "Test frame looked at: middle and four corners",
    "Again: frame, focus, pole, after anything was touched",
];

/// What is looked at again and again.
pub(super) const RECHECK: &[&str] = &[
    "Focus on a magnified star: it moves as the lens cools",
    "Pole, if anything was touched or reframed",
    "Front glass from the side: dew, frost",
    "Battery and card: enough for what is left",
    "Last frame at full size: round stars, same framing",
    "Sky: cloud, the moon, the window’s end",
    "Yourself: warm, fed, clear head; on time to turn back",
];

/// Cautions about beams stand after those that every shot list has.
pub(super) const BEAM: &[&str] = &[
    "No beam is needed to find the pole: a sighting tube, or the axis measured from frames, does it.",
    "Hand-held lasers aimed at the sky are restricted or banned in many places; aiming at aircraft is a crime in most. Local law and the site’s rules come first.",
    "Where a beam is allowed and you still want one: look and listen first; never towards aircraft, people, vehicles or animals; the shortest flash, never left on. It dazzles for kilometres, and pointers are often stronger than their label.",
];
pub(super) const GROUND: &[&str] = &[
    "Know every edge and the water by day. Stop walking to look at a screen.",
    "Leave wildlife, closures and other people’s frames in peace; lights low and away from them.",
];

/// What the script says; its names are those that the script knows.
#[derive(Serialize)]
pub(super) struct Script {
    pub(super) now: &'static str,
    pub(super) next: &'static str,
    pub(super) sky: &'static str,
    pub(super) left: &'static str,
    pub(super) until: &'static str,
    pub(super) days: &'static str,
    pub(super) hours: &'static str,
    pub(super) minutes: &'static str,
    pub(super) before: &'static str,
    pub(super) between: &'static str,
    pub(super) over: &'static str,
    pub(super) sky_over: &'static str,
    pub(super) ticked: &'static str,
    pub(super) kept: &'static str,
    pub(super) not_kept: &'static str,
    pub(super) other_zone: &'static str,
    pub(super) angle: &'static str,
    pub(super) hand: &'static str,
    pub(super) outside: &'static str,
    pub(super) ways: [&'static str; 8],
    pub(super) sights: [(&'static str, &'static str, &'static str); 3],
    pub(super) earlier: &'static str,
    pub(super) later: &'static str,
    pub(super) as_planned: &'static str,
    pub(super) put_off: &'static str,
    pub(super) brought_on: &'static str,
    pub(super) last_sky: &'static str,
    pub(super) past_window: &'static str,
    pub(super) clear: &'static str,
    pub(super) clear_sure: &'static str,
    pub(super) cleared: &'static str,
}

pub(super) const SCRIPT: Script = Script {
    now: "Now",
    next: "Next",
    sky: "Sky",
    left: "{t} left",
    until: "in {t}",
    days: "{d} d {h} h",
    hours: "{h} h {m} min",
    minutes: "{m} min",
    before: "not begun",
    between: "a pause",
    over: "the list is done",
    sky_over: "the night is over",
    ticked: "{n} of {of}",
    kept: "Ticks are kept on this phone.",
    not_kept: "This phone keeps no ticks for this page: they are lost when it is closed. Use the paper, or open the file in another browser.",
    other_zone: "The phone’s own zone is another one; times here are the site’s.",
    angle: "{deg}°",
    hand: "{h}:{m}",
    outside: "This sheet tells the pole star’s place from {from} to {to} only.",
    ways: [
        "straight up",
        "upper right",
        "right",
        "lower right",
        "straight down",
        "lower left",
        "left",
        "upper left",
    ],
    sights: SIGHTS,
    earlier: "5 min earlier",
    later: "5 min later",
    as_planned: "The list runs as planned.",
    put_off: "The list runs {t} later than planned; what waits for the light does not.",
    brought_on: "The list runs {t} earlier than planned; what waits for the light does not.",
    last_sky: "The last sky frame ends at {at}, {t} before the window does.",
    past_window: "The last sky frame ends at {at}, {t} after the window: drop something, or stop in time.",
    clear: "Clear these ticks",
    clear_sure: "Tap again to clear",
    cleared: "Cleared",
};

/// What the sight does to the picture: a key, its button, how the view is told.
pub(super) const SIGHTS: [(&str, &str, &str); 3] = [
    ("eye", "Eye or tube", "as the eye sees it"),
    (
        "inverted",
        "Upside down",
        "in a sight that turns the picture upside down",
    ),
    ("mirrored", "Mirrored", "in a sight that mirrors left and right"),
];
/// Name of the choice between them.
pub(super) const SIGHT: &str = "Your sight";

/// Names of the looks.
pub(super) const LOOKS: [(&str, &str); 3] = [("night", "Night"), ("dim", "Night, dimmer"), ("day", "Day")];
/// Name of the choice between them.
pub(super) const LOOK: &str = "Look";

/// A text with its braces filled.
pub(super) fn fill(text: &str, with: &[(&str, &str)]) -> String {
    let mut filled = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('{') {
        filled.push_str(before);
        let Some((name, behind)) = after.split_once('}') else {
            break;
        };
        if let Some((_, value)) = with.iter().find(|(known, _)| *known == name) {
            filled.push_str(value);
        }
        rest = behind;
    }
    filled.push_str(rest);
    filled
}
