//! The shot list in words.

use nightloom_outing::evening::{Evening, clock_short, hours};
use nightloom_outing::framing::Panorama;
use nightloom_outing::shots::{Block, CAUTIONS, Cut, ShotList, short_seconds};
use nightloom_sky::night::Night;

use crate::out::line;

/// One line where it matters, and where the others are.
const MORE_CAUTIONS: &str =
    "Leave this plan with someone, and do not drive tired; nightloom sheet has every caution.";

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
    tell_sums(evening, list);
    if !list.drop_first.is_empty() {
        line("");
        line("If time runs short, drop in this order (common practice):");
        list.drop_first.iter().for_each(tell_cut);
    }
    line("");
    line(&format!("{} {MORE_CAUTIONS}", CAUTIONS[0]));
}

/// Where the head is turned for each frame, in order.
pub(super) fn tell_panorama(panorama: &Panorama) {
    line("");
    let [wide, tall] = panorama.field_deg;
    line(&format!(
        "Panorama of {} × {} frames, {wide:.0}° × {tall:.0}° each{}, {:.0} % in common:",
        panorama.columns,
        panorama.rows,
        if panorama.portrait {
            " (camera upright)"
        } else {
            ""
        },
        panorama.overlap_percent
    ));
    line("  no.   pan    azimuth   altitude   begins after");
    for frame in &panorama.frames {
        line(&format!(
            "  {:>3} {:>6} {:>9} {:>10} {:>11}",
            frame.number,
            format!("{:.0}°", frame.pan_deg),
            format!("{:.0}°", frame.azimuth_deg),
            format!("{:.0}°", frame.altitude_deg),
            format!(
                "{:.0}:{:02.0} min",
                (frame.after_s / 60.0).floor(),
                (frame.after_s % 60.0).floor()
            ),
        ));
    }
    panorama.words.iter().for_each(|words| line(words));
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

fn tell_sums(evening: &Evening, list: &ShotList) {
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
    match list.spare_min {
        over if over < 0.0 => line(&format!("The plan overruns the dark window by {}.", hours(-over))),
        spare => row("in hand", format!("{} left in the window", hours(spare))),
    }
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
            format!(
                "{}, {} below the air",
                evening.shows.temperature(dew.dew_point_c),
                evening.shows.warmer(dew.margin_c)
            ),
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
