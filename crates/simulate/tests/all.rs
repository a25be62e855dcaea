//! The rendered night against outside tables, physics, and itself on other threads.

#[path = "all/contract.rs"]
mod contract;
#[path = "all/land.rs"]
mod land;
#[path = "all/night.rs"]
mod night;
#[path = "all/noise.rs"]
mod noise;
#[path = "all/places.rs"]
mod places;
