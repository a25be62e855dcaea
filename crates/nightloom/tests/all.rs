//! The tests of this crate, in one binary.
#![allow(clippy::print_stdout, reason = "tests tell what they measured")]

#[path = "all/access.rs"]
mod access;
#[path = "all/architecture.rs"]
mod architecture;
#[path = "all/axis.rs"]
mod axis;
#[path = "all/bad_input.rs"]
mod bad_input;
#[path = "all/brackets.rs"]
mod brackets;
#[path = "all/bright_nights.rs"]
mod bright_nights;
#[path = "all/browser.rs"]
mod browser;
#[path = "all/check.rs"]
mod check;
#[path = "all/circles.rs"]
mod circles;
#[path = "all/command_line.rs"]
mod command_line;
#[path = "all/delivered.rs"]
mod delivered;
#[path = "all/desk.rs"]
mod desk;
#[path = "all/develop.rs"]
mod develop;
#[path = "all/drawn.rs"]
mod drawn;
#[path = "all/dropped.rs"]
mod dropped;
#[path = "all/formats.rs"]
mod formats;
#[path = "all/fuzz.rs"]
mod fuzz;
#[path = "all/hints.rs"]
mod hints;
#[path = "all/integrity.rs"]
mod integrity;
#[path = "all/interrupted.rs"]
mod interrupted;
#[path = "all/limits.rs"]
mod limits;
#[path = "all/live.rs"]
mod live;
#[path = "all/makers_ways.rs"]
mod makers_ways;
#[path = "all/night.rs"]
mod night;
#[path = "all/nights.rs"]
mod nights;
#[path = "all/pages.rs"]
mod pages;
#[path = "all/placement.rs"]
mod placement;
#[path = "all/profile.rs"]
mod profile;
#[path = "all/sensor.rs"]
mod sensor;
#[path = "all/share.rs"]
mod share;
#[path = "all/sheet.rs"]
mod sheet;
#[path = "all/shots.rs"]
mod shots;
#[path = "all/showers.rs"]
mod showers;
#[path = "all/shown.rs"]
mod shown;
#[path = "all/subjects.rs"]
mod subjects;
#[path = "all/sums.rs"]
mod sums;
#[path = "all/supply.rs"]
mod supply;
#[path = "all/threats.rs"]
mod threats;
#[path = "all/trip.rs"]
mod trip;
#[path = "all/where_and_pole.rs"]
mod where_and_pole;
#[path = "all/whole.rs"]
mod whole;
