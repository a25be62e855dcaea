//! Showers, the zodiacal light, noctilucent clouds and land under the moon.

use nightloom_sky::night::{NightSky, Span};
use nightloom_sky::subjects::{Subject, SubjectKind, all};
use nightloom_sky::{DateError, Site};

use super::Worthwhile;

/// Meteors an hour that are worth a night by themselves.
const MANY: f64 = 10.0;
/// Fewer than this are not worth a word.
const FEW: f64 = 2.0;

/// Showers by the meteors one sees.
pub(super) fn showers(sky: &NightSky<'_>) -> Result<Vec<Worthwhile>, DateError> {
    let mut found = Vec::new();
    for subject in all().iter().filter(|s| s.shower().is_some()) {
        let Some((span, rate, best)) = sky.best_of_shower(subject)? else {
            continue;
        };
        if rate.rate_per_h < FEW {
            continue;
        }
        found.push(Worthwhile {
            what: subject.name.clone(),
            kind: "meteor shower",
            score: rate.meteors / MANY,
            from: span.from,
            to: span.to,
            best,
            reason: format!(
                "{:.0} meteors an hour at best (ZHR {:.0}, radiant {:.0}° high), about {:.0} in the night",
                rate.rate_per_h, rate.zenithal_hourly_rate, rate.radiant_altitude_deg, rate.meteors
            ),
        });
    }
    Ok(found)
}

/// The zodiacal light's cones, where the ecliptic stands steep enough to lift them out of the haze.
pub(super) fn zodiacal(sky: &NightSky<'_>) -> Result<Vec<Worthwhile>, DateError> {
    /// The cone 45° from the sun stands this high or it drowns in haze (common practice, no source), degrees.
    const HIGH_DEG: f64 = 20.0;
    let cones = all()
        .iter()
        .filter(|s: &&Subject| s.kind == SubjectKind::ZodiacalLight && s.name != "Gegenschein");
    let mut found = Vec::new();
    for subject in cones {
        let night = sky.subject(subject)?;
        let Some(pointing) = night.pointing.iter().find(|p| !p.moonlit) else {
            continue;
        };
        let highest = pointing.start.altitude_deg.max(pointing.end.altitude_deg);
        if highest < HIGH_DEG {
            continue;
        }
        let evening = pointing.start.altitude_deg > pointing.end.altitude_deg;
        let best = if evening { &pointing.start } else { &pointing.end };
        found.push(Worthwhile {
            what: subject.name.clone(),
            kind: "zodiacal light",
            score: (highest - HIGH_DEG) / 20.0,
            from: pointing.span.from,
            to: pointing.span.to,
            best: best.clone(),
            reason: format!("the ecliptic stands steep: its cone reaches {highest:.0}° in the dark"),
        });
    }
    Ok(found)
}

/// Noctilucent clouds: their season and twilight, where they are seen from (Gadsden and Schröder 1989, Noctilucent
/// Clouds, ch. 2: 50° to 65° latitude, late May to August in the north, the sun 6° to 16° below the horizon; from memory).
pub(super) fn noctilucent(sky: &NightSky<'_>, site: &Site) -> Option<Worthwhile> {
    let latitude = site.latitude.deg();
    let (month, day) = (sky.window().evening.month(), sky.window().evening.day());
    // The southern season is half a year later.
    let month = if latitude < 0.0 {
        (month + 5) % 12 + 1
    } else {
        month
    };
    let season = matches!((month, day), (5, 20..) | (6 | 7, _) | (8, ..=10));
    if !(50.0..=65.0).contains(&latitude.abs()) || !season {
        return None;
    }
    let low = sky.sun_between(-16.0, -6.0);
    let span = low.first()?;
    let minutes: f64 = low.iter().map(Span::minutes).sum();
    let middle = span.from.seconds_since(sky.window().from) + span.minutes() * 30.0;
    let mut best = sky.aim(sky.sun(), middle);
    best.altitude_deg = 10.0;
    best.milky_way_lean_deg = None;
    Some(Worthwhile {
        what: "Noctilucent clouds".into(),
        kind: "season",
        score: minutes / 60.0 * 0.3,
        from: span.from,
        to: low.last()?.to,
        best,
        reason: "in season here: look low over where the sun is below the horizon; nobody can foretell them"
            .into(),
    })
}

/// Land under a moon that is low enough to model it and bright enough to light it.
pub(super) fn moonlit_land(sky: &NightSky<'_>) -> Result<Option<Worthwhile>, DateError> {
    const STEP_S: f64 = 600.0;
    let lit = sky.moon_lit()?;
    if lit < 0.15 {
        return Ok(None);
    }
    let window = sky.window();
    let mut found = Vec::new();
    for span in sky.dark_hours() {
        let from = span.from.seconds_since(window.from);
        for n in 0..(span.minutes() * 60.0 / STEP_S) as usize {
            let at = from + n as f64 * STEP_S;
            if (10.0..=40.0).contains(&sky.moon().altitude(at).deg()) {
                found.push(at);
            }
        }
    }
    let (Some(&first), Some(&last)) = (found.first(), found.last()) else {
        return Ok(None);
    };
    let best = sky.aim(sky.moon(), found[found.len() / 2]);
    Ok(Some(Worthwhile {
        what: "Land in moonlight".into(),
        kind: "moonlit land",
        score: found.len() as f64 * STEP_S / 3600.0 * lit.min(0.6) * 0.5,
        from: window.from.plus_seconds(first),
        to: window.from.plus_seconds(last + STEP_S),
        best,
        reason: format!(
            "the moon, {:.0} % lit, stands 10° to 40° high and models the land",
            lit * 100.0
        ),
    }))
}
