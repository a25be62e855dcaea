//! The sensor: what it is said to be, and what its own frames say.

mod classes;
mod dark_rate;
mod figures;
mod iso_effect;
mod line;
mod photon_transfer;
mod variance_line;

pub use classes::classes;
pub use dark_rate::{DarkCurrent, DarkLevel, dark_current, dark_current_from_noise, in_electrons};
pub use figures::{IsoFigures, Sensor};
pub use iso_effect::{IsoEffect, iso_effect};
pub use line::Measured;
pub use photon_transfer::{Transfer, TransferError, TransferPoint, TransferSettings, photon_transfer};
