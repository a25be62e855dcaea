//! The lens's fall-off where no flat tells it: from the stars.

use nightloom_outing::{FrameTime, Role};
use nightloom_stack::Radial;
use nightloom_stars::{FalloffFrame, FalloffSettings, estimate_falloff, falloff_stars};

use super::prepare::{self, Prepared, PreparedFacts};
use super::times::Times;
use super::track::Tracked;
use nightloom_journal::{Bench, BuildError};

/// Knots of the radial factor: straight lines between are within 10⁻⁴.
const KNOTS: usize = 257;

/// The fall-off of the tracked frames' lens, if they were not divided by a flat and their stars tell it; what
/// came of it is said.
pub(super) fn by_stars(
    bench: &mut Bench<'_>,
    frames: &[Prepared],
    tracked: &Tracked,
    times: &Times,
) -> Option<Radial> {
    if frames.iter().any(|f| f.facts.flat || !f.facts.was_linear) {
        return None;
    }
    let used: Vec<usize> = tracked.used().collect();
    let registration = &tracked.registration;
    let seen: Vec<(usize, FalloffFrame<'_>)> = used
        .iter()
        .filter_map(|&i| Some((i, FalloffFrame::of(registration, i, &frames[i].facts.field)?)))
        .collect();
    let home = seen.iter().position(|(i, _)| *i == registration.reference);
    let known = home.zip(tracked.identified.as_ref());
    let when = times.sky[registration.reference].as_ref();
    let when = when.map_or_else(|| times.reference_hint(), FrameTime::middle);
    let seen: Vec<FalloffFrame<'_>> = seen.into_iter().map(|s| s.1).collect();
    let stars = falloff_stars(&seen, known, when);
    let field = &frames[registration.reference].facts.field;
    let size = [field.width, field.height];
    match estimate_falloff(&stars, size, tracked.lens(), &FalloffSettings::default()) {
        Ok(found) => {
            let (values, reach2_px) = found.profile(size, KNOTS);
            let corner = values.last().copied().unwrap_or(1.0);
            bench.warn(format!(
                "There are no flats: the lens's fall-off was told by {} stars, {:.0} ± {:.0} % of the light are left in the farthest corner; dust stays. Take flats of this lens and f-number.",
                found.stars[0],
                100.0 * corner,
                100.0 * corner * found.corner_error(size)
            ));
            Some(Radial {
                centre_px: found.lens.centre_px,
                values: values.into_iter().map(|v| v as f32).collect(),
                reach2_px,
            })
        }
        Err(why) => {
            bench.warn(format!(
                "There are no flats, and the lens's fall-off was left in: {why}."
            ));
            None
        }
    }
}

/// The frames with the fall-off divided out and measured anew, those that it holds for; the others as they are.
pub(super) fn even(
    bench: &mut Bench<'_>,
    frames: Vec<Prepared>,
    sky: &[Prepared],
    fall_off: &Radial,
    role: Role,
) -> Result<Vec<Prepared>, BuildError> {
    let total = frames.len().max(1) as f64;
    let one = |(k, frame): (usize, Prepared)| {
        if !serves(&frame, &sky[0]) {
            return Ok(frame);
        }
        bench.show("Taking the lens's fall-off out", k as f64 / total, "")?;
        prepare::evened(bench, &frame, fall_off, role)
    };
    frames.into_iter().enumerate().map(one).collect()
}

/// Whether a frame was taken through the same lens at the same opening, and not divided by a flat.
fn serves(frame: &Prepared, sky: &Prepared) -> bool {
    let (a, b) = (&frame.facts, &sky.facts);
    let size = |f: &PreparedFacts| (f.field.width, f.field.height);
    !a.flat && size(a) == size(b) && a.setting().same_optics(&b.setting())
}
