//! A folder that is gone when the test is.

use std::path::Path;

pub(crate) struct Temp(tempfile::TempDir);

impl Temp {
    pub(crate) fn new() -> Self {
        Self(
            tempfile::Builder::new()
                .prefix("nightloom-journal-")
                .tempdir()
                .unwrap(),
        )
    }
    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }
}
