//! All tests of the crate in one binary.

#[path = "all/align.rs"]
mod align;
#[path = "all/background.rs"]
mod background;
#[path = "all/brackets.rs"]
mod brackets;
#[path = "all/colour.rs"]
mod colour;
#[path = "all/combine.rs"]
mod combine;
#[path = "all/focus_fuse.rs"]
mod focus_fuse;
#[path = "all/focus_groups.rs"]
mod focus_groups;
#[path = "all/focus_scene.rs"]
mod focus_scene;
#[path = "all/ground_light.rs"]
mod ground_light;
#[path = "all/level.rs"]
mod level;
#[path = "all/masters.rs"]
mod masters;
#[path = "all/reference.rs"]
mod reference;
#[path = "all/scene.rs"]
mod scene;
#[path = "all/sensor_pairs.rs"]
mod sensor_pairs;
#[path = "all/small_sets.rs"]
mod small_sets;
#[path = "all/table.rs"]
mod table;
#[path = "all/tone.rs"]
mod tone;
#[path = "all/trails.rs"]
mod trails;
#[path = "all/warp.rs"]
mod warp;
