//! Decoding ahead of the work on frames, and work on several frames beside each other.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

use nightloom_raster::{DecodeError, DecodeOptions, Frame};

use nightloom_journal::{BuildError, HashCache};
use nightloom_outing::World;

/// Decodes `paths` in order, each by its own `options`, on a thread of its own, at most one file ahead, and hands each result
/// to `work`. Stops at the first error of `work`, or when the world asks for it.
///
/// A decoder that died is asked once more. A file that is not what it was when it was hashed is an error whatever came
/// out of it: what is kept under its hash must come from that content.
pub(super) fn each_decoded(
    world: &dyn World,
    hashes: &HashCache,
    paths: &[&Path],
    options: &[DecodeOptions],
    mut work: impl FnMut(usize, Result<Frame, DecodeError>) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    thread::scope(|scope| {
        let (give, take) = sync_channel(0);
        scope.spawn(move || {
            for (path, options) in paths.iter().zip(options) {
                if world.is_cancelled() || give.send(decoded(world, hashes, path, options)).is_err() {
                    break;
                }
            }
        });
        for (i, frame) in take.iter().enumerate() {
            work(i, frame)?;
        }
        if world.is_cancelled() {
            Err(BuildError::Cancelled)
        } else {
            Ok(())
        }
    })
}

/// Memory that frames in work share where none was told, bytes, by the number of threads: of 24 megapixels two on two
/// threads, four on sixteen.
fn usual_room(threads: usize) -> usize {
    (1424 + 56 * threads).min(2304) << 20
}
/// What the program holds beside them, bytes.
const BESIDE: usize = 256 << 20;
/// What the buffers of a frame add up to at most on its way from its decoding to its work file, bytes a pixel.
const BYTES_PER_PIXEL: usize = 24;

/// Decodes `paths`, each by its own `options`, and does `work` on each, several frames beside each other: as many as there
/// are threads, and at least one that is decoded meanwhile, if the memory allows. Hands what comes out to `take` in the order of
/// `paths`. Stops at the first error of `take`, or when the world asks for it.
///
/// How many that are is known once the first one is decoded. What is made of a file is as in [`each_decoded`].
pub(super) fn each_beside<T: Send>(
    world: &dyn World,
    hashes: &HashCache,
    paths: &[&Path],
    options: &[DecodeOptions],
    work: impl Fn(usize, Result<Frame, DecodeError>) -> T + Sync,
    mut take: impl FnMut(usize, T) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    let threads = rayon::current_num_threads();
    let most = threads.max(2).min(paths.len());
    let room = world.memory_mib().map_or(usual_room(threads), |mib| {
        ((mib as usize) << 20).saturating_sub(BESIDE)
    });
    let gate = Gate::new();
    let job = |k: usize| {
        let _inside = gate.enter();
        let frame = decoded(world, hashes, paths[k], &options[k]);
        if let Ok(frame) = &frame {
            let (width, height) = frame.pixels.size();
            gate.allow(room / (width * height * BYTES_PER_PIXEL).max(1));
        }
        // In the pool, so that no more threads are at work than were asked for.
        let mut made = None;
        rayon::scope(|_| made = Some(work(k, frame)));
        made
    };
    let taken = |k: usize, made: Option<T>| made.map_or(Ok(()), |made| take(k, made));
    beside(world, most, paths.len(), job, taken)
}

/// Does `count` jobs, `most` beside each other on threads of their own, and hands what comes out to `take` in their order.
/// Stops at the first error of `take`, or when the world asks for it.
///
/// No job begins that is [`AHEAD`] times `most` or more after the first that was not taken yet: behind a slow one no more than
/// that piles up.
pub(super) fn beside<T: Send>(
    world: &dyn World,
    most: usize,
    count: usize,
    job: impl Fn(usize) -> T + Sync,
    mut take: impl FnMut(usize, T) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    let next = AtomicUsize::new(0);
    let due = Due::new(AHEAD * most);
    let worker = |give: SyncSender<(usize, T)>| {
        let _closing = Closing(&due);
        loop {
            let k = next.fetch_add(1, Ordering::Relaxed);
            if k >= count {
                return;
            }
            due.wait_for(k);
            if world.is_cancelled() {
                // What was due is not made any more: nobody may wait for it.
                return due.close();
            }
            if give.send((k, job(k))).is_err() {
                return;
            }
        }
    };
    thread::scope(|scope| {
        let (give, results) = sync_channel(0);
        for _ in 0..most.min(count) {
            let give = give.clone();
            scope.spawn(|| worker(give));
        }
        drop(give);
        let mut in_order = || {
            let mut waiting = BTreeMap::new();
            let mut first = 0;
            for (k, made) in &results {
                waiting.insert(k, made);
                while let Some(made) = waiting.remove(&first) {
                    take(first, made)?;
                    first += 1;
                    due.is(first);
                }
            }
            Ok(())
        };
        let taken: Result<(), BuildError> = {
            // Whatever ends the taking, nobody waits for it any more.
            let _closed = Closed(&due);
            in_order()
        };
        drop(results);
        taken?;
        if world.is_cancelled() {
            Err(BuildError::Cancelled)
        } else {
            Ok(())
        }
    })
}

/// Jobs that may be made or wait to be taken, in parts of those made at a time.
const AHEAD: usize = 2;

/// The first job that was not taken yet, and who waits for it.
struct Due {
    first: Mutex<usize>,
    changed: Condvar,
    ahead: usize,
}

impl Due {
    fn new(ahead: usize) -> Self {
        Self {
            first: Mutex::new(0),
            changed: Condvar::new(),
            ahead,
        }
    }

    /// Waits until job `k` may begin.
    fn wait_for(&self, k: usize) {
        let first = self.first.lock().unwrap_or_else(PoisonError::into_inner);
        let early = |first: &mut usize| k >= first.saturating_add(self.ahead);
        drop(self.changed.wait_while(first, early));
    }

    /// Those before `k` were taken.
    fn is(&self, k: usize) {
        let mut first = self.first.lock().unwrap_or_else(PoisonError::into_inner);
        // Once closed it stays so.
        *first = k.max(*first);
        self.changed.notify_all();
    }

    /// Lets all go on: nothing will be taken.
    fn close(&self) {
        self.is(usize::MAX);
    }
}

/// Closes when it is dropped.
struct Closed<'a>(&'a Due);

impl Drop for Closed<'_> {
    fn drop(&mut self) {
        self.0.close();
    }
}

/// Closes when its thread panics.
struct Closing<'a>(&'a Due);

impl Drop for Closing<'_> {
    fn drop(&mut self) {
        if thread::panicking() {
            self.0.close();
        }
    }
}

/// Lets so many in at a time: one, until it is known how many there may be.
struct Gate {
    inside: Mutex<[usize; 2]>,
    changed: Condvar,
}

/// A place inside; it is free again when this is dropped.
struct Inside<'a>(&'a Gate);

impl Gate {
    fn new() -> Self {
        Self {
            inside: Mutex::new([0, 1]),
            changed: Condvar::new(),
        }
    }

    fn enter(&self) -> Inside<'_> {
        let state = self.state();
        let full = |state: &mut [usize; 2]| state[0] >= state[1];
        let mut state = self
            .changed
            .wait_while(state, full)
            .unwrap_or_else(PoisonError::into_inner);
        state[0] += 1;
        Inside(self)
    }

    fn allow(&self, most: usize) {
        self.state()[1] = most.max(1);
        self.changed.notify_all();
    }

    fn state(&self) -> MutexGuard<'_, [usize; 2]> {
        self.inside.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Inside<'_> {
    fn drop(&mut self) {
        self.0.state()[0] -= 1;
        self.0.changed.notify_all();
    }
}

/// Decodes a file that must be the one that was hashed.
pub(super) fn decoded(
    world: &dyn World,
    hashes: &HashCache,
    path: &Path,
    options: &DecodeOptions,
) -> Result<Frame, DecodeError> {
    let frame = match world.decode(path, options) {
        Err(DecodeError::Died { .. } | DecodeError::Killed { .. }) => world.decode(path, options),
        other => other,
    };
    match frame {
        Err(error @ DecodeError::Cancelled { .. }) => Err(error),
        // A file that is gone is told as such.
        Err(error) if error.may_pass() => Err(error),
        _ if !hashes.unchanged(path) => Err(DecodeError::changed(path)),
        frame => frame,
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicBool;
    use std::time::Duration;

    use nightloom_raster::FrameMeta;
    use nightloom_sky::Instant;

    use super::*;

    #[derive(Default)]
    struct Quiet(AtomicBool);

    impl World for Quiet {
        fn now(&self) -> Instant {
            unreachable!("nobody asks for the time")
        }
        fn cancelled(&self) -> &AtomicBool {
            &self.0
        }
        fn decode(&self, path: &Path, _: &DecodeOptions) -> Result<Frame, DecodeError> {
            Err(DecodeError::changed(path))
        }
        fn meta(&self, path: &Path) -> Result<FrameMeta, DecodeError> {
            Err(DecodeError::changed(path))
        }
    }

    #[test]
    fn behind_a_slow_job_only_so_many_pile_up_and_all_come_in_order() {
        const MOST: usize = 4;
        let begun = AtomicUsize::new(0);
        let job = |k: usize| {
            begun.fetch_max(k + 1, Ordering::SeqCst);
            if k == 3 {
                // On a busy machine it takes a while until all have begun that may.
                let all = || begun.load(Ordering::SeqCst) >= 3 + AHEAD * MOST;
                (0..1000)
                    .take_while(|_| !all())
                    .for_each(|_| thread::sleep(Duration::from_millis(20)));
                thread::sleep(Duration::from_millis(100));
                assert_eq!(begun.load(Ordering::SeqCst), 3 + AHEAD * MOST);
            }
            k
        };
        let mut taken = Vec::new();
        let all = beside(&Quiet::default(), MOST, 100, job, |k, made| {
            assert_eq!(k, made);
            taken.push(k);
            Ok(())
        });
        assert!(all.is_ok() && taken == Vec::from_iter(0..100));
    }

    #[test]
    fn an_error_or_a_wish_to_stop_ends_it_whoever_waits() {
        let slow = |k: usize| thread::sleep(Duration::from_millis(if k == 0 { 50 } else { 0 }));
        let failed = beside(&Quiet::default(), 3, 100, slow, |_, ()| {
            Err(BuildError::internal("no room"))
        });
        assert!(matches!(failed, Err(BuildError::Internal { .. })));
        let world = Quiet::default();
        let stopping = |k: usize| {
            slow(k);
            if k == 1 {
                world.0.store(true, Ordering::Relaxed);
            }
        };
        let stopped = beside(&world, 3, 100, stopping, |_, ()| Ok(()));
        assert!(matches!(stopped, Err(BuildError::Cancelled)));
    }

    #[test]
    fn a_panic_of_one_job_goes_on() {
        let job = |k: usize| assert!(k != 0, "on purpose");
        let run = || beside(&Quiet::default(), 3, 100, job, |_, ()| Ok(()));
        assert!(std::panic::catch_unwind(std::panic::AssertUnwindSafe(run)).is_err());
    }
}
