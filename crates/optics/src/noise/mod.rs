//! Light and noise in electrons: the sky's rate, signal-to-noise, limits, and how many
//! exposures of what length.
//!
//! Everything here is per pixel of the sensor and in electrons; magnitudes are V.

mod choices;
mod limits;
mod sky_rate;
mod snr;

pub use choices::{Choice, choices};
pub use limits::{READ_NOISE_SHARE, sky_limited_s};
pub use sky_rate::{LightPath, ZERO_POINT_V, sky_e_per_s, star_e_per_s};
pub use snr::{BEST_RADIUS, Collected, NoiseShares, PixelBackground, SignalToNoise, signal_to_noise};
