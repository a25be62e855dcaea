//! Help to the pole in sentences, for the moment at which the axis is set.

use nightloom_optics::Camera;
use nightloom_sky::night::NightError;
use nightloom_sky::{Observer, PoleStar};

use super::{Planned, SheetError};
use crate::pole::{PoleAsk, hints, pole_plan};
use crate::shots::BlockKind;

/// Only the middle of the picture is asked about; the sensor's size does not count there.
const ANY_SENSOR_MM: [f64; 2] = [36.0, 24.0];
/// Longest trail that is still a point, pixels.
const TOLERANCE_PX: f64 = 1.0;
/// What the page's dial tells better than a sentence.
const ON_THE_DIAL: &str = "aim";

/// How well the axis must stand for this lens and exposure, if they are known, and how to find the pole.
pub(super) fn of(planned: &Planned) -> Result<Vec<String>, SheetError> {
    let (evening, list) = (&planned.evening, &planned.list);
    let standpoint = &evening.standpoint;
    let setting = list.blocks.iter().find(|b| b.kind == BlockKind::Alignment);
    let at = setting.map_or(list.window.from, |b| b.from);
    let observer = Observer::new(&standpoint.site, at, standpoint.orientation).map_err(NightError::from)?;
    let rig = &evening.settings.rig;
    let lens = rig.focal_mm.zip(rig.pixel_um);
    let camera = lens.map(|(focal, pixel)| Camera::new(rig.projection, focal, pixel, ANY_SENSOR_MM));
    let shot = camera
        .transpose()?
        .map(|camera| (camera, planned.settings.sky.exposure_s));
    let ask = PoleAsk {
        shot,
        tolerance_px: TOLERANCE_PX,
        sight: None,
    };
    let plan = pole_plan(&observer, &ask)?;
    let star = PoleStar::over(standpoint.site.latitude).name;
    let told = hints(&plan, star)
        .into_iter()
        .filter(|hint| hint.about != ON_THE_DIAL);
    Ok(told.map(|hint| hint.text).collect())
}
