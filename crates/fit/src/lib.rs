//! Medians and quantiles, spreads, least squares, robust fits, rotations and seeded numbers.
//!
//! It never knows what it fits: values, rows of equations and vectors come in, figures go out. The same
//! input gives the same bytes everywhere; nothing here starts a thread or reads a clock.

mod damped;
mod non_negative;
mod normal;
mod quantile;
mod random;
mod robust;
mod rotation;
mod spread;

pub use damped::{Damping, Descent, Problem, descend};
pub use non_negative::non_negative;
pub use normal::{Normal, least_squares};
pub use quantile::{Real, median, median_of, quantile, quantile_sorted};
pub use random::{Random, mix};
pub use robust::{BIWEIGHT, CAUCHY, Loss, Robust, Row, Scale, robust};
pub use rotation::rotation_between;
pub use spread::{SIGMA_PER_MAD, mad, median_and_sigma, per_mean_mad, per_median_mad};
