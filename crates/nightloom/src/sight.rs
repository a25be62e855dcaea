//! The sight's picture, for `nightloom pole` and `nightloom axis`.

use clap::Args;
use jiff::tz::TimeZone;
use nightloom_chart::{Flip, SightView};
use nightloom_outing::pole::Sight;
use nightloom_outing::site_zone;
use nightloom_sky::Site;

/// What the sight does to the picture.
#[derive(Args, Clone, Debug)]
pub(crate) struct FlipArgs {
    /// The sight turns the picture upside down.
    #[arg(long, conflicts_with = "mirrored")]
    inverted: bool,
    /// The sight mirrors left and right.
    #[arg(long)]
    mirrored: bool,
}

impl FlipArgs {
    pub(crate) fn flip(&self) -> Flip {
        match (self.inverted, self.mirrored) {
            (true, _) => Flip::Inverted,
            (_, true) => Flip::Mirrored,
            _ => Flip::Eye,
        }
    }
}

/// The zone in whose time hours are shown: the place's.
pub(crate) fn zone(site: &Site) -> TimeZone {
    site_zone(None, site).map_or(TimeZone::UTC, |z| z.zone)
}

/// The sky alone.
pub(crate) fn bare<'a>(
    drawn: &'a Sight,
    notes: &'a [String],
    zone: &'a TimeZone,
    place: &'a str,
) -> SightView<'a> {
    SightView {
        star: drawn.star,
        place,
        now: drawn.now,
        at: drawn.at,
        path: &drawn.path,
        others: &drawn.others,
        tolerance: None,
        error: None,
        before: None,
        flip: Flip::Eye,
        zone,
        notes,
    }
}
