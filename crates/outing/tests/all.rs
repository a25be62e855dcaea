//! The tests of this crate, in one binary.

#[path = "all/charts.rs"]
mod charts;
#[path = "all/check.rs"]
mod check;
#[path = "all/clock.rs"]
mod clock;
#[path = "all/discover.rs"]
mod discover;
#[path = "all/edit.rs"]
mod edit;
#[path = "all/evening.rs"]
mod evening;
#[path = "all/exposure_charts.rs"]
mod exposure_charts;
#[path = "all/faults.rs"]
mod faults;
#[path = "all/frame_map.rs"]
mod frame_map;
#[path = "all/framing.rs"]
mod framing;
#[path = "all/pole.rs"]
mod pole;
#[path = "all/sensor.rs"]
mod sensor;
#[path = "all/settings.rs"]
mod settings;
#[path = "all/shots.rs"]
mod shots;
#[path = "all/sight.rs"]
mod sight;
#[path = "all/skyline.rs"]
mod skyline;
#[path = "all/still.rs"]
mod still;
#[path = "all/temp.rs"]
mod temp;
#[path = "all/typed.rs"]
mod typed;
#[path = "all/watch.rs"]
mod watch;
#[path = "all/zone.rs"]
mod zone;
