//! Tests of the optics crate.
#![allow(clippy::unwrap_used, reason = "a test may stop where it stands")]

#[path = "all/camera.rs"]
mod camera;
#[path = "all/exposure.rs"]
mod exposure;
#[path = "all/land.rs"]
mod land;
#[path = "all/lens.rs"]
mod lens;
#[path = "all/noise.rs"]
mod noise;
#[path = "all/sensor.rs"]
mod sensor;
#[path = "all/stops.rs"]
mod stops;
#[path = "all/trail.rs"]
mod trail;
