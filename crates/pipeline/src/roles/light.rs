//! Sky or land, among frames that hold light.
//!
//! On a fixed tripod a star's image moves by 15.04″/s · t · cos δ; on a tracker it stays. Frames of one
//! setting (exposure, ISO, aperture, focal length) vote together; where their votes differ, the
//! order in time tells a bumped frame among sharp ones from a run of fixed ones.

use std::collections::BTreeMap;

use jiff::civil::DateTime;

use super::content::middle;
use super::{FrameContent, FrameFacts, RoleDecision};
use nightloom_outing::Role;

/// The turning of the sky on the equator, arcseconds per second (TRADE.md 3).
const SIDEREAL_ARCSEC_PER_S: f64 = 15.041;
/// A trail of at least this part of the equator's says that the camera stood still (δ up to 70°).
const FIXED_PART: f64 = 0.34;
/// A trail longer than this times the equator's is no turning of the sky: a bump, a slip.
const BUMPED_PART: f64 = 1.4;
/// Trails at least this long are measured as trails, pixels.
const TELLING_TRAIL_PX: f64 = 5.0;
/// Trails shorter than this cannot be told from a lens's faults, pixels.
const LEAST_TRAIL_PX: f64 = 1.5;
/// The sharp frames of a setting are rounder than this.
const SHARP: f64 = 1.4;
/// Elongation over that of the sharp frames of the setting: up to this alike, from the next on trailed.
const ALIKE: f64 = 1.2;
/// See [`ALIKE`].
const UNLIKE: f64 = 1.35;
/// Frames of one series follow each other within this many exposure times.
const SERIES_GAP: f64 = 3.0;
/// And within this, seconds, for short exposures.
const SERIES_GAP_S: f64 = 60.0;
/// Stars rounder than this are not trailed.
const ROUND: f64 = 1.6;
/// Stars longer than this are trailed.
const TRAILED: f64 = 2.2;
/// Fewer stars than this say nothing of their shape.
const FEW_STARS: usize = 8;

/// What one frame's stars say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Vote {
    Round,
    Trailed,
    Silent,
}

/// Decides the frames at `open`; `decided` holds what is certain already.
pub(super) fn sky_or_land(
    frames: &[FrameFacts],
    open: &[usize],
    decided: &[Option<RoleDecision>],
) -> Vec<(usize, RoleDecision)> {
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for &i in open {
        groups.entry(setting_of(&frames[i])).or_default().push(i);
    }
    let mut out = Vec::new();
    let mut silent = Vec::new();
    for (setting, mut group) in groups {
        group.sort_by(|&a, &b| in_time(&frames[a], &frames[b]));
        let sharpest = sharpest(frames, &group);
        let votes: Vec<Vote> = group.iter().map(|&i| vote(&frames[i], sharpest)).collect();
        if votes.iter().all(|v| *v == Vote::Silent) {
            silent.push((setting, group));
        } else {
            out.extend(by_votes(frames, &setting, &group, &votes));
        }
    }
    out.extend(by_company(frames, silent, decided, &out));
    out
}

/// The order of taking: by the camera's clock, then by content; names decide nothing.
fn in_time(a: &FrameFacts, b: &FrameFacts) -> std::cmp::Ordering {
    let level = |f: &FrameFacts| f.content.map_or(0, |c| c.level.to_bits());
    (&a.meta.taken_local, level(a)).cmp(&(&b.meta.taken_local, level(b)))
}

/// Exposure, ISO, aperture and focal length in words; frames of one setting share it.
pub(super) fn setting_of(frame: &FrameFacts) -> String {
    let say = |value: Option<f64>, before: &str, after: &str| match value {
        Some(v) => format!("{before}{}{after}", round3(v)),
        None => String::new(),
    };
    let m = &frame.meta;
    let parts = [
        say(m.exposure_s, "", " s"),
        say(m.f_number, "f/", ""),
        say(m.iso, "ISO ", ""),
        say(m.focal_mm, "", " mm"),
    ];
    let told: Vec<String> = parts.into_iter().filter(|p| !p.is_empty()).collect();
    if told.is_empty() {
        "settings not told".into()
    } else {
        told.join(", ")
    }
}

fn round3(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let unit = 10f64.powi(2 - value.abs().log10().floor() as i32);
    (value * unit).round() / unit
}

/// The trail a star on the equator leaves on a fixed camera, pixels, when the scale is known.
fn equator_trail_px(frame: &FrameFacts) -> Option<f64> {
    let m = &frame.meta;
    let scale = 206.265 * m.pixel_um? / m.focal_mm.filter(|f| *f > 0.0)?;
    (scale > 0.0).then(|| SIDEREAL_ARCSEC_PER_S * m.exposure_s.unwrap_or(0.0) / scale)
}

/// The elongation of the sharp frames of a setting, a quarter of the way up; `None` if none is sharp.
fn sharpest(frames: &[FrameFacts], group: &[usize]) -> Option<f64> {
    let of = |i: &usize| frames[*i].content.filter(|c| c.stars >= FEW_STARS)?.elongation;
    let mut all: Vec<f64> = group.iter().filter_map(of).collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 4).copied().filter(|e| *e <= SHARP)
}

fn vote(frame: &FrameFacts, sharpest: Option<f64>) -> Vote {
    let Some(FrameContent {
        stars,
        elongation: Some(elongation),
        trail_px,
        drift_px,
        ..
    }) = frame.content
    else {
        return Vote::Silent;
    };
    if stars < FEW_STARS {
        return Vote::Silent;
    }
    let expected = equator_trail_px(frame);
    let trail = trail_px.unwrap_or(0.0).max(drift_px.unwrap_or(0.0));
    match expected {
        Some(expected) if expected < LEAST_TRAIL_PX => Vote::Silent,
        Some(expected) if expected >= TELLING_TRAIL_PX && elongation > ROUND => {
            let fixed = FIXED_PART * expected..=BUMPED_PART * expected + TELLING_TRAIL_PX;
            if fixed.contains(&trail) {
                Vote::Trailed
            } else if drift_px.is_some_and(|d| d < LEAST_TRAIL_PX) && trail < LEAST_TRAIL_PX {
                // Long stars without a common motion: the lens, not the sky's turning.
                Vote::Round
            } else {
                Vote::Silent
            }
        }
        Some(expected) if expected >= TELLING_TRAIL_PX => Vote::Round,
        Some(expected) if elongation > UNLIKE && drift_px.is_some_and(|d| of_the_sky(d, expected)) => {
            Vote::Trailed
        }
        _ => beside_the_sharpest(elongation, sharpest),
    }
}

/// Whether a common motion too short to be measured as a trail has the length of the sky's turning.
fn of_the_sky(drift_px: f64, expected: f64) -> bool {
    drift_px >= LEAST_TRAIL_PX && (2.0 * FIXED_PART * expected..=BUMPED_PART * expected).contains(&drift_px)
}

/// Where the trail's length tells nothing, the frames of one setting are compared with each other.
fn beside_the_sharpest(elongation: f64, sharpest: Option<f64>) -> Vote {
    match sharpest {
        Some(sharp) if elongation <= ALIKE * sharp => Vote::Round,
        Some(sharp) if elongation >= UNLIKE * sharp => Vote::Trailed,
        None if elongation >= TRAILED => Vote::Trailed,
        _ => Vote::Silent,
    }
}

fn by_votes(
    frames: &[FrameFacts],
    setting: &str,
    group: &[usize],
    votes: &[Vote],
) -> Vec<(usize, RoleDecision)> {
    let count = |v: Vote| votes.iter().filter(|x| **x == v).count();
    let (round, trailed) = (count(Vote::Round), count(Vote::Trailed));
    let majority = if round >= trailed {
        Vote::Round
    } else {
        Vote::Trailed
    };
    let breaks: Vec<bool> = group
        .windows(2)
        .map(|w| apart(&frames[w[0]], &frames[w[1]]))
        .collect();
    let runs = runs(votes, majority, &breaks);
    let mut out = Vec::with_capacity(group.len());
    for (k, &i) in group.iter().enumerate() {
        // A lone deviating frame is a mishap of its setting; two in a row are a way of working.
        let own = votes[k] != Vote::Silent && votes[k] != majority && runs[k] >= 2;
        let verdict = if own { votes[k] } else { majority };
        let company = format!("{} of {} frames at {setting}", count(verdict), group.len());
        out.push((i, in_words(&frames[i], votes[k], verdict, &company)));
    }
    out
}

/// Whether two frames, in time order, belong to different series.
fn apart(a: &FrameFacts, b: &FrameFacts) -> bool {
    let taken = |f: &FrameFacts| {
        f.meta
            .taken_local
            .as_deref()
            .and_then(|t| t.parse::<DateTime>().ok())
    };
    let (Some(first), Some(second)) = (taken(a), taken(b)) else {
        return false;
    };
    let gap = second.duration_since(first).as_secs_f64();
    gap > (SERIES_GAP * a.meta.exposure_s.unwrap_or(0.0)).max(SERIES_GAP_S)
}

/// For every frame, how many neighbours in its series share its deviation from the majority.
fn runs(votes: &[Vote], majority: Vote, breaks: &[bool]) -> Vec<usize> {
    let deviates = |k: usize| votes[k] != majority && votes[k] != Vote::Silent;
    let mut out = vec![0; votes.len()];
    let mut start = 0;
    while start < votes.len() {
        let same = |k: &usize| deviates(*k) == deviates(start) && !breaks[*k - 1];
        let end = (start + 1..votes.len()).find(|k| !same(k)).unwrap_or(votes.len());
        if deviates(start) {
            // A lone frame that is a series of its own is no mishap within one.
            let alone = (start == 0 || breaks[start - 1]) && (end == votes.len() || breaks[end - 1]);
            out[start..end].fill((end - start).max(if alone { 2 } else { 1 }));
        }
        start = end;
    }
    out
}

fn in_words(frame: &FrameFacts, own: Vote, verdict: Vote, company: &str) -> RoleDecision {
    let c = frame.content.unwrap_or_default();
    let shape = match c.elongation {
        Some(e) => format!("{} stars, elongation {e:.2}", c.stars),
        None => "no stars".into(),
    };
    let (role, as_on) = match verdict {
        Vote::Trailed => (Role::Land, "stars are trailed as on a fixed tripod"),
        _ => (Role::Sky, "stars are round as on a tracker"),
    };
    let reason = if own == verdict {
        format!("{as_on} ({shape}), like {company}")
    } else {
        format!("taken among frames whose {as_on} ({company}), though its own are not ({shape})")
    };
    RoleDecision::of(role, reason)
}

/// Settings whose stars say nothing: short exposures, few stars. What the others are decides.
fn by_company(
    frames: &[FrameFacts],
    silent: Vec<(String, Vec<usize>)>,
    decided: &[Option<RoleDecision>],
    voted: &[(usize, RoleDecision)],
) -> Vec<(usize, RoleDecision)> {
    let has = |role: Role| {
        decided
            .iter()
            .flatten()
            .chain(voted.iter().map(|(_, d)| d))
            .any(|d| d.role == Some(role))
    };
    let sky_known = has(Role::Sky);
    // Without any certain sky, the largest setting with stars in it is the sky.
    let starry = |g: &[usize]| middle(g.iter().map(|&i| stars(&frames[i]) as f64));
    let sky = silent
        .iter()
        .enumerate()
        .filter(|(_, (_, g))| !sky_known && starry(g) >= FEW_STARS as f64)
        .max_by(|(_, (_, a)), (_, (_, b))| {
            (a.len(), starry(a))
                .partial_cmp(&(b.len(), starry(b)))
                .unwrap_or(std::cmp::Ordering::Equal)
        })
        .map(|(k, _)| k);
    let mut out = Vec::new();
    for (k, (setting, group)) in silent.iter().enumerate() {
        for &i in group {
            let n = stars(&frames[i]);
            let decision = if Some(k) == sky {
                RoleDecision::of(
                    Role::Sky,
                    format!("{n} stars, not trailed; the most frames share {setting}"),
                )
            } else if n < FEW_STARS {
                RoleDecision::of(
                    Role::Land,
                    format!("light and contours but only {n} stars ({setting})"),
                )
            } else {
                RoleDecision::of(Role::Land, format!("taken at {setting}, unlike the sky frames"))
            };
            out.push((i, decision));
        }
    }
    out
}

fn stars(frame: &FrameFacts) -> usize {
    frame.content.map_or(0, |c| c.stars)
}
