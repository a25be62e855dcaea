//! The camera without pixels: lens projection and distortion, attitude, exposure in stops, trailing.

mod attitude;
mod exposure;
mod field;
pub mod land;
mod lens;
pub mod noise;
pub mod sensor;
mod stops;

pub use attitude::{Attitude, level};
pub use exposure::Exposure;
pub use field::FieldError;
pub use lens::{Lens, Projection};
pub use stops::{
    Attachment, Comparison, Equivalent, Ladder, Limit, Limits, Rung, Setting, StopsBy, StopsError, Written,
    compare, ladder, solve,
};
