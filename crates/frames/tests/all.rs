//! The tests of this crate, in one binary.

#[path = "all/check.rs"]
mod check;
#[path = "all/faults.rs"]
mod faults;
#[path = "all/sensor.rs"]
mod sensor;
#[path = "all/still.rs"]
mod still;
#[path = "../../outing/tests/all/temp.rs"]
mod temp;
#[path = "all/turn_words.rs"]
mod turn_words;
#[path = "all/watch.rs"]
mod watch;
