//! The tests of this crate, in one binary.
