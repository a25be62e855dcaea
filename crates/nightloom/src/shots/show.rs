//! The shot list in words.

use nightloom_outing::shots::{Block, Cut, ShotList};
use nightloom_sky::night::Night;

use crate::evening::{Evening, clock_short, hours, line};

/// Said beside every list: law and site first, then cold, dark and the road.
pub(crate) const CAUTIONS: [&str; 5] = [
    "Local law and the site's rules come first: closures, night access, lights, wildlife.",
    "Cold and dark slow the head: do the sums before, keep warm, eat and drink, know the ground by day.",
    "Carry two lights and a charged phone; keep from edges, water and roads while looking at a screen.",
    "Leave this plan with someone, with a time to turn back by, and turn back then.",
    "Do not drive tired: sleep first, or let someone else drive.",
];

pub(super) fn tell(evening: &Evening, night: &Night, list: &ShotList) {
    let zone = &evening.zone.zone;
    let at = |t| clock_short(zone, t);
    line(&format!(
        "The night of {} at {}",
        night.window.evening,
        evening.told()
    ));
    line(&evening.zone_told(night.window.from, night.window.to));
    let window = &list.window;
    line(&format!(
        "Window for the sky: {} to {}, {} ({})",
        at(window.from),
        at(window.to),
        hours(window.minutes()),
        list.window_is
    ));
    line("");
    line(&format!(
        "{:<7}{:<7}{:<17}{:>6}{:>10}{:>8}  {}",
        "from", "to", "what", "frames", "exposure", "gap", "note"
    ));
    for block in &list.blocks {
        line(&format!("{:<7}{:<7}{}", at(block.from), at(block.to), row(block)));
    }
    line("");
    tell_sums(list);
    if !list.drop_first.is_empty() {
        line("");
        line("If time runs short, drop in this order (common practice):");
        list.drop_first.iter().for_each(tell_cut);
    }
    line("");
    CAUTIONS.iter().for_each(|caution| line(caution));
}

fn row(block: &Block) -> String {
    let count = if block.count > 0 {
        block.count.to_string()
    } else {
        String::new()
    };
    let exposure = block.exposure_s.map_or(String::new(), short_seconds);
    let gap = block
        .gap_s
        .filter(|_| block.count > 1)
        .map_or(String::new(), short_seconds);
    format!(
        "{:<17}{count:>6}{exposure:>10}{gap:>8}  {}",
        block.kind.words(),
        block.note
    )
}

/// `90 s`, or `1/4 s` where that is how it is written.
pub(crate) fn short_seconds(seconds: f64) -> String {
    let whole = (1.0 / seconds).round();
    if seconds < 0.3 && (whole * seconds - 1.0).abs() < 1e-6 {
        return format!("1/{whole:.0} s");
    }
    format!("{} s", (seconds * 100.0).round() / 100.0)
}

fn tell_sums(list: &ShotList) {
    let totals = &list.totals;
    let row = |what: &str, text: String| line(&format!("{what:<12}{text}"));
    row(
        "sky",
        format!(
            "{} frames, {:.1} min of light",
            totals.sky_frames,
            totals.sky_s / 60.0
        ),
    );
    let spare = list.spare_min;
    let left = if spare < 0.0 {
        "over the window"
    } else {
        "left in the window"
    };
    row("in hand", format!("{} {left}", hours(spare.abs())));
    row("away", hours(totals.away_min));
    row(
        "card",
        format!(
            "{:.1} GB for {} frames ({})",
            list.card_gb, totals.frames, list.card.basis
        ),
    );
    row(
        "batteries",
        format!(
            "{}, {:.1} used ({})",
            list.batteries, list.power.charges, list.power.basis
        ),
    );
    if let Some(dew) = &list.dew {
        row(
            "dew point",
            format!("{:.1} °C, {:.1} °C below the air", dew.dew_point_c, dew.margin_c),
        );
    }
    list.warnings
        .iter()
        .for_each(|warning| row("mind", warning.clone()));
}

fn tell_cut(cut: &Cut) {
    line(&format!(
        "  {:<12}up to {:>3}, {:>5.1} min: {}",
        cut.what.words(),
        cut.frames,
        cut.saves_min,
        cut.why
    ));
}

/// Why the answer is no, and what to do.
pub(crate) fn no(list: &ShotList) -> String {
    let by = format!("the plan does not fit, by {:.0} min", list.short_by_min.ceil());
    let why = list.short.join("; ");
    let way_out = match &list.proposal {
        Some(cuts) => {
            let cuts: Vec<String> = cuts.iter().map(|c| format!("{} of the {}", c.frames, c.what.words())).collect();
            format!("it fits without {}", cuts.join(" and "))
        }
        None => "fewer frames alone do not make it fit: shorten the exposures or the pauses, choose another light, or another night".into(),
    };
    format!("{by} ({why}); {way_out}")
}
