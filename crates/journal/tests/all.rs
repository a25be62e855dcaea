//! The tests of this crate, in one binary.

#[path = "all/journal.rs"]
mod journal;
#[path = "all/temp.rs"]
mod temp;
