//! The record of a build's steps, and the workbench they are done at.
//!
//! [`Journal`] says what was done with which inputs and settings; [`Bench`] carries it through a build with the work
//! files, progress and warnings. Everything from outside comes through [`World`](nightloom_outing::World).

mod bench;
mod error;
mod hash_cache;
mod journal;
mod seal;
mod system;

pub use bench::{Bench, StepCounts};
pub use error::BuildError;
pub use hash_cache::HashCache;
pub use journal::{Entry, Journal, JournalError, Output, StepKey, entries_of};
