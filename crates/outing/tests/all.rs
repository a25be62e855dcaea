//! The tests of this crate, in one binary.

#[path = "all/clock.rs"]
mod clock;
#[path = "all/discover.rs"]
mod discover;
#[path = "all/edit.rs"]
mod edit;
#[path = "all/evening.rs"]
mod evening;
#[path = "all/framing.rs"]
mod framing;
#[path = "all/pole.rs"]
mod pole;
#[path = "all/settings.rs"]
mod settings;
#[path = "all/shots.rs"]
mod shots;
#[path = "all/skyline.rs"]
mod skyline;
#[path = "all/temp.rs"]
mod temp;
#[path = "all/typed.rs"]
mod typed;
#[path = "all/zone.rs"]
mod zone;
