//! The moon and planets that stand together.

use nightloom_sky::night::{NightSky, Path};
use nightloom_sky::{SolarBody, Target};

use super::{Field, Worthwhile};

/// What the eye sees without a glass.
const BRIGHT: [(&str, SolarBody); 6] = [
    ("Moon", SolarBody::Moon),
    ("Mercury", SolarBody::Mercury),
    ("Venus", SolarBody::Venus),
    ("Mars", SolarBody::Mars),
    ("Jupiter", SolarBody::Jupiter),
    ("Saturn", SolarBody::Saturn),
];
/// Farther apart than this they are no group, degrees (common practice, no source).
const APART_DEG: f64 = 7.0;
/// The sun below this, degrees, planets stand out; and each of them this high.
const SUN_DEG: f64 = -7.0;
const LEAST_DEG: f64 = 4.0;

/// Pairs that stand together while it is dark enough to see them.
pub(super) fn planets(sky: &NightSky<'_>, field: Field) -> Vec<Worthwhile> {
    let ways: Vec<(&str, Path)> = BRIGHT
        .iter()
        .map(|(name, body)| (*name, sky.path(&Target::Body(*body))))
        .collect();
    let mut found = Vec::new();
    for (n, a) in ways.iter().enumerate() {
        found.extend(ways[n + 1..].iter().filter_map(|b| pair(sky, field, a, b)));
    }
    found
}

fn pair(sky: &NightSky<'_>, field: Field, a: &(&str, Path), b: &(&str, Path)) -> Option<Worthwhile> {
    const STEP_S: f64 = 600.0;
    let window = sky.window();
    let seen = |at: f64| {
        sky.sun().altitude(at).deg() < SUN_DEG
            && a.1.altitude(at).deg() > LEAST_DEG
            && b.1.altitude(at).deg() > LEAST_DEG
    };
    let steps = (window.length_s() / STEP_S) as usize;
    let times: Vec<f64> = (0..=steps)
        .map(|n| n as f64 * STEP_S)
        .filter(|at| seen(*at))
        .collect();
    let apart = |at: f64| a.1.direction(at).angle(&b.1.direction(at)).to_degrees();
    let nearest = times
        .iter()
        .copied()
        .min_by(|x, y| apart(*x).total_cmp(&apart(*y)))?;
    let degrees = apart(nearest);
    if degrees > APART_DEG {
        return None;
    }
    let best = sky.aim(&a.1, nearest);
    Some(Worthwhile {
        what: format!("{} and {}", a.0, b.0),
        kind: "meeting",
        score: (1.0 - degrees / APART_DEG) * (1.0 + (times.len() as f64 * STEP_S / 3600.0).min(2.0)) / 2.0,
        from: window.from.plus_seconds(*times.first()?),
        to: window.from.plus_seconds(times.last()? + STEP_S),
        reason: format!(
            "they stand {degrees:.1}° apart, {:.0} % of the frame's height, {:.0}° high",
            degrees / field.height_deg * 100.0,
            best.altitude_deg
        ),
        best,
    })
}
