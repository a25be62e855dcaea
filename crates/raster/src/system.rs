//! What this crate asks of the operating system, and what stands in where there is no such thing: nothing else of it depends
//! on the system.

#[cfg(not(unix))]
pub(crate) use elsewhere::*;
#[cfg(unix)]
pub(crate) use on_unix::*;

/// How a child ended that gave no answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum End {
    /// The system took its time away.
    OutOfTime,
    /// Somebody else ended it, by this signal.
    FromOutside(i32),
    /// By a signal of its own making.
    Signal(i32),
    /// By itself, with a status or without.
    Status(Option<i32>),
}

#[cfg(unix)]
mod on_unix {
    use super::End;
    use crate::Limits;
    use std::fs::File;
    use std::io;
    use std::os::unix::fs::FileExt;
    use std::os::unix::process::{CommandExt, ExitStatusExt};
    use std::process::{Command, ExitStatus};

    /// Reads from a place without moving the file's own, so that threads may share it.
    pub(crate) fn read_exact_at(file: &File, bytes: &mut [u8], at: u64) -> io::Result<()> {
        file.read_exact_at(bytes, at)
    }

    /// A Ctrl-C at the terminal goes to the program alone, which then stops its children.
    pub(crate) fn set_apart(command: &mut Command) {
        command.process_group(0);
    }

    /// What a status tells.
    pub(crate) fn end(status: ExitStatus) -> End {
        // Signals that a decoder does not send itself: hang-up, interrupt, kill, terminate; and that of used-up time.
        const FROM_OUTSIDE: [i32; 4] = [1, 2, 9, 15];
        const OUT_OF_TIME: i32 = 24;
        match status.signal() {
            Some(OUT_OF_TIME) => End::OutOfTime,
            Some(signal) if FROM_OUTSIDE.contains(&signal) => End::FromOutside(signal),
            Some(signal) => End::Signal(signal),
            None => End::Status(status.code()),
        }
    }

    /// Bounds memory, time and harm before a byte of the file is read: no core files, nothing written.
    pub(crate) fn bound(limits: &Limits) -> io::Result<()> {
        use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
        // A limit that the system has set already is never raised: that would be refused.
        let lower = |what: Resource, n: u64| {
            let n = getrlimit(what).maximum.map_or(n, |most| most.min(n));
            let both = Rlimit {
                current: Some(n),
                maximum: Some(n),
            };
            setrlimit(what, both)
        };
        let seconds = limits.max_seconds.max(1.0).ceil() as u64;
        lower(Resource::As, limits.max_memory_bytes)?;
        lower(Resource::Core, 0)?;
        lower(Resource::Fsize, 0)?;
        // Should the parent be gone, all cores for the allowed time are the end.
        let cores = std::thread::available_parallelism().map_or(1, |n| n.get() as u64);
        lower(Resource::Cpu, seconds.saturating_mul(cores).saturating_add(1))?;
        Ok(())
    }
}

/// Elsewhere the child is bounded by the parent's watch alone: it is ended when its time is over, but its memory is only as
/// bounded as the sizes that are checked before anything is decoded.
#[cfg(not(unix))]
mod elsewhere {
    use super::End;
    use crate::Limits;
    use std::fs::File;
    use std::io::{self, Read, Seek, SeekFrom};
    use std::process::{Command, ExitStatus};
    use std::sync::{Mutex, PoisonError};

    /// Reads from a place. Seeking moves the file's own, so that one reads after the other.
    pub(crate) fn read_exact_at(file: &File, bytes: &mut [u8], at: u64) -> io::Result<()> {
        static ONE: Mutex<()> = Mutex::new(());
        let _alone = ONE.lock().unwrap_or_else(PoisonError::into_inner);
        let mut file = file;
        file.seek(SeekFrom::Start(at))?;
        file.read_exact(bytes)
    }

    /// Nothing: a Ctrl-C may reach the children, too, which ends them.
    pub(crate) fn set_apart(_: &mut Command) {}

    /// What a status tells: there are no signals.
    pub(crate) fn end(status: ExitStatus) -> End {
        End::Status(status.code())
    }

    /// Nothing that could be asked for.
    pub(crate) fn bound(_: &Limits) -> io::Result<()> {
        Ok(())
    }
}
