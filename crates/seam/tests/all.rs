//! The tests of this crate, in one binary.

#[path = "all/compose.rs"]
mod compose;
#[path = "all/crowns.rs"]
mod crowns;
#[path = "all/fill.rs"]
mod fill;
#[path = "all/foreground.rs"]
mod foreground;
#[path = "all/hints.rs"]
mod hints;
#[path = "all/land_or_sky.rs"]
mod land_or_sky;
#[path = "all/matte.rs"]
mod matte;
#[path = "all/scene.rs"]
mod scene;
#[path = "all/separate.rs"]
mod separate;
#[path = "all/tone_match.rs"]
mod tone_match;
