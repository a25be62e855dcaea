//! Every option of `outing.toml`, described once: the checks, the commented template and the
//! documentation all come from here.

use nightloom_sky::Site;

/// What a value must be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum OptionKind {
    /// Any text in quotes.
    Text,
    /// A number.
    Number {
        /// Its unit, for a person to read; empty for a bare ratio.
        unit: &'static str,
        /// Smallest possible value.
        min: f64,
        /// Largest possible value.
        max: f64,
    },
    /// A whole number.
    Whole {
        /// What is counted.
        unit: &'static str,
        /// Smallest possible value.
        min: i64,
        /// Largest possible value.
        max: i64,
    },
    /// `true` or `false`.
    Flag,
    /// One of these words.
    Choice(&'static [&'static str]),
    /// Two numbers, `[right, down]`.
    Pair {
        /// Their unit.
        unit: &'static str,
        /// Smallest possible value of each.
        min: f64,
        /// Largest possible value of each.
        max: f64,
    },
    /// What is kept of a picture: “covered”, “all”, or `[left, top, right, bottom]`.
    Crop,
    /// A moment in UTC, RFC 3339, or by the site's clock.
    Moment,
    /// A date, YYYY-MM-DD.
    Date,
    /// An IANA time-zone name.
    Zone,
    /// An offset from UTC such as `"+02:00"`.
    Offset,
    /// The path of a frame inside the outing.
    Frame,
    /// The path of a file, from the outing's folder.
    File,
}

/// One option.
#[derive(Clone, Copy, Debug)]
pub struct OptionSpec {
    /// The section it stands in.
    pub section: &'static str,
    /// Its key, with the unit as a suffix.
    pub key: &'static str,
    /// What its value must be.
    pub kind: OptionKind,
    /// Its default as TOML; `None` when absence means something, which `help` tells.
    pub default: Option<&'static str>,
    /// A possible value as TOML that is not the default.
    pub example: &'static str,
    /// What it does, one or two sentences.
    pub help: &'static str,
}

/// The sections in the order of the file, with what each is about.
pub const SECTIONS: &[(&str, &str)] = &[
    ("outing", "One night at one site with one rig."),
    (
        "site",
        "Where the camera stood, for the record. Latitude north and longitude east are positive.",
    ),
    (
        "rig",
        "Camera and lens. What the files tell need not be repeated here.",
    ),
    (
        "camera_clock",
        "What the camera's clock is worth: true UTC = clock - offset - error_s.",
    ),
    ("sky", "The stack of tracked frames."),
    ("land", "The stack of frames from the fixed tripod."),
    ("seam", "Where land and sky meet."),
    ("picture", "The finished picture."),
    ("files", "What the files of the results say beside their pixels."),
    (
        "frames",
        "What is known better of single frames: \"path\" = { role = ..., use = ... }.",
    ),
];

const fn option(
    section: &'static str,
    key: &'static str,
    kind: OptionKind,
    default: Option<&'static str>,
    example: &'static str,
    help: &'static str,
) -> OptionSpec {
    OptionSpec {
        section,
        key,
        kind,
        default,
        example,
        help,
    }
}

const fn number(unit: &'static str, min: f64, max: f64) -> OptionKind {
    OptionKind::Number { unit, min, max }
}

/// Every option outside `[frames]`, in the order of the file.
pub const OPTIONS: &[OptionSpec] = &[
    option(
        "outing",
        "name",
        OptionKind::Text,
        None,
        "\"The old mine under Lyra\"",
        "A name for the report.",
    ),
    option(
        "outing",
        "note",
        OptionKind::Text,
        None,
        "\"Wind from 2 o'clock on.\"",
        "Anything worth remembering; goes into the report.",
    ),
    option(
        "outing",
        "evening",
        OptionKind::Date,
        None,
        "2026-09-12",
        "The date on which the night begins, by the site's clock.",
    ),
    option(
        "outing",
        "subject",
        OptionKind::Text,
        None,
        "\"Lyra\"",
        "What the picture is about: a constellation, star, nebula, planet, shower, the Milky Way's core, or RA,DEC in ICRS degrees; several with ; between them.",
    ),
    option(
        "site",
        "latitude_deg",
        number("degrees", -90.0, 90.0),
        None,
        "46.52",
        "Latitude, north positive; needs longitude_deg too.",
    ),
    option(
        "site",
        "longitude_deg",
        number("degrees", -180.0, 180.0),
        None,
        "8.03",
        "Longitude, east positive.",
    ),
    option(
        "site",
        "elevation_m",
        number("metres", *Site::ELEVATIONS_M.start(), *Site::ELEVATIONS_M.end()),
        Some("0.0"),
        "1850.0",
        "Height above the sea.",
    ),
    option(
        "site",
        "zone",
        OptionKind::Zone,
        None,
        "\"Europe/Zurich\"",
        "Time zone by its IANA name: for a camera clock whose offset nothing tells, and for showing times; without it a night's zone is found from the coordinates.",
    ),
    option(
        "site",
        "skyline",
        OptionKind::File,
        None,
        "\"ridge.csv\"",
        "A CSV of azimuth (from true north) and altitude in degrees, by its path from this folder; without it skyline.csv, if it is there.",
    ),
    option(
        "site",
        "share",
        OptionKind::Flag,
        Some("false"),
        "true",
        "Whether latitude, longitude and height are written into the files of the results, where whoever gets them can read them.",
    ),
    option(
        "rig",
        "camera",
        OptionKind::Text,
        None,
        "\"A body\"",
        "Camera, for the record.",
    ),
    option(
        "rig",
        "lens",
        OptionKind::Text,
        None,
        "\"24 mm f/1.8\"",
        "Lens, for the record.",
    ),
    option(
        "rig",
        "focal_mm",
        number("millimetres", 1.0, 5000.0),
        None,
        "24.0",
        "Focal length, instead of what the files say; for lenses that tell nothing.",
    ),
    option(
        "rig",
        "pixel_um",
        number("micrometres", 0.5, 50.0),
        None,
        "5.95",
        "Pixel pitch, instead of what the files say.",
    ),
    option(
        "rig",
        "projection",
        OptionKind::Choice(&[
            "rectilinear",
            "equidistant",
            "equisolid",
            "stereographic",
            "orthographic",
        ]),
        Some("\"rectilinear\""),
        "\"equisolid\"",
        "How the lens draws before its faults; everything but rectilinear is a fisheye.",
    ),
    option(
        "rig",
        "sensor",
        OptionKind::Text,
        None,
        "\"36x24\"",
        "Width and height of the sensor in millimetres, or the name of its format, for what a frame takes in.",
    ),
    option(
        "rig",
        "tracker",
        OptionKind::Text,
        None,
        "\"A small tracker\"",
        "Tracker, for the record.",
    ),
    option(
        "rig",
        "gear_error_arcsec",
        number("arcseconds", 0.0, 3600.0),
        None,
        "25.0",
        "Amplitude of the tracker's periodic error, half of peak to peak; needs gear_period_s too.",
    ),
    option(
        "rig",
        "gear_period_s",
        number("seconds", 1.0, 86400.0),
        None,
        "480.0",
        "Period of the tracker's periodic error.",
    ),
    option(
        "rig",
        "frames_per_charge",
        number("frames", 1.0, 1e6),
        None,
        "220.0",
        "Your own count of sky frames on one charge of the battery.",
    ),
    option(
        "rig",
        "mb_per_frame",
        number("megabytes", 0.1, 10000.0),
        None,
        "48.0",
        "What one frame takes on the card.",
    ),
    option(
        "rig",
        "fits_cfa",
        OptionKind::Choice(&["RGGB", "BGGR", "GRBG", "GBRG"]),
        None,
        "\"RGGB\"",
        "The colour filters of FITS files that do not tell them, first pixel first; without it they are grey.",
    ),
    option(
        "rig",
        "fits_rows",
        OptionKind::Choice(&["bottom-up", "top-down"]),
        None,
        "\"top-down\"",
        "Whether the first row of FITS files is the picture's bottom or top, instead of what they tell.",
    ),
    option(
        "rig",
        "fits_black",
        number("the file's numbers", -1e9, 1e9),
        None,
        "1024.0",
        "The level of no light in FITS files.",
    ),
    option(
        "rig",
        "fits_white",
        number("the file's numbers", -1e9, 1e9),
        None,
        "16383.0",
        "The level of saturation in FITS files.",
    ),
    option(
        "camera_clock",
        "offset",
        OptionKind::Offset,
        None,
        "\"+02:00\"",
        "The clock's offset from UTC, instead of what the files say.",
    ),
    option(
        "camera_clock",
        "error_s",
        number("seconds", -1e9, 1e9),
        Some("0.0"),
        "35.0",
        "How far the clock was ahead of the true time; negative when it was behind.",
    ),
    option(
        "sky",
        "rejection",
        OptionKind::Choice(&["auto", "none"]),
        Some("\"auto\""),
        "\"none\"",
        "Whether satellites, aircraft and hot pixels are rejected; auto suits the limits to the number of frames.",
    ),
    option(
        "sky",
        "min_stars",
        OptionKind::Whole {
            unit: "stars",
            min: 3,
            max: 1000,
        },
        Some("12"),
        "30",
        "A sky frame with fewer stars is left out.",
    ),
    option(
        "sky",
        "max_elongation",
        number("", 1.0, 20.0),
        Some("2.0"),
        "1.5",
        "A sky frame whose stars are longer than this times their width is left out.",
    ),
    option(
        "sky",
        "reference",
        OptionKind::Frame,
        None,
        "\"sky/IMG_0007.DNG\"",
        "The frame that the others are registered to; without it the best one.",
    ),
    option(
        "land",
        "use",
        OptionKind::Text,
        Some("\"night\""),
        "\"twilight\"",
        "Which land frames become the land: those of the \"night\", those of \"twilight\", or those of one setting, as \"60 s, f/2.8, ISO 1600\". Without any of the night, all are used.",
    ),
    option(
        "land",
        "match_night",
        OptionKind::Flag,
        Some("false"),
        "true",
        "Whether land of twilight is brought to the night's colour and brightness, by the sky that it shows.",
    ),
    option(
        "land",
        "register",
        OptionKind::Flag,
        Some("true"),
        "false",
        "Whether land frames are moved onto each other where the tripod gave way.",
    ),
    option(
        "land",
        "reject",
        OptionKind::Flag,
        Some("true"),
        "false",
        "Whether trails and passing lights are rejected.",
    ),
    option(
        "seam",
        "instant",
        OptionKind::Moment,
        None,
        "2026-09-12T21:40:00Z",
        "The moment whose sky is shown over the ridge, UTC; without it the one for which the tracked frames cover the sky over this ridge best, near their middle.",
    ),
    option(
        "seam",
        "offset_px",
        OptionKind::Pair {
            unit: "pixels",
            min: -20000.0,
            max: 20000.0,
        },
        Some("[0.0, 0.0]"),
        "[0.0, -120.0]",
        "Moves the sky from where it stood, right and down. The report says so.",
    ),
    option(
        "picture",
        "look",
        OptionKind::Choice(&["natural", "deep", "bright"]),
        Some("\"natural\""),
        "\"deep\"",
        "What the other options here start from: how dark the sky's background is shown, how much its forms and the land are raised.",
    ),
    option(
        "picture",
        "midtones",
        number("", 0.0, 3.0),
        Some("1.0"),
        "0.5",
        "Contrast of the Milky Way and other large forms of the sky: 1 as the look has it, 0 as recorded.",
    ),
    option(
        "picture",
        "land_lift",
        number("", 0.0, 1.0),
        Some("1.0"),
        "0.0",
        "How far land that is darker than the look wants it is raised: 1 all the way (two stops at most), 0 not at all.",
    ),
    option(
        "picture",
        "noise_reduction",
        number("", 0.0, 1.5),
        Some("1.0"),
        "0.5",
        "How much of the noise that the layers are known to have is taken, colour before grain: 1 as usual, 0 nothing.",
    ),
    option(
        "picture",
        "gradient",
        number("", 0.0, 1.0),
        Some("0.7"),
        "0.3",
        "How much of the sky's brightness gradient is taken away, 0 none to 1 all.",
    ),
    option(
        "picture",
        "stretch",
        number("", 0.0, 1.0),
        Some("0.5"),
        "0.8",
        "How strongly dark tones are lifted, 0 hardly to 1 strongly.",
    ),
    option(
        "picture",
        "saturation",
        number("", 0.0, 3.0),
        Some("1.0"),
        "1.2",
        "Colourfulness: 1 as it is, 0 grey.",
    ),
    option(
        "picture",
        "white",
        OptionKind::Choice(&["stars", "as-shot"]),
        Some("\"stars\""),
        "\"as-shot\"",
        "What the colours are balanced by.",
    ),
    option(
        "picture",
        "land_stops",
        number("stops", -5.0, 5.0),
        Some("0.0"),
        "0.7",
        "Brightens (positive) or darkens the land, beside what land_lift does.",
    ),
    option(
        "picture",
        "sky_stops",
        number("stops", -3.0, 3.0),
        Some("0.0"),
        "-0.3",
        "Brightens (positive) or darkens the sky after look and stretch have shown it.",
    ),
    option(
        "picture",
        "contrast",
        number("", 0.0, 3.0),
        Some("1.0"),
        "1.3",
        "How steep the curve is where the sky's background lies: 1 as the look has it, 0 not bent at all.",
    ),
    option(
        "picture",
        "black_point",
        number("", -0.5, 0.8),
        Some("0.0"),
        "0.1",
        "Puts black higher by this share of the sky's light, or lower; the sky's background stays as bright as it is.",
    ),
    option(
        "picture",
        "white_point",
        number("stops", -4.0, 4.0),
        Some("0.0"),
        "1.0",
        "Puts white higher by so many stops, so that bright stars and lamps keep more of their drawing, or lower.",
    ),
    option(
        "picture",
        "temperature",
        number("mired", -80.0, 100.0),
        Some("0.0"),
        "15.0",
        "Shows the light warmer (positive) or cooler than it was balanced.",
    ),
    option(
        "picture",
        "tint",
        number("thousandths of Duv", -20.0, 20.0),
        Some("0.0"),
        "-2.0",
        "Shows the light greener (positive) or more magenta than it was balanced.",
    ),
    option(
        "picture",
        "star_size",
        number("", 0.3, 1.0),
        Some("1.0"),
        "0.7",
        "How wide stars are shown, as a share of the width they were recorded with: 1 as recorded. Their peaks and the sky round them stay.",
    ),
    option(
        "picture",
        "star_colour",
        number("", 0.0, 3.0),
        Some("1.0"),
        "1.5",
        "Colourfulness of the stars alone: 1 as recorded, 0 white.",
    ),
    option(
        "picture",
        "vignette",
        number("stops", -2.0, 2.0),
        Some("0.0"),
        "0.4",
        "Shows the picture's corners darker than its middle by so many stops, or brighter (negative).",
    ),
    option(
        "picture",
        "level_deg",
        number("degrees", -45.0, 45.0),
        Some("0.0"),
        "-1.4",
        "Turns the picture clockwise (positive) to be level, after the crop, and keeps the largest box of the same proportions without bare corners. All results are turned alike.",
    ),
    option(
        "picture",
        "grow",
        OptionKind::Flag,
        Some("true"),
        "false",
        "Whether the canvas grows where the sky reaches beyond the land frame.",
    ),
    option(
        "picture",
        "crop",
        OptionKind::Crop,
        Some("\"covered\""),
        "[120, 80, 5900, 3900]",
        "What is kept of the full canvas: what the tracked frames cover and the land under it, all, or a box [left, top, right, bottom] in pixels. The report tells the box that was taken.",
    ),
    option(
        "files",
        "creator",
        OptionKind::Text,
        None,
        "\"A. Photographer\"",
        "Who made the picture, as its files say it.",
    ),
    option(
        "files",
        "copyright",
        OptionKind::Text,
        None,
        "\"© 2026 A. Photographer, all rights reserved\"",
        "Whose the picture is, in the words that its files say it in.",
    ),
    option(
        "files",
        "layer_pages",
        OptionKind::Flag,
        Some("false"),
        "true",
        "Whether layers.tif is written too: sky and land as named pages of one 16-bit TIFF, the land with its alpha.",
    ),
    option(
        "files",
        "layer_files",
        OptionKind::Flag,
        Some("false"),
        "true",
        "Whether layer-1-sky.tif and layer-2-land.tif are written too: one 16-bit TIFF for each layer, the lowest first, the land with its alpha.",
    ),
    option(
        "files",
        "star_layer",
        OptionKind::Flag,
        Some("false"),
        "true",
        "Whether all layered files have the stars in a layer of their own, over a sky without them.",
    ),
];

/// What `[frames]` can say of one frame.
pub const FRAME_OPTIONS: &[OptionSpec] = &[
    option(
        "frames.PATH",
        "role",
        OptionKind::Choice(&["sky", "land", "dark", "flat", "bias"]),
        None,
        "\"land\"",
        "What the frame is for, instead of what was decided.",
    ),
    option(
        "frames.PATH",
        "use",
        OptionKind::Flag,
        None,
        "false",
        "false leaves the frame out; true keeps it against a check's verdict.",
    ),
];

impl OptionKind {
    /// What is expected, as in “a number from -90 to 90 (degrees)”.
    pub fn expected(&self) -> String {
        let with_unit = |text: String, unit: &str| {
            if unit.is_empty() {
                text
            } else {
                format!("{text} ({unit})")
            }
        };
        match self {
            Self::Text => "text in quotes".into(),
            Self::Number { unit, min, max } => with_unit(format!("a number from {min} to {max}"), unit),
            Self::Whole { unit, min, max } => with_unit(format!("a whole number from {min} to {max}"), unit),
            Self::Flag => "true or false".into(),
            Self::Choice(words) => {
                let quoted: Vec<String> = words.iter().map(|w| format!("\"{w}\"")).collect();
                match quoted.split_last() {
                    Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
                    _ => quoted.concat(),
                }
            }
            Self::Pair { unit, min, max } => {
                with_unit(format!("[right, down], two numbers from {min} to {max}"), unit)
            }
            Self::Crop => {
                "\"covered\", \"all\", or [left, top, right, bottom] in whole pixels of the full canvas, right and bottom beyond left and top".into()
            }
            Self::Moment => "a moment in UTC such as 2026-09-12T21:40:00Z, or by the site's clock, as 2026-09-12T23:40:00".into(),
            Self::Date => "a date such as 2026-09-12".into(),
            Self::Zone => "an IANA time zone such as \"Europe/Zurich\"".into(),
            Self::Offset => "an offset from UTC such as \"+02:00\"".into(),
            Self::Frame => "the path of a frame from the outing's folder, in quotes".into(),
            // Any text may be a path.
            Self::File => "text in quotes".into(),
        }
    }
}
