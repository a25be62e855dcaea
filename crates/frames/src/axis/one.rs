//! One frame: if its stars are trailed, two answers.

use nalgebra::Matrix2;
use nightloom_optics::polar::AxisError;
use nightloom_sky::Observer;
use nightloom_stars::axis::{Pole, axis_of_trailed_frame};

use super::frames::Gathered;
use super::report::{AxisPlace, AxisReport, ErrorReport, TwoAnswers};
use super::{AxisAnswer, AxisAsk, AxisTrouble, no, observer, words};

pub(super) fn answer(
    ask: &AxisAsk,
    gathered: &Gathered,
    first: &Observer,
    pole: &Pole,
    mut report: AxisReport,
) -> Result<AxisAnswer, AxisTrouble> {
    let known = &gathered.known[0];
    let at = observer(ask, first.site(), known.middle())?;
    let frame = known.axis_frame(&at, 0.0);
    let lens = known.lens();
    // A mirror image has its trails mirrored too; nobody takes trailed frames through a mirror.
    let found = match known.flipped() {
        None => axis_of_trailed_frame(&frame, &known.field, &lens, pole, at.air()),
        Some(_) => None,
    };
    let Some(both) = found else {
        return Ok(no(report, words::one_frame(&known.name, known.time.exposure_s)));
    };
    report.either = both
        .iter()
        .map(|a| {
            let error = AxisError::of(&a.axis, &pole.refracted);
            let half = 0.5 * a.sigma.rad().powi(2);
            TwoAnswers {
                axis: AxisPlace::of(&a.axis),
                error: ErrorReport::new(&error, &Matrix2::new(half, 0.0, 0.0, half)),
                advice: words::turn_words(&error, pole.north),
            }
        })
        .collect();
    report.notes.push(words::TWO_ANSWERS.into());
    Ok(AxisAnswer { report, no: None })
}
