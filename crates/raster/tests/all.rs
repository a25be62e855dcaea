//! The tests of this crate, in one binary.

#[path = "all/dng.rs"]
mod dng;

#[path = "all/demosaic.rs"]
mod demosaic;

#[path = "all/atomic.rs"]
mod atomic;

#[path = "all/colour.rs"]
mod colour;

#[path = "all/workfile.rs"]
mod workfile;

#[path = "all/write.rs"]
mod write;
