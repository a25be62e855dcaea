//! Every English text of the page and the paper, in one place; what the sheet says comes with its content. What is in
//! braces is filled in.

use serde::Serialize;

pub(super) const PROGRAM: &str = "Nightloom";

/// Headings of the sections.
pub(super) mod heading {
    pub(crate) const LIST: &str = "Shot list";
    pub(crate) const PANORAMA: &str = "Panorama";
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
