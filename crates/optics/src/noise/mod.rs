//! Light and noise in electrons: the sky's rate, signal-to-noise, limits, saturation, and how many
//! exposures of what length.
//!
//! Everything here is per pixel of the sensor and in electrons; magnitudes are V.

mod limits;
mod sky_rate;

pub use limits::{READ_NOISE_SHARE, sky_limited_s};
pub use sky_rate::{LightPath, ZERO_POINT_V, sky_e_per_s, star_e_per_s};
