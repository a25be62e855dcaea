//! Every English text of the pages, in one place.

pub(super) const REFUSED: &str = "Refused: this outing answers only to pages of its own, under the address that was printed when it was started.\n";
pub(super) const BROKEN: &str =
    "that failed inside the program; nothing was changed. Please report it with what you did";
pub(super) const NOTHING_HERE: &str = "There is nothing here";
pub(super) const NOT_OF_THIS_OUTING: &str =
    "This address belongs to no page of the outing; the stages above lead to all of them.";
pub(super) const SKIP: &str = "To the content";
pub(super) const STAGES: &str = "Stages of the outing";
pub(super) const RED: &str = "Red light";
pub(super) const DAY: &str = "Day light";
pub(super) const TYPED_BEFORE: &str = "Typed before, and not saved yet: press Enter to save it.";
pub(super) const SAVED: &str = "Saved";
pub(super) const SILENT: &str = "No answer from the program: is it still running? What was saved is on disk.";
pub(super) const NO_SCRIPT: &str = "Charts and settings work without scripts; dragging and live news do not.";

pub(super) const OUTING: &str = "Outing";
pub(super) const NIGHT: &str = "Night";
pub(super) const EXPOSURE: &str = "Exposure";
pub(super) const FRAMES: &str = "Frames";
pub(super) const PICTURE: &str = "Picture";
pub(super) const SETTINGS: &str = "Settings";

pub(super) const DONE: &str = "done";
pub(super) const OPEN: &str = "open";
pub(super) const NEXT: &str = "next";
pub(super) const UNNAMED: &str = "An outing without a name yet";
pub(super) const STANDS: &str = "Where this outing stands";
pub(super) const PLACE: &str = "Place";
pub(super) const EVENING: &str = "Evening";
pub(super) const SUBJECT: &str = "Subject";
pub(super) const RIG: &str = "Camera and lens";
pub(super) const FRAMES_ON_DISK: &str = "Frames";
pub(super) const PICTURE_MADE: &str = "Picture";
pub(super) const SAY_WHERE: &str = "Say where the tripod stands";
pub(super) const SAY_WHEN: &str = "Say on which evening the night begins";
pub(super) const SAY_WHAT: &str = "Say what in the sky it is about";
pub(super) const SAY_RIG: &str = "Say the focal length; frames tell it later";
pub(super) const NO_FRAMES: &str = "None yet: copy the card into the folder";
pub(super) const NO_PICTURE: &str = "Not made yet";

pub(super) const SETTINGS_LEAD: &str = "All that this outing says of itself. Each field is kept when you leave it; notes in the outing's own file stay.";

/// What an option is called on a page: as on the picture's page, or by its key without the unit, which stands behind it.
pub(super) fn setting_name(section: &str, key: &str, unit: Option<&str>) -> String {
    let name = match (section, key) {
        ("picture", "crop") => "Frame",
        ("picture", key) => live_name(key),
        ("rig", "focal_mm") => "Focal length",
        ("rig", "pixel_um") => "Pixel pitch",
        ("rig", "mb_per_frame") => "Size of a frame",
        ("camera_clock", "error_s") => "Clock ahead by",
        ("seam", "offset_px") => SKY_MOVED,
        (_, key) => key,
    };
    let cut = ["_deg", "_mm", "_um", "_arcsec", "_m", "_s", "_px"];
    let bare = cut
        .iter()
        .find_map(|unit| name.strip_suffix(unit))
        .unwrap_or(name);
    let bare = bare.replace('_', " ");
    let mut letters = bare.chars();
    let first = letters.next().map(char::to_uppercase);
    let bare: String = first.into_iter().flatten().chain(letters).collect();
    match unit {
        Some(unit) if !unit.is_empty() => format!("{bare}, {unit}"),
        _ => bare,
    }
}
pub(super) const LONGITUDE_TOO: &str =
    "Kept together with the longitude: give that too, or both here, as 46.52, 8.03 or 46°31'N 8°2'E";
pub(super) const LATITUDE_TOO: &str = "Kept together with the latitude: give that too";
pub(super) const USUAL: &str = "usual";

pub(super) const THE_NIGHT: &str = "The night";
pub(super) const THE_VIEW: &str = "The view";
pub(super) const THE_YEAR: &str = "The year";
pub(super) const YEAR_LEADS: &str = "Press a night to see it.";
pub(super) const BEST_OF_MONTHS: &str = "the best of each month";
pub(super) const NO_BEST: &str = "none this year";
pub(super) const SHOW: &str = "Show";
pub(super) const DRAG: &str = "Drag the frame over the skyline, or use the arrow keys (with Shift: one degree at a time, otherwise five).";
pub(super) const FOCAL: &str = "Focal length, mm";
pub(super) const SENSOR: &str = "Sensor";
pub(super) const UPRIGHT: &str = "Held upright";
pub(super) const DATE: &str = "Evening";
pub(super) const NO_PLACE_YET: &str = "The night needs a place and an evening first.";

pub(super) const LADDER: &str = "The same exposure, step by step";
pub(super) const FROM: &str = "What looked right";
pub(super) const LONGEST: &str = "Longest time";
pub(super) const LOWEST_ISO: &str = "Lowest ISO";
pub(super) const NARROWEST: &str = "Narrowest f-number";
pub(super) const SIGNAL: &str = "Signal and noise";
pub(super) const SKY_MAG: &str = "Sky, mag/arcsec²";
pub(super) const F_NUMBER: &str = "f-number";
pub(super) const PITCH: &str = "Pixel pitch, µm";
pub(super) const QE: &str = "Quantum efficiency";
pub(super) const TRANSMISSION: &str = "Transmission";
pub(super) const READ_NOISE: &str = "Read noise, e⁻";
pub(super) const TOTAL: &str = "Time to spend";
pub(super) const TRAILS: &str = "Trails of a fixed camera";
pub(super) const ONE_EXPOSURE: &str = "One exposure";
pub(super) const DECLINATION: &str = "Declination, °";
pub(super) const HOUR_ANGLE: &str = "Hour angle, h";
pub(super) const SHOT_LIST: &str = "Shot list";
pub(super) const ONE_SKY: &str = "One sky frame";
pub(super) const SKY_FRAMES: &str = "Sky frames";
pub(super) const ONE_LAND: &str = "One land frame";
pub(super) const CAUTIONS: &str = "Mind";
pub(super) const BEGINS: &str = "From";
pub(super) const ENDS: &str = "To";
pub(super) const DOING: &str = "What";
pub(super) const HOW: &str = "How";
pub(super) const MIND: &str = "Note";
pub(super) const TIMES_IN: &str = "Times in";
pub(super) const LOOK_CLOSER: &str = "Look closer";
pub(super) const ALL_FRAMES: &str = "All frames";
pub(super) const ZOOM_IN: &str = "Closer";
pub(super) const ZOOM_OUT: &str = "Farther";
pub(super) const FIT: &str = "Whole";
pub(super) const FULL: &str = "Pixel by pixel";
pub(super) const LIFT: &str = "Lift dark tones, stops";
pub(super) const VIEWER_KEYS: &str = "Drag to move, wheel or + and - to come closer, 0 for the whole, 1 for pixel by pixel, arrow keys to move, F for the picture alone.";
pub(super) const KEYS: &str = "Keys";
pub(super) const NO_SUCH_FRAME: &str =
    "There is no such frame in this outing; it may have been moved or renamed";
pub(super) const MADE_ANEW: &str = "This picture was made anew meanwhile; load the page again to see it";
pub(super) const ALONE: &str = "The picture alone";
pub(super) const PANELS: &str = "What is done with the picture";
pub(super) const IN_THE_PICTURE: &str = "In the picture";
pub(super) const NOT_IN_THE_PICTURE: &str = "Not in the picture";
pub(super) const ROLE_IS: &str = "Is";
pub(super) const USE_IS: &str = "Use";
pub(super) const AS_FOUND: &str = "as found";
pub(super) const AS_JUDGED: &str = "as judged";
pub(super) const USE_ALWAYS: &str = "in any case";
pub(super) const USE_NEVER: &str = "leave out";
pub(super) const FRAME_SAID: &str = "Kept; the next making of the picture follows it.";
pub(super) const FRAME_BEFORE: &str = "Frame before";
pub(super) const FRAME_AFTER: &str = "Frame after";
pub(super) const BLINK: &str = "Blink with the frame beside it";
pub(super) const FRAME_KEYS: &str =
    "Comma and full stop go to the frame before and after, at the same place; B blinks.";
pub(super) const GROUP_FRAME: &str = "Frame";
pub(super) const AS_TEXT: &str = "These settings as text";
pub(super) const AS_TEXT_LEAD: &str =
    "Copy them to another outing, or put another outing's here; they hold no frames.";
pub(super) const LINE_NOT_TAKEN: &str =
    "“{line}” is no setting of a picture as it can be; nothing was taken over.";
pub(super) const GROUP_EXPORT: &str = "Give the picture away";
pub(super) const GROUP_VERSIONS: &str = "Finished pictures";
pub(super) const CROP_KEPT: &str = "What is kept";
pub(super) const CROP_COVERED: &str = "All covered sky and the land under it";
pub(super) const CROP_ALL: &str = "All of the canvas";
pub(super) const CROP_HAND: &str = "By hand";
pub(super) const CROP_LEAD: &str = "Drag the frame's corners and sides on the picture, with Alt the whole frame. Built with the next making; a file given away is cut at once. To reach beyond this picture, make it with all of the canvas first.";
pub(super) const SHAPE: &str = "Proportion";
pub(super) const SHAPE_FREE: &str = "free";
pub(super) const EDGE_LEFT: &str = "Left";
pub(super) const EDGE_TOP: &str = "Top";
pub(super) const EDGE_RIGHT: &str = "Right";
pub(super) const EDGE_BOTTOM: &str = "Bottom";
pub(super) const EXPORT: &str = "Write the file";
pub(super) const EXPORT_LEAD: &str =
    "As it is shown now, whether it is built or not; written into the outing's folder of results.";
pub(super) const EXPORT_KIND: &str = "Kind";
pub(super) const EXPORT_SIZE: &str = "Longer side, px (empty: as it is)";
pub(super) const EXPORT_SHARPEN: &str = "Sharpening";
pub(super) const EXPORT_WAIT: &str = "Writing …";
pub(super) const EXPORT_SAVE: &str = "Save a copy of";
pub(super) const TIFF_16: &str = "TIFF, 16 bits";
pub(super) const SHARPEN_NONE: &str = "none";
pub(super) const SHARPEN_USUAL: &str = "for a screen";
pub(super) const SHARPEN_MUCH: &str = "for paper";
pub(super) const VERSIONS_LEAD: &str = "Each picture that was made here, with what changed since the one before. Previews are kept, the newest forty, 64 MB at most.";
pub(super) const COMPARE: &str = "Compare";
pub(super) const BRING_BACK: &str = "Bring its settings back";
pub(super) const BEFORE_IS: &str = "Before";
pub(super) const ONE_LAND_FRAME: &str = "one land frame";
pub(super) const AS_WRITTEN: &str = "the built picture";

pub(super) fn exported(name: &str, [width, height]: [usize; 2], bytes: u64, seconds: f64) -> String {
    let mb = bytes as f64 / 1e6;
    format!("{name}: {width} × {height} px, {mb:.1} MB, in {seconds:.1} s.")
}

pub(super) fn version(number: u32) -> String {
    format!("Picture {number}")
}

pub(super) fn version_about([width, height]: [usize; 2], sky_frames: usize, seconds: f64) -> String {
    format!("{width} × {height} px of {sky_frames} sky frames, made in {seconds:.0} s")
}

pub(super) const DEVELOP: &str = "How the picture is developed";
pub(super) const DIFFERS: &str = "Differs from the built picture in: {what}.";
pub(super) const AS_BUILT: &str = "This is the built picture.";
pub(super) const BUILT_UNKNOWN: &str =
    "How the built picture was developed is not known; make it again to compare.";
pub(super) const CLIPPED: &str = "In sight: {black} black throughout, {white} with a colour at its end.";
pub(super) const MARK_CLIPPED: &str = "Stripe what is black throughout or at its end";
pub(super) const OUT_OF_RANGE: &str = "Expected a number from {min} to {max}, found “{found}”.";
pub(super) const HISTOGRAM: &str = "How many pixels in sight have which brightness, from dark to light";
pub(super) const BACK_TO_BUILT: &str = "As built";
pub(super) const ALL_USUAL: &str = "All as usual";
pub(super) const GROUP_LIGHT: &str = "Light of the whole";
pub(super) const GROUP_SKY: &str = "Sky";
pub(super) const GROUP_LAND: &str = "Land";
pub(super) const GROUP_COLOUR: &str = "Colour";
pub(super) const FRAMES_ACROSS_UP: &str = "Frames across × up, or auto";
pub(super) const OVERLAP: &str = "Overlap, %";
pub(super) const VIEW_MOMENT: &str = "Moment shown";
pub(super) const VIEW_BEST: &str = "The moment aimed for";
pub(super) const SKY_MOVED: &str = "Sky over the land";
pub(super) const SKY_MOVED_LEAD: &str = "Where the sky stood is where it is. Moved, the picture shows what was not there, and its report says so. What comes in at the border is seen after the next making.";
pub(super) const SKY_MOVED_TOLD: &str =
    "The sky lies {right} px right and {down} px down from where it stood.";
pub(super) const SKY_MOVED_FIRST: &str = "The sky was moved since this picture was made. Make it again first, so that what comes in at the border is there.";
pub(super) const MOVE_SKY: &str = "Drag the sky under the land";
pub(super) const SKY_RIGHT: &str = "Right, px";
pub(super) const SKY_DOWN: &str = "Down, px";
pub(super) const LEVEL: &str = "Level";
pub(super) const LEVEL_BY_STARS: &str = "As the stars tell it";
pub(super) const LEVEL_BY_LINE: &str = "Draw what should be level";
pub(super) const LEVEL_LEAD: &str = "Turned after the crop, and cut so that no corner is bare.";
pub(super) const LEVEL_LINE_SHORT: &str =
    "Draw a longer line, along water or a horizon that should be level.";
pub(super) const DEVELOP_KEYS: &str = "Arrow keys and the wheel move the slider in hand, with Shift the wheel goes five steps. Press twice on a line for its usual value. Ctrl+Z undoes, Ctrl+Y does again.";
pub(super) const NOT_LIVE: &str =
    "this setting is not seen at once; change it under Settings and make the picture again";
pub(super) const NOT_A_VALUE: &str = "expected one of its values; choose or type another";

/// What an option of the picture is called beside its slider.
pub(super) fn live_name(key: &str) -> &'static str {
    match key {
        "look" => "Look",
        "stretch" => "Dark tones lifted",
        "contrast" => "Contrast at the sky's level",
        "black_point" => "Black point",
        "white_point" => "White point",
        "sky_stops" => "Sky brighter",
        "midtones" => "Forms of the sky",
        "gradient" => "Gradient taken off",
        "noise_reduction" => "Noise taken",
        "land_stops" => "Land brighter",
        "land_lift" => "Dark land raised",
        "temperature" => "Warmer",
        "tint" => "Greener",
        "saturation" => "Saturation",
        "star_size" => "Width of the stars",
        "star_colour" => "Colour of the stars",
        "vignette" => "Corners darker",
        "level_deg" => "Turned clockwise",
        "white" => "Balanced by",
        "grow" => "Canvas grown",
        _ => "Frame",
    }
}

pub(super) fn yes_or_no(word: &str) -> &'static str {
    if word == "true" { "yes" } else { "no" }
}

/// A unit beside a field.
pub(super) fn live_unit(unit: &'static str) -> &'static str {
    match unit {
        "thousandths of Duv" => "10⁻³ Duv",
        other => other,
    }
}

pub(super) const BUILD: &str = "Make the picture";
pub(super) const BUILD_AGAIN: &str = "Make it again";
pub(super) const CANCEL: &str = "Stop";
pub(super) const BUILD_LEAD: &str = "Does again only what changed. Stopping loses nothing that is finished.";
pub(super) const WORKING: &str = "Working";
pub(super) const BUSY: &str = "The picture is being made already";
pub(super) const STOPPED: &str = "Stopped; what was finished is kept";
pub(super) const MADE: &str = "The picture is made";
pub(super) const LAYERS: &str = "Shown";
pub(super) const SKY_LAYER: &str = "Sky";
pub(super) const LAND_LAYER: &str = "Land";
pub(super) const MATTE_OVER: &str = "Matte: land hatched";
pub(super) const EDGE_LINE: &str = "Edge as a line";
pub(super) const BEFORE: &str = "Before and after";
pub(super) const BEFORE_UP_TO: &str = "Shown up to here";
pub(super) const NO_EDGE: &str = "Layers of the edge, the brush and before and after come with the next making of the picture, if it has land frames.";
pub(super) const BRUSH: &str = "Edge of land and sky";
pub(super) const BRUSH_WHAT: &str = "Hints by hand";
pub(super) const BRUSH_LEAD: &str = "Brush over what was taken for the wrong side. A stroke speaks for the patch it lies in; over the open sky for itself alone.";
pub(super) const BRUSH_MOVE: &str = "Move the picture";
pub(super) const BRUSH_LAND: &str = "Here is land";
pub(super) const BRUSH_SKY: &str = "Here is sky";
pub(super) const BRUSHED_LAND: &str = "land";
pub(super) const BRUSHED_SKY: &str = "sky";
pub(super) const BRUSH_WIDTH: &str = "Width of the brush";
pub(super) const UNDO: &str = "Undo";
pub(super) const REDO: &str = "Redo";
pub(super) const CLEAR: &str = "Take all strokes away";
pub(super) const HINTS_KEPT: &str =
    "Strokes kept in hints.toml: {n}. The next making of the picture follows them.";
pub(super) const NO_HINTS: &str = "No strokes yet.";
pub(super) const EDGE_WAIT: &str = "Getting the edge ready …";
pub(super) const EDGE_ANSWERED: &str = "Matte solved again and shown after {s} s.";
pub(super) const BRUSH_KEYS: &str = "On the picture: L land, S sky, M move; arrow keys carry the brush, space sets it down and lifts it, comma and full stop make it narrower and wider, U undoes, R does again. Two fingers, or Shift while dragging, move the picture.";
pub(super) const HINTS_CHANGED: &str = "The strokes were changed on another page meanwhile; they are shown as they are now, brush again what is missing";
pub(super) const BACK_TO_PICTURE: &str = "Back to the picture";
pub(super) const REPORT: &str = "The report of this picture";
pub(super) const POLE: &str = "Pole";
pub(super) const POLE_NEEDS_PLACE: &str = "The pole's height needs a place first.";
pub(super) const EXPOSURE_S: &str = "One exposure, s";
pub(super) const SIGHT_WIDTH: &str = "Width of the sight, °";
pub(super) const INVERTED: &str = "The sight is upside down";
pub(super) const SIGHT: &str = "Where the pole star belongs in the sight now";
pub(super) const AXIS: &str = "The axis from frames";
pub(super) const AXIS_LEAD: &str = "Two frames of the camera on the running tracker, some minutes apart, or before and after turning the tracker by hand. A third, taken after you adjusted the axis, updates the figure.";
pub(super) const FIRST_FRAME: &str = "First frame";
pub(super) const SECOND_FRAME: &str = "Second frame";
pub(super) const THEN_FRAME: &str = "After adjusting";
pub(super) const MEASURE_AXIS: &str = "Measure the axis";

pub(super) const PHONE: &str = "The phone at the tripod";
pub(super) const SCAN: &str =
    "Join this machine's network with the phone and scan this code. It opens the outing once, for one phone:";
pub(super) const CODE: &str = "The code to scan; its address stands below";
pub(super) const SHARED_MIND: &str = "What goes to the phone is not encrypted: everybody on the same network can read it, and take it over. Share on a network of your own only, such as this machine's hotspot.";
pub(super) const TOKEN_USED: &str = "The code was used, or is older than ten minutes.";
pub(super) const NEW_CODE: &str = "Show a new code";
pub(super) const NOT_OPEN: &str = "Not open";
pub(super) const SCAN_FIRST: &str =
    "This outing opens to a phone that has scanned the code on the laptop's screen.";
pub(super) const KEY_FIRST: &str = "This outing opens by the address that the program printed when it was started: take that one whole, with its token. Where it is gone, end the program and start it again.";
pub(super) const TOKEN_SPENT: &str = "This code was used before, is too old, or is none. Ask for a new one on the laptop's first page and scan that.";
pub(super) const TOO_MANY_TOKENS: &str = "Too many codes are being tried; wait a little and scan again.";
pub(super) const NO_RANDOM: &str = "the system gives no random numbers, without which nothing is shared";

pub(super) fn phones(count: usize) -> String {
    match count {
        0 => "No phone is let in yet.".into(),
        1 => "One phone is let in, until the program ends.".into(),
        n => format!("{n} phones are let in, until the program ends."),
    }
}

pub(super) const DROP: &str = "Frames that are not in the outing: drop them here, or choose them";
pub(super) const DROP_MIND: &str = "Two or more at once give the axis; one more after adjusting updates it. They are kept outside the outing, up to 200 MB each, and forgotten when the program ends.";
pub(super) const DROPPED: &str = "dropped";
pub(super) const MEASURING: &str = "Measuring the axis";
pub(super) const FORGET_DROPPED: &str = "Forget the dropped frames";
pub(super) const NOT_LAID_BY: &str =
    "the frame cannot be laid by; see whether there is room on the disk that holds temporary files";
pub(super) const CAME_IN_PART: &str = "the frame came only in part; send it again";
pub(super) const ASKED_IN_PART: &str =
    "what was sent came only in part, too slowly, or is too large; try again";
pub(super) const NOT_JUDGED: &str = "not judged yet";
pub(super) const COURSE: &str = "Course of the night";
pub(super) const ALARM: &str = "Look now";

pub(super) fn too_many_dropped(most: usize) -> String {
    format!("{most} dropped frames are kept at most; forget those there are, then drop again")
}

pub(super) fn dropped_too_large(most_mb: u64) -> String {
    format!(
        "this file is larger than {most_mb} MB, more than any frame; drop one raw file or picture at a time"
    )
}

pub(super) fn frames_of(frames: usize) -> String {
    match frames {
        1 => "1 frame".into(),
        n => format!("{n} frames"),
    }
}

pub(super) fn course_over(frames: usize) -> String {
    format!("Over {frames} frames")
}

pub(super) const SAVE_AS: &str = "Save as";
pub(super) const THIS_BROWSER: &str = "How this browser shows it";
pub(super) const LIGHT: &str = "Light";
pub(super) const FOLLOW: &str = "Red from sunset to sunrise";
pub(super) const UNITS: &str = "Heights";
pub(super) const METRIC: &str = "Metres";
pub(super) const IMPERIAL: &str = "Feet";
pub(super) const TIMES: &str = "Times";
pub(super) const LOCAL: &str = "The site's own";
pub(super) const UTC: &str = "UTC";
pub(super) const REMEMBER: &str = "Remember";
pub(super) const FOLLOW_MIND: &str = "Remembered by this browser. Sunset and sunrise are those at the outing's place; without a place it stays day. outing.toml keeps its own units, which are metres.";

pub(super) const EITHER: &str = "Either:";
pub(super) const OR: &str = "Or:";
pub(super) const LEFT_OUT: &str = "Left out:";
