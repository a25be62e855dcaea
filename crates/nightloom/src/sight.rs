//! The sight's picture, for `nightloom pole` and `nightloom axis`.

use jiff::tz::TimeZone;
use nightloom_outing::axis::{AxisReport, ErrorReport};
use nightloom_outing::chart::{Flip, Look, SightView, sight_view};
use nightloom_outing::pole::{Sight, sight};
use nightloom_outing::site_zone;
use nightloom_sky::{Angle, EarthOrientation, Observer, Site};

use crate::axis::{AxisArgs, AxisCommandError};
use crate::{Trouble, charts};

pub(crate) fn flip(inverted: bool, mirrored: bool) -> Flip {
    match (inverted, mirrored) {
        (true, _) => Flip::Inverted,
        (_, true) => Flip::Mirrored,
        _ => Flip::Eye,
    }
}

/// The zone in whose time hours are shown: the place's.
pub(crate) fn zone(site: &Site) -> TimeZone {
    site_zone(None, site).map_or(TimeZone::UTC, |z| z.zone)
}

/// Up, and right as one faces the pole.
fn offsets(error: &ErrorReport, north: bool) -> [Angle; 2] {
    let east = error.azimuth_arcmin;
    [
        Angle::from_arcmin(error.altitude_arcmin),
        Angle::from_arcmin(if north { east } else { -east }),
    ]
}

/// Writes the picture of the sight with what was measured.
pub(crate) fn axis_chart(args: &AxisArgs, report: &AxisReport) -> Result<(), Trouble> {
    let (Some(file), Some(site), Some(pole), Some(last)) =
        (args.chart(), report.site, report.pole, report.frames.last())
    else {
        return Ok(());
    };
    let at = report.updates.last().map_or(last.middle, |u| u.middle);
    let orientation = EarthOrientation::default();
    let drawn = Observer::new(&site, at, orientation).and_then(|observer| sight(&observer, orientation));
    let drawn = drawn.map_err(AxisCommandError::from)?;
    let notes: Vec<String> = report.advice.iter().cloned().collect();
    let zone = zone(&site);
    let view = SightView {
        tolerance: report
            .tolerance
            .and_then(|t| t.allowed_arcmin)
            .map(Angle::from_arcmin),
        error: report.error.as_ref().map(|e| offsets(e, pole.north)),
        before: report.before.as_ref().map(|e| offsets(e, pole.north)),
        flip: args.flip(),
        ..bare(&drawn, &notes, &zone, "the middle is where the axis points")
    };
    let look = if args.red() { Look::Red } else { Look::Day };
    charts::write(file, &sight_view(&view, look), args.common.json)
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
