//! Where and when a frame was taken.

use std::path::Path;

use nightloom_raster::FrameMeta;
use nightloom_sky::{Instant, Site};

use crate::single::{stance, taken};
use nightloom_outing::World;

/// Where and when a frame was taken, as far as is known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Standing {
    /// The place.
    pub site: Option<Site>,
    /// Middle of the exposure.
    pub middle: Option<Instant>,
}

/// Place and time as told, as the outing says, or as the file says.
///
/// Without the offset of the camera's clock the time is good for the catalogue's proper motion only, and the place is
/// left out: moon and sun would be wrong.
pub(super) fn standing(path: &Path, site: Option<Site>, meta: &FrameMeta, world: &dyn World) -> Standing {
    match stance(path, site, None, meta, world) {
        Some(known) => Standing {
            site: Some(known.site),
            middle: Some(known.middle),
        },
        None => Standing {
            site: None,
            middle: taken(meta).map(|t| t.plus_seconds(0.5 * meta.exposure_s.unwrap_or(0.0))),
        },
    }
}
