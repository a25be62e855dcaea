//! Decoding one file ahead of the work on the one before.

use std::path::Path;
use std::sync::mpsc::sync_channel;
use std::thread;

use nightloom_raster::{DecodeError, DecodeOptions, Frame};

use super::error::BuildError;
use crate::hash_cache::HashCache;
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
