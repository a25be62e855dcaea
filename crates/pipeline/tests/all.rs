//! The tests of this crate, in one binary.

#[path = "all/hints.rs"]
mod hints;
#[path = "all/new.rs"]
mod new;
#[path = "all/roles.rs"]
mod roles;
#[path = "../../outing/tests/all/temp.rs"]
mod temp;
