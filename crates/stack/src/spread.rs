//! Spread of a few values.

pub(crate) use nightloom_fit::{per_mean_mad as per_mean, per_median_mad as per_median};
