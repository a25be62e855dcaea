//! Decoding one file ahead of the work on the one before.

use std::path::Path;
use std::sync::mpsc::sync_channel;
use std::thread;

use nightloom_raster::{DecodeError, DecodeOptions, Frame};

use super::error::BuildError;
use nightloom_outing::World;

/// Decodes `paths` in order on a thread of its own, at most one file ahead, and hands each result
/// to `work`. Stops at the first error of `work`, or when the world asks for it.
pub(super) fn each_decoded(
    world: &dyn World,
    paths: &[&Path],
    options: &DecodeOptions,
    mut work: impl FnMut(usize, Result<Frame, DecodeError>) -> Result<(), BuildError>,
) -> Result<(), BuildError> {
    thread::scope(|scope| {
        let (give, take) = sync_channel(0);
        scope.spawn(move || {
            for path in paths {
                if world.is_cancelled() || give.send(world.decode(path, options)).is_err() {
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
