//! The tests of this crate, in one binary.

#[path = "all/architecture.rs"]
mod architecture;
#[path = "all/command_line.rs"]
mod command_line;
