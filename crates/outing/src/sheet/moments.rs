//! What happens in the sky that night, in order.

use nightloom_sky::Instant;
use nightloom_sky::night::Night;
use serde::Serialize;

use super::plain::plain;
use super::words::{event, fill};
use crate::evening::aim_words;

/// One thing that happens in the sky.
#[derive(Clone, Debug, Serialize)]
pub struct Moment {
    /// When.
    pub at: Instant,
    /// What, in words.
    pub words: String,
}

/// Sun, moon, the dark and the subjects.
pub(super) fn of(night: &Night) -> Vec<Moment> {
    let mut all = Vec::new();
    let mut add = |at: Option<Instant>, words: &str| {
        all.extend(at.map(|at| Moment {
            at,
            words: words.to_owned(),
        }));
    };
    let sun = &night.sun;
    add(sun.sunset, event::SUNSET);
    add(sun.civil_dusk, event::CIVIL_DUSK);
    add(sun.nautical_dusk, event::NAUTICAL_DUSK);
    add(sun.astronomical_dusk, event::NIGHT);
    add(sun.astronomical_dawn, event::DAWN);
    add(sun.nautical_dawn, event::NAUTICAL_DAWN);
    add(sun.civil_dawn, event::CIVIL_DAWN);
    add(sun.sunrise, event::SUNRISE);
    night
        .moon
        .rises
        .iter()
        .for_each(|t| add(Some(*t), event::MOONRISE));
    night.moon.sets.iter().for_each(|t| add(Some(*t), event::MOONSET));
    for span in &night.dark {
        add(Some(span.from), event::DARK_FROM);
        add(Some(span.to), event::DARK_TO);
    }
    for subject in &night.subjects {
        let name = &plain(&subject.name);
        for span in &subject.windows {
            add(Some(span.from), &fill(event::UP, &[("subject", name)]));
            add(Some(span.to), &fill(event::DOWN, &[("subject", name)]));
        }
        for pointing in &subject.pointing {
            for aim in [&pointing.start, &pointing.best, &pointing.end] {
                add(
                    Some(aim.at),
                    &fill(event::POINT, &[("subject", name), ("aim", &aim_words(aim))]),
                );
            }
        }
        if let Some(highest) = &subject.culmination {
            let alt = format!("{:.0}", highest.altitude_deg);
            add(
                Some(highest.at),
                &fill(event::HIGHEST, &[("subject", name), ("alt", &alt)]),
            );
        }
    }
    all.sort_by_key(|moment| moment.at);
    all
}
