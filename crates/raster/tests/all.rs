//! The tests of this crate, in one binary.

#[path = "all/dng.rs"]
mod dng;

#[path = "all/damage.rs"]
mod damage;

#[path = "all/demosaic.rs"]
mod demosaic;

#[path = "all/about.rs"]
mod about;

#[path = "all/atomic.rs"]
mod atomic;

#[path = "all/colour.rs"]
mod colour;

#[path = "all/limits.rs"]
mod limits;

#[path = "all/workfile.rs"]
mod workfile;

#[path = "all/write.rs"]
mod write;

#[path = "all/decode_files.rs"]
mod decode_files;

#[path = "all/decode_orient.rs"]
mod decode_orient;

#[path = "all/decode_raw.rs"]
mod decode_raw;

#[path = "all/decode_wall.rs"]
mod decode_wall;

#[path = "all/makers_ways.rs"]
mod makers_ways;

#[path = "all/real_raws.rs"]
mod real_raws;
