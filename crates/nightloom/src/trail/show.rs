//! The answer of `nightloom trail`, as JSON and for a person.

use nightloom_optics::{AxisAllowance, Rules, Shot, Trail, TrailMap};
use nightloom_sky::Angle;
use serde_json::{Value, json};

use super::{Answer, TrailArgs};
use crate::out;

fn length(trail: &Option<Trail>) -> Option<f64> {
    trail.as_ref().map(|t| t.length_px)
}

pub(super) fn answer_json(shot: &Shot, answer: &Answer, args: &TrailArgs) -> Value {
    let trails = &answer.trails;
    let scale = |pixel| {
        shot.camera
            .lens
            .scale_at(pixel)
            .map(|s| json!({ "radial_arcsec_px": s.radial.arcsec(), "tangential_arcsec_px": s.tangential.arcsec() }))
    };
    let field = shot.camera.field_of_view();
    let deg = |angle: Option<Angle>| angle.map(|a| a.deg());
    json!({
        "centre_arcsec": trails.centre.map(|t| t.length.arcsec()),
        "centre_px": length(&trails.centre),
        "corners_px": trails.corners.each_ref().map(length),
        "edges_px": trails.edges.each_ref().map(length),
        "worst_px": trails.worst.map(|w| w.length_px),
        "worst_at_px": trails.worst.map(|w| w.at_px),
        "exposure_s": shot.seconds,
        "altitude_deg": shot.scene.altitude().deg(),
        "axis_error_arcmin": axis_error(shot).map(|e| e.arcmin()),
        "land_px": answer.land.as_ref().map(|l| json!({
            "centre": length(&l.centre), "worst": l.worst.map(|w| w.length_px),
        })),
        "tolerance_px": args.tolerance,
        "longest_exposure_s": answer.longest_s,
        "axis_allowed_arcmin": {
            "centre": answer.allowed.centre.map(|a| a.arcmin()),
            "frame": answer.allowed.frame.map(|a| a.arcmin()),
        },
        "share_kept": answer.kept,
        "rules": answer.rules,
        "scale": { "centre": scale(shot.camera.lens.centre_px), "corner": scale(shot.camera.corners()[0]) },
        "field_deg": { "width": deg(field.width), "height": deg(field.height), "diagonal": deg(field.diagonal) },
        "notes": notes(shot, answer),
    })
}

pub(super) fn map_json(map: &TrailMap) -> Value {
    let lengths: Vec<Option<f64>> = map.trails.iter().map(length).collect();
    let shifts: Vec<Option<[f64; 2]>> = map.trails.iter().map(|t| t.map(|t| t.shift_px)).collect();
    json!({
        "columns": map.columns, "rows": map.rows, "at_px": map.at_px, "length_px": lengths, "shift_px": shifts,
    })
}

fn axis_error(shot: &Shot) -> Option<Angle> {
    Some(shot.tracker?.axis_error(&shot.scene.north_pole()))
}

fn notes(shot: &Shot, answer: &Answer) -> Vec<String> {
    let mut notes = Vec::new();
    let altitude = shot.scene.altitude().deg();
    if altitude < 0.0 {
        notes.push(format!(
            "The middle of the picture is {:.1}° below the horizon.",
            -altitude
        ));
    }
    if answer.trails.worst.is_none() {
        notes.push(
            "Some stars leave what the lens can show within the exposure; their trails have no length."
                .into(),
        );
    }
    if let Some(error) = axis_error(shot).filter(|e| e.deg() > 20.0) {
        notes.push(format!(
            "The axis is {:.0}° off the pole: check --axis-alt and --axis-az (the altitude is the latitude; the azimuth 0 in the north, 180 in the south).",
            error.deg()
        ));
    }
    notes
}

pub(super) fn tell(shot: &Shot, answer: &Answer, tolerance: f64, json: bool) {
    let say = |line: &str| out::result(line, json);
    let px = |length: Option<f64>| length.map_or("-".into(), |px| format!("{px:.2}"));
    say(&match axis_error(shot) {
        Some(error) => format!(
            "Tracker, axis {:.1}′ off the pole; {} s",
            error.arcmin(),
            shot.seconds
        ),
        None => format!("Fixed camera; {} s", shot.seconds),
    });
    let trails = &answer.trails;
    let arcsec = trails
        .centre
        .map_or("-".into(), |t| format!("{:.1}″", t.length.arcsec()));
    let corners = trails.corners.each_ref().map(|t| px(length(t)));
    say(&format!(
        "  centre   {:>8} px, {arcsec}",
        px(length(&trails.centre))
    ));
    say(&format!("  corners  {:>8} px  {:>8} px", corners[0], corners[1]));
    say(&format!("           {:>8} px  {:>8} px", corners[2], corners[3]));
    say(&format!(
        "  worst    {:>8} px",
        px(trails.worst.map(|w| w.length_px))
    ));
    if let Some(land) = &answer.land {
        let worst = land.worst.map(|w| w.length_px);
        say(&format!(
            "  land     {:>8} px at the centre, {} at worst",
            px(length(&land.centre)),
            px(worst)
        ));
    }
    say(&match answer.longest_s {
        Some(s) => format!("At most {tolerance} px in the whole frame: up to {s:.1} s"),
        None => format!("At most {tolerance} px in the whole frame: longer than 12 h"),
    });
    if let AxisAllowance {
        centre: Some(centre),
        frame: Some(frame),
    } = answer.allowed
    {
        say(&format!(
            "A tracker for this exposure: axis within {:.1}′ of the pole ({:.1}′ for the centre alone)",
            frame.arcmin(),
            centre.arcmin()
        ));
    }
    if let Some(kept) = answer.kept {
        say(&format!(
            "Expect {:.0} % sharp frames: the gear's error strikes at random.",
            kept * 100.0
        ));
    }
    if shot.tracker.is_none() {
        tell_rules(&answer.rules, &say);
    }
    for note in notes(shot, answer) {
        say(&note);
    }
}

fn tell_rules(rules: &Rules, say: &impl Fn(&str)) {
    say(&format!(
        "Rules of thumb (they know no tolerance): 500/f {:.1} s, 400/f {:.1} s, 300/f {:.1} s",
        rules.by_500_s, rules.by_400_s, rules.by_300_s
    ));
    match (rules.npf_simple_s, rules.npf_full_s) {
        (Some(simple), Some(full)) => say(&format!("  NPF {simple:.1} s, in full {full:.1} s")),
        _ => say("  NPF needs --f-number"),
    }
}
