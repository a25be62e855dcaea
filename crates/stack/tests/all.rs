//! All tests of the crate in one binary.

#[path = "all/background.rs"]
mod background;
#[path = "all/combine.rs"]
mod combine;
#[path = "all/scene.rs"]
mod scene;
#[path = "all/warp.rs"]
mod warp;
