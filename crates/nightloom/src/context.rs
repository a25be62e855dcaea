//! What every command is given beside its options.

use std::sync::Arc;

use nightloom_outing::evening::Shows;

use crate::door::Door;

/// The outside world, and how the answer is told.
#[derive(Clone)]
pub(crate) struct Context {
    pub(crate) door: Arc<Door>,
    /// Standard output is kept for JSON.
    pub(crate) json: bool,
    /// In which units and whose time; the pages ask for it.
    pub(crate) shows: Shows,
}
