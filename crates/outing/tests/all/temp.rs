//! A folder that is gone when the test is; for the tests of `frames` and `pipeline` too.

use std::path::Path;

pub(crate) struct Temp(tempfile::TempDir);

impl Temp {
    pub(crate) fn new() -> Self {
        Self(
            tempfile::Builder::new()
                .prefix("nightloom-test-")
                .tempdir()
                .unwrap(),
        )
    }
    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }
    /// Writes a file, with the folders it needs.
    pub(crate) fn file(&self, name: &str, bytes: &[u8]) {
        let path = self.path().join(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }
}
