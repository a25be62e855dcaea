//! The picture that `nightloom axis` draws.

use nightloom_chart::{Look, SightView, sight_view};
use nightloom_frames::axis::{AxisReport, ErrorReport};
use nightloom_outing::pole::sight;
use nightloom_sky::{Angle, EarthOrientation, Observer};

use super::AxisArgs;
use crate::failure::Failure;
use crate::out;
use crate::sight::{bare, zone};

/// Up, and right as one faces the pole.
fn offsets(error: &ErrorReport, north: bool) -> [Angle; 2] {
    let east = error.azimuth_arcmin;
    [
        Angle::from_arcmin(error.altitude_arcmin),
        Angle::from_arcmin(if north { east } else { -east }),
    ]
}

/// Writes the picture of the sight with what was measured, if it is asked for.
pub(super) fn write(args: &AxisArgs, report: &AxisReport, json: bool) -> Result<(), Failure> {
    let (Some(file), Some(site), Some(pole), Some(last)) =
        (&args.chart, report.site, report.pole, report.frames.last())
    else {
        return Ok(());
    };
    let at = report.updates.last().map_or(last.middle, |u| u.middle);
    let orientation = EarthOrientation::default();
    let drawn = Observer::new(&site, at, orientation).and_then(|observer| sight(&observer, orientation));
    let drawn = drawn?;
    let notes: Vec<String> = report.advice.iter().cloned().collect();
    let zone = zone(&site);
    let view = SightView {
        tolerance: report
            .tolerance
            .and_then(|t| t.allowed_arcmin)
            .map(Angle::from_arcmin),
        error: report.error.as_ref().map(|e| offsets(e, pole.north)),
        before: report.before.as_ref().map(|e| offsets(e, pole.north)),
        flip: args.sight_flip.flip(),
        ..bare(&drawn, &notes, &zone, "the middle is where the axis points")
    };
    out::chart(file, &sight_view(&view, Look::red(args.red)), json)
}
