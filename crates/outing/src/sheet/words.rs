//! Every English text of the sheet's content, in one place. What is in braces is filled in.
//!
//! The shot list's own words (kinds, notes, warnings) come with the list.

/// What such a sheet is called.
pub const TITLE: &str = "Field sheet";
pub(super) const NIGHT_OF: &str = "The night of {from} to {to}";

/// Sentences.
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
    pub(crate) const CARD: &str = "Card: {gb} GB ({basis}).";
    pub(crate) const BATTERIES: &str = "Camera batteries: {charges} charges ({basis}).";
    pub(crate) const DEW: &str = "Dew point {at}, {margin} below the air.";
    pub(crate) const NO_DEW: &str = "Dew point not known: no temperature and humidity were told.";
    pub(crate) const PANORAMA: &str =
        "{columns} × {rows} frames of {wide}° × {tall}°, {percent} % in common with each neighbour.";
    pub(crate) const PANORAMA_FRAME: &str = "{n}: pan {pan}°, altitude {alt}° (azimuth {az}°)";
    pub(crate) const NUDGE_EACH: &str =
        "tracker on; after every frame a dither nudge by hand, another way each time";
    pub(crate) const NUDGES: &str =
        "tracker on; after every {n} frames a dither nudge by hand, another way each time";
    pub(crate) const RECHECK: &str = "Every {min} min, and after every new framing.";
    pub(crate) const RECHECK_NONE: &str = "After every new framing.";
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
    pub(crate) const POINT: &str = "{subject}: {aim}";
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
pub const BEAM: &[&str] = &[
    "No beam is needed to find the pole: a sighting tube, or the axis measured from frames, does it.",
    "Hand-held lasers aimed at the sky are restricted or banned in many places; aiming at aircraft is a crime in most. Local law and the site’s rules come first.",
    "Where a beam is allowed and you still want one: look and listen first; never towards aircraft, people, vehicles or animals; the shortest flash, never left on. It dazzles for kilometres, and pointers are often stronger than their label.",
];
pub(super) const GROUND: &[&str] = &[
    "Know every edge and the water by day. Stop walking to look at a screen.",
    "Leave wildlife, closures and other people’s frames in peace; lights low and away from them.",
];

/// A text with its braces filled.
pub fn fill(text: &str, with: &[(&str, &str)]) -> String {
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
