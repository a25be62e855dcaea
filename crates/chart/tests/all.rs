//! The tests of this crate, in one binary.

#[path = "all/charts.rs"]
mod charts;
#[path = "all/exposure_charts.rs"]
mod exposure_charts;
#[path = "all/frame_map.rs"]
mod frame_map;
#[path = "all/sight.rs"]
mod sight;
