//! One writer at a time: who reads, changes and writes a file of a folder holds that folder meanwhile.

use std::fs::{File, TryLockError};
use std::io;
use std::path::Path;
use std::thread::sleep;
use std::time::Duration;

/// How often a folder that another writer holds is asked for.
const POLL: Duration = Duration::from_millis(10);
/// So often it is asked before the other one counts as stuck: ten seconds.
const ASKS: usize = 1000;

/// A folder held for writing; free again when this is dropped, or the process is gone.
#[derive(Debug)]
pub struct Turn {
    /// `None` where the disk knows no locks; working there unlocked beats not working.
    _folder: Option<File>,
}

/// Waits until no other program reads, changes and writes files in a folder. Builds do not hold it: they write elsewhere.
///
/// # Errors
/// [`io::ErrorKind::TimedOut`] if another program holds it for ten seconds.
pub fn turn_to_write(folder: &Path) -> io::Result<Turn> {
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    let Ok(held) = File::open(folder) else {
        // What is wrong with the folder is said by who writes into it.
        return Ok(Turn { _folder: None });
    };
    for _ in 0..ASKS {
        match held.try_lock() {
            Ok(()) => return Ok(Turn { _folder: Some(held) }),
            Err(TryLockError::WouldBlock) => sleep(POLL),
            Err(TryLockError::Error(_)) => return Ok(Turn { _folder: None }),
        }
    }
    Err(io::Error::new(
        io::ErrorKind::TimedOut,
        "another program has been writing there for ten seconds; end it, or try again",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Four writers that read, add and write: none loses what another added.
    #[test]
    fn writers_take_turns() {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().to_owned();
        let file = folder.join("count");
        std::fs::write(&file, "0").unwrap();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..25 {
                        let _turn = turn_to_write(&folder).unwrap();
                        let n: usize = std::fs::read_to_string(&file).unwrap().parse().unwrap();
                        std::fs::write(&file, (n + 1).to_string()).unwrap();
                    }
                });
            }
        });
        assert_eq!(std::fs::read_to_string(&file).unwrap(), "100");
    }
}
