//! Sensor formats by name.

/// A format of sensor with its usual size.
///
/// Dimensions as their makers publish them for the format, from memory; bodies of one format differ
/// by up to about 1 %, so a camera's own data sheet is better where it is at hand.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SensorFormat {
    /// What to call it on the command line.
    pub name: &'static str,
    /// Width, millimetres.
    pub width_mm: f64,
    /// Height, millimetres.
    pub height_mm: f64,
}

const fn format(name: &'static str, width_mm: f64, height_mm: f64) -> SensorFormat {
    SensorFormat {
        name,
        width_mm,
        height_mm,
    }
}

/// The formats, large to small.
pub const SENSOR_FORMATS: [SensorFormat; 8] = [
    format("medium-format", 43.8, 32.9),
    // 24 mm × 36 mm: the frame of 135 film, ISO 1007.
    format("full-frame", 36.0, 24.0),
    format("aps-h", 28.7, 19.0),
    format("aps-c", 23.5, 15.6),
    format("aps-c-1.6", 22.3, 14.9),
    // Imaging area of the Four Thirds standard.
    format("four-thirds", 17.3, 13.0),
    format("one-inch", 13.2, 8.8),
    format("1/2.3-inch", 6.17, 4.55),
];

impl SensorFormat {
    /// The format of a name, in any case.
    pub fn named(name: &str) -> Option<Self> {
        SENSOR_FORMATS
            .into_iter()
            .find(|format| format.name.eq_ignore_ascii_case(name))
    }
}
