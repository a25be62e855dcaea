//! All tests of the crate in one binary.

#[path = "all/non_negative.rs"]
mod non_negative;
#[path = "all/quantile.rs"]
mod quantile;
#[path = "all/random.rs"]
mod random;
#[path = "all/robust.rs"]
mod robust;
#[path = "all/rotation.rs"]
mod rotation;
#[path = "all/spread.rs"]
mod spread;
#[path = "all/strd.rs"]
mod strd;
