//! Tests of the stars crate.
#![allow(clippy::unwrap_used, reason = "a test may stop where it stands")]

#[path = "all/scene.rs"]
mod scene;

#[path = "all/profile.rs"]
mod profile;

#[path = "all/axis.rs"]
mod axis;
#[path = "all/axis_scene.rs"]
mod axis_scene;
#[path = "all/bad_input.rs"]
mod bad_input;
#[path = "all/bars.rs"]
mod bars;
#[path = "all/blind.rs"]
mod blind;
#[path = "all/blind_fields.rs"]
mod blind_fields;
#[path = "all/detection.rs"]
mod detection;
#[path = "all/falloff.rs"]
mod falloff;
#[path = "all/green.rs"]
mod green;
#[path = "all/identification.rs"]
mod identification;
#[path = "all/land.rs"]
mod land;
#[path = "all/matching.rs"]
mod matching;
#[path = "all/outside.rs"]
mod outside;
#[path = "all/photometry.rs"]
mod photometry;
#[path = "all/plate.rs"]
mod plate;
#[path = "all/quality.rs"]
mod quality;
#[path = "all/registration.rs"]
mod registration;
#[path = "all/streaks.rs"]
mod streaks;
