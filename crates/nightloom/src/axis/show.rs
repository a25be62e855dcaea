//! The answer of `nightloom axis` for a person.

use nightloom_frames::axis::{
    AxisReport, Correction, DriftReport, ErrorReport, FrameUse, LEVEL, ScreenStep, Tolerance,
};

use crate::out;

pub(super) fn left_out(report: &AxisReport) {
    for frame in &report.left_out {
        out::say(&format!("left out: {} {}", frame.name, frame.why));
    }
}

pub(super) fn tell(report: &AxisReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    for frame in &report.left_out {
        say(&format!("left out: {} {}", frame.name, frame.why));
    }
    for (n, answer) in report.either.iter().enumerate() {
        say(&format!("{} {}", ["Either:", "or:    "][n.min(1)], answer.advice));
        say(&format!("        {}", error(&answer.error)));
    }
    if let Some(advice) = &report.advice {
        say(advice);
    }
    if let (Some(axis), Some(off)) = (&report.axis, &report.error) {
        say("");
        say(&format!("error      {}", error(off)));
        say(&format!(
            "axis       altitude {:.3}°, azimuth {:.3}°{}",
            axis.altitude_deg,
            axis.azimuth_deg,
            report.pole.map_or(String::new(), |p| format!(
                "; the pole is seen at {:.3}°",
                p.refracted_altitude_deg
            ))
        ));
    }
    if let Some(before) = &report.before {
        say(&format!("before     {}", error(before)));
    }
    if let Some(correction) = &report.correction {
        movements(correction, &say);
    }
    if let Some(tolerance) = &report.tolerance {
        forgiven(tolerance, &say);
    }
    tracker(report, &say);
    frames(report, &say);
    say("");
    for note in &report.notes {
        say(note);
    }
    if report.correction.is_some() && report.tolerance.is_some_and(|t| !t.safe) {
        say(LEVEL);
    }
}

fn error(error: &ErrorReport) -> String {
    let side = |value: f64, sides: [&'static str; 2]| sides[usize::from(value < 0.0)];
    format!(
        "{:.1}′ ± {:.1}′: {:.1}′ too {}, {:.1}′ {} of the pole",
        error.total_arcmin,
        error.sigma_arcmin,
        error.altitude_arcmin.abs(),
        side(error.altitude_arcmin, ["high", "low"]),
        error.azimuth_arcmin.abs(),
        side(error.azimuth_arcmin, ["east", "west"])
    )
}

fn movements(correction: &Correction, say: &impl Fn(&str)) {
    let clockwise = if correction.azimuth_arcmin < 0.0 {
        "anticlockwise"
    } else {
        "clockwise"
    };
    say(&format!(
        "base       {} by {:.1}′, {clockwise} as seen from above by {:.1}′ of azimuth",
        if correction.altitude_arcmin < 0.0 {
            "lower"
        } else {
            "raise"
        },
        correction.altitude_arcmin.abs(),
        correction.azimuth_arcmin.abs()
    ));
    let turns = |name: &str, turns: Option<f64>, ways: [&str; 2]| {
        turns.map(|t| format!("{name} {:.2} turns {}", t.abs(), ways[usize::from(t < 0.0)]))
    };
    let knobs: Vec<String> = [
        turns("altitude", correction.knobs.altitude_turns, ["up", "down"]),
        turns(
            "azimuth",
            correction.knobs.azimuth_turns,
            ["clockwise", "anticlockwise"],
        ),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !knobs.is_empty() {
        say(&format!("knobs      {}", knobs.join(", ")));
    }
    let steps = [
        ("altitude", &correction.screen_altitude),
        ("azimuth", &correction.screen_azimuth),
    ];
    for (knob, step) in steps {
        if let Some(step) = step {
            say(&format!("screen     while turning the {knob}: {}", screen(step)));
        }
    }
}

fn screen(step: &ScreenStep) -> String {
    let px = step.shift_px[0].hypot(step.shift_px[1]);
    let zoomed = if (step.zoom - 1.0).abs() > 1e-9 {
        format!(
            ", {:.0} % of the screen at {}×",
            step.of_screen_percent, step.zoom
        )
    } else {
        String::new()
    };
    format!(
        "the star in the middle goes {} by {px:.0} px, {:.2} % of the picture's width{zoomed}",
        step.towards, step.of_width_percent
    )
}

fn forgiven(tolerance: &Tolerance, say: &impl Fn(&str)) {
    let allowed = tolerance
        .allowed_arcmin
        .map_or("anything".into(), |a| format!("{a:.1}′"));
    let trail = tolerance
        .trail_px
        .map_or("beyond the lens".into(), |px| format!("{px:.2} px"));
    say(&format!(
        "tonight    {:.0} s within {} px allow {allowed} of error in the worst direction; as the axis is, the longest trail is {trail}",
        tolerance.exposure_s, tolerance.tolerance_px
    ));
}

fn tracker(report: &AxisReport, say: &impl Fn(&str)) {
    if let Some(rate) = &report.rate {
        say(&format!(
            "rate       {:.4} ± {:.4} of the stars': {}",
            rate.rate.times_sidereal, rate.rate.sigma, rate.told
        ));
    }
    if let Some(gear) = &report.periodic_error {
        say(&format!(
            "gear       ±{:.1}″ ± {:.1}″ with a period of {:.0} ± {:.0} s, phase {:.0}° ± {:.0}° in the first frame",
            gear.amplitude_arcsec,
            gear.amplitude_sigma_arcsec,
            gear.period_s,
            gear.period_sigma_s,
            gear.phase_deg,
            gear.phase_sigma_deg
        ));
    }
}

fn frames(report: &AxisReport, say: &impl Fn(&str)) {
    let used = report
        .frames
        .iter()
        .filter(|f| matches!(f.used, FrameUse::Used { .. }))
        .count();
    if let Some(turned) = report.turned_deg {
        say(&format!(
            "frames     {used} of {} used, turned by up to {turned:.2}°; stars within {:.2} px",
            report.frames.len() + report.left_out.len(),
            report.rms_px.unwrap_or_default()
        ));
    }
    for update in &report.updates {
        say(&format!("then       {}: {}", update.name, error(&update.error)));
    }
}

pub(super) fn drift(report: &DriftReport, json: bool) {
    let say = |line: &str| out::result(line, json);
    say(&report.advice);
    let [right, down] = report.shift_px;
    let way = |by: f64, towards: [&str; 2]| format!("{:.1} px {}", by.abs(), towards[usize::from(by < 0.0)]);
    say(&format!(
        "By the drift of {} stars: {:.0}′ off, to about a tenth of it as the aim is known roughly. The star in the middle moved {} and {} in {:.0} s.",
        report.pairs,
        report.total_arcmin,
        way(right, ["right", "left"]),
        way(down, ["down", "up"]),
        report.seconds
    ));
}
