//! How much of a card the frames fill.

use serde::Serialize;

/// What one frame weighs.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CardSettings {
    /// Millions of pixels of the sensor.
    pub megapixels: f64,
    /// Bits a pixel.
    pub bits: f64,
    /// The photographer's own figure for one frame, megabytes (10⁶ bytes); goes before the two above.
    pub mb_per_frame: Option<f64>,
}

impl Default for CardSettings {
    /// 24 megapixels of 14 bits.
    fn default() -> Self {
        Self {
            megapixels: 24.0,
            bits: 14.0,
            mb_per_frame: None,
        }
    }
}

/// Card space.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Card {
    /// One frame, megabytes (10⁶ bytes).
    pub mb_per_frame: f64,
    /// All frames, gigabytes (10⁹ bytes), as cards are sold.
    pub gb: f64,
    /// What that rests on.
    pub basis: String,
}

/// Card space of a number of frames: pixels times bits, as if packed without loss or compression. Rough: a camera's
/// compression often takes a third off and its preview adds a few megabytes (common practice, no source).
pub fn card(frames: u32, settings: &CardSettings) -> Card {
    let packed = settings.megapixels * settings.bits / 8.0;
    let mb_per_frame = settings.mb_per_frame.unwrap_or(packed);
    let basis = match settings.mb_per_frame {
        Some(own) => format!("your own {own} MB a frame"),
        None => format!(
            "rough: {} megapixels of {} bits, not compressed; your own file size is better",
            settings.megapixels, settings.bits
        ),
    };
    Card {
        mb_per_frame,
        gb: f64::from(frames) * mb_per_frame / 1000.0,
        basis,
    }
}
