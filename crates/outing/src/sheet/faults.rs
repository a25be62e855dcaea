//! What test frames show.

use serde::Serialize;

/// What a test frame shows, why, and what to do about it.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct NightFault {
    /// What is seen on the camera's screen at full size.
    pub see: &'static str,
    /// The likely causes, the likeliest first.
    pub why: &'static str,
    /// What to do, in order.
    pub act: &'static [&'static str],
}

/// Common practice, no source; the causes are those that cost most nights.
pub(super) const FAULTS: &[NightFault] = &[
    NightFault {
        see: "Stars are lines, all alike, in every frame",
        why: "Tracker off, wrong hemisphere or rate, a loose clutch; or the axis is off the pole.",
        act: &[
            "Tracker on? North or south set? Sidereal rate? Clutch tight?",
            "Sight the pole again, with the camera on.",
            "Still lines: go down the ladder to half the time.",
        ],
    },
    NightFault {
        see: "Lines of another length in each frame",
        why: "The tracker's gear, or wind.",
        act: &[
            "Take three more: if only some are long, it is the gear. Keep the good ones.",
            "Lower the tripod, shield it, take the strap off.",
            "Halve the time and double the number.",
        ],
    },
    NightFault {
        see: "Stars are double, or have a hook",
        why: "A bump, a step beside the tripod, the shutter, a head that slips.",
        act: &[
            "Hands off and two seconds of delay; stand still.",
            "Tighten head, plate and legs; then sight the pole again.",
        ],
    },
    NightFault {
        see: "Round in the middle, winged in the corners",
        why: "The lens wide open, or it is not quite in focus.",
        act: &[
            "Focus on a star a third of the way out.",
            "Close the aperture by a stop; the ladder gives the time.",
        ],
    },
    NightFault {
        see: "One side soft, the other sharp",
        why: "Focus between the two, a tilted lens or plate.",
        act: &[
            "Focus for the side that matters, then close the aperture by a stop.",
            "Look at the lens mount.",
        ],
    },
    NightFault {
        see: "Stars are round but fat, or small rings",
        why: "Out of focus: the hard stop is not infinity, the cold has moved it, or autofocus is on.",
        act: &[
            "Autofocus and stabiliser off.",
            "Magnify a bright star; turn through the smallest point and back to it.",
            "Tape the ring, and look again as it cools.",
        ],
    },
    NightFault {
        see: "Soft stars with glows, worse from frame to frame",
        why: "Dew or frost on the glass; or thin cloud.",
        act: &[
            "Look at the front glass from the side, by a dim red light.",
            "Heat it; do not wipe: dab with a dry cloth.",
            "Glass dry and glows stay: it is cloud. Wait.",
        ],
    },
    NightFault {
        see: "Too dark: the histogram stands on the left edge",
        why: "Too little light for this sky: the noise of the camera will show.",
        act: &[
            "Judge by the histogram. The screen misleads in the dark.",
            "A wider aperture or a longer time until the sky stands clear of the edge.",
        ],
    },
    NightFault {
        see: "Too bright: star cores white, no colour",
        why: "Too much light or too high an ISO; moon, town or twilight.",
        act: &[
            "Halve the ISO first; the same time then keeps more colour.",
            "Sky bright all over: is it dark yet? See the night's times.",
        ],
    },
    NightFault {
        see: "One long bright line",
        why: "A satellite, an aircraft or a meteor.",
        act: &[
            "Go on. Among enough frames it is taken out.",
            "An aircraft near: no beam, lights down, wait.",
        ],
    },
    NightFault {
        see: "The land is smeared",
        why: "The camera turns with the sky: that is as it should be.",
        act: &["Sharp land comes from the land frames, with the tracker off."],
    },
    NightFault {
        see: "The land is black",
        why: "No light on it in the middle of the night.",
        act: &[
            "Longer land frames at a lower ISO, or land by twilight or moon as in the list.",
            "No lamps where others photograph, or where the site forbids them.",
        ],
    },
    NightFault {
        see: "The frame has moved since the last one",
        why: "Head or plate gave way under the camera.",
        act: &[
            "Frame and tighten again; then sight the pole again.",
            "Take one land frame more with the new framing.",
        ],
    },
    NightFault {
        see: "Black bands, a grey edge, a cut corner",
        why: "Hood, heater or strap in the way; cap half on; lamp from the side.",
        act: &["Look along the lens. Turn every lamp off and take another."],
    },
];
