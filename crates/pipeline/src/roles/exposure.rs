//! A likely role from EXIF alone, for frames whose pixels were not looked at.

use std::collections::BTreeMap;

use super::light::setting_of;
use super::{FrameFacts, RoleDecision};
use nightloom_outing::Role;

/// Exposures shorter than this hold no stars, seconds. Common practice, no source.
const SHORT_S: f64 = 2.0;

/// Decides the frames at `open`: the setting with the longest total exposure is the sky; other
/// long exposures are land. Short ones are left open, because flats and biases look alike in EXIF.
pub(super) fn by_exposure_alone(
    frames: &[FrameFacts],
    open: &[usize],
    decided: &[Option<RoleDecision>],
) -> Vec<(usize, RoleDecision)> {
    let sky_known = decided.iter().flatten().any(|d| d.role == Some(Role::Sky));
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for &i in open {
        if frames[i].content.is_none() && frames[i].meta.exposure_s.is_some_and(|t| t >= SHORT_S) {
            groups.entry(setting_of(&frames[i])).or_default().push(i);
        }
    }
    let total = |g: &[usize]| g.iter().filter_map(|&i| frames[i].meta.exposure_s).sum::<f64>();
    let sky = groups
        .iter()
        .filter(|_| !sky_known)
        .max_by(|a, b| total(a.1).total_cmp(&total(b.1)).then(b.0.cmp(a.0)))
        .map(|(setting, _)| setting.clone());
    let mut out = Vec::new();
    for (setting, group) in &groups {
        for &i in group {
            let decision = if Some(setting) == sky.as_ref() {
                RoleDecision::of(
                    Role::Sky,
                    format!("the longest time in all was spent at {setting}; by EXIF alone"),
                )
            } else {
                RoleDecision::of(
                    Role::Land,
                    format!("a long exposure at {setting}, unlike the sky frames; by EXIF alone"),
                )
            };
            out.push((i, decision));
        }
    }
    out
}
