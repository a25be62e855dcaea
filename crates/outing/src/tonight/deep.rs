//! The Milky Way, nebulae, clusters and galaxies.

use nightloom_sky::night::{NightSky, SubjectNight};
use nightloom_sky::subjects::{Subject, SubjectKind, all, find};
use nightloom_sky::{Angle, DateError};

use super::{Field, Worthwhile};
use crate::evening::hours;

/// Smaller than this, arcminutes, is a speck behind the lenses that this is about.
const LARGE_ARCMIN: f64 = 30.0;
/// An object fills a frame well from this share of its height on.
const FILLS: f64 = 0.15;
/// How many objects are named.
const NAMED: usize = 8;
/// An hour on the Milky Way's core against one on an object that fills the frame.
const CORE: f64 = 5.0;
/// An hour on an open cluster against one on a nebula or a galaxy.
const CLUSTER: f64 = 0.4;
/// The arch's height over the horizon that panoramas like, degrees.
const ARCH_DEG: std::ops::RangeInclusive<f64> = 15.0..=50.0;

pub(super) fn milky_way(sky: &NightSky<'_>) -> Result<Vec<Worthwhile>, DateError> {
    let mut all = Vec::new();
    if let Ok(core) = find("Milky Way core") {
        let night = sky.subject(&core)?;
        let reason = |height: f64| format!("its core stands {height:.0}° high at best");
        all.extend(by_worth(&night, "Milky Way", CORE, reason));
    }
    all.extend(arch(sky)?);
    Ok(all)
}

/// The arch, while it stands low enough for a panorama and it is dark.
fn arch(sky: &NightSky<'_>) -> Result<Option<Worthwhile>, DateError> {
    const STEP_S: f64 = 600.0;
    let mut found: Vec<(f64, f64, f64)> = Vec::new();
    let window = sky.window();
    for span in sky.dark() {
        let (from, to) = (
            span.from.seconds_since(window.from),
            span.to.seconds_since(window.from),
        );
        for n in 0..((to - from) / STEP_S).ceil() as usize {
            let at = from + n as f64 * STEP_S;
            let arch = sky.arch(at);
            let top = arch.highest();
            // The bright half reaches from Carina over the core to Cassiopeia: the arch is worth most with it up.
            let bright =
                (-9..=12).filter(|n| arch.point(Angle::from_deg(f64::from(*n) * 10.0)).altitude.deg() > 5.0);
            let share = bright.count() as f64 / 22.0;
            if ARCH_DEG.contains(&top.altitude.deg()) && share > 0.6 {
                found.push((at, top.altitude.deg(), share));
            }
        }
    }
    let Some(&(best_s, height, _)) = found.iter().max_by(|a, b| a.2.total_cmp(&b.2)) else {
        return Ok(None);
    };
    let ends = (found[0].0, found[found.len() - 1].0 + STEP_S);
    let top = sky.arch(best_s).highest();
    let mut best = sky.aim(
        &sky.path(&nightloom_sky::Target::fixed(Angle::default(), Angle::default())),
        best_s,
    );
    best.azimuth_deg = top.azimuth.deg();
    best.altitude_deg = top.altitude.deg();
    best.compass_deg = None;
    best.milky_way_lean_deg = None;
    Ok(Some(Worthwhile {
        what: "Milky Way arch".into(),
        kind: "panorama",
        score: found.len() as f64 * STEP_S / 3600.0,
        from: window.from.plus_seconds(ends.0),
        to: window.from.plus_seconds(ends.1),
        best,
        reason: format!("its bright half stands as an arch {height:.0}° high, low enough for a panorama"),
    }))
}

/// Large objects, the most worthwhile ones.
pub(super) fn objects(sky: &NightSky<'_>, field: Field) -> Result<Vec<Worthwhile>, DateError> {
    let mut found = Vec::new();
    for subject in all().iter().filter(|s| is_deep(s)) {
        let Some((major, _)) = subject.size.filter(|(major, _)| major.arcmin() >= LARGE_ARCMIN) else {
            continue;
        };
        let share = major.deg() / field.height_deg;
        // What is larger than the frame does not get better by it.
        let suits = (share / FILLS).min(1.0) * (1.0 / share.max(1.0));
        let suits = suits
            * if subject.kind == SubjectKind::OpenCluster {
                CLUSTER
            } else {
                1.0
            };
        let night = sky.subject(subject)?;
        let reason = |height: f64| {
            format!(
                "{:.1}° across, {:.0} % of the frame's height; {height:.0}° high at best",
                major.deg(),
                share * 100.0
            )
        };
        found.extend(by_worth(&night, kind(subject), suits, reason));
    }
    found.sort_by(|a, b| b.score.total_cmp(&a.score));
    found.truncate(NAMED);
    Ok(found)
}

fn is_deep(subject: &Subject) -> bool {
    matches!(
        subject.kind,
        SubjectKind::StarCloud
            | SubjectKind::OpenCluster
            | SubjectKind::Nebula
            | SubjectKind::DarkNebula
            | SubjectKind::SupernovaRemnant
            | SubjectKind::Galaxy
    )
}

fn kind(subject: &Subject) -> &'static str {
    match subject.kind {
        SubjectKind::StarCloud => "star cloud",
        SubjectKind::OpenCluster => "open cluster",
        SubjectKind::Galaxy => "galaxy",
        _ => "nebula",
    }
}

/// A subject by its worth in the night, if it has any.
fn by_worth(
    night: &SubjectNight,
    kind: &'static str,
    suits: f64,
    reason: impl Fn(f64) -> String,
) -> Option<Worthwhile> {
    let at_best = |p: &&nightloom_sky::night::Pointing| {
        night.best_at.is_some_and(|t| p.span.from <= t && t <= p.span.to)
    };
    let pointing = night.pointing.iter().find(at_best).or(night.pointing.first())?;
    let moon = match night.moon_cost_mag {
        Some(cost) if cost >= 0.1 => format!("; the moon costs {cost:.1} mag"),
        _ => String::new(),
    };
    Some(Worthwhile {
        what: night.name.clone(),
        kind,
        score: night.graded_minutes / 60.0 * suits,
        from: pointing.span.from,
        to: pointing.span.to,
        reason: format!(
            "{}; worth {} of a dark zenith{moon}",
            reason(pointing.best.altitude_deg),
            hours(night.graded_minutes)
        ),
        best: pointing.best.clone(),
    })
}
