//! The sections of the page.

use maud::{Markup, html};
use nightloom_optics::{Rung, Setting};
use nightloom_outing::setting_words;
use nightloom_outing::sheet::{BEAM, Content, LadderOf, SheetStep, fill};
use nightloom_outing::shots::Cut;

use crate::sheet::words::{SCRIPT, SIGHT, SIGHTS, column, heading, say};

/// A heading that opens and closes what stands under it.
pub(super) fn panel(id: &str, name: &str, open: bool, body: &Markup) -> Markup {
    let under = format!("{id}-panel");
    html! {
        section id=(id) {
            h2 {
                button type="button" aria-expanded=(open) aria-controls=(under) {
                    span { (name) }
                    span.tally {}
                }
            }
            div.panel id=(under) { (body) }
        }
    }
}

/// A list to tick off; its ticks are kept under `key` and the line's number.
pub(super) fn ticks(key: &str, items: &[String], again: bool) -> Markup {
    html! {
        ol.ticks {
            @for (line, item) in items.iter().enumerate() {
                li { label { input type="checkbox" data-tick=(format!("{key}{line}")); span { (item) } } }
            }
        }
        @if again { button.wide type="button" data-clear=(key) { (SCRIPT.clear) } }
    }
}

pub(super) fn shot_list(content: &Content, short_by_min: f64) -> Markup {
    html! {
        @if !content.fits {
            div.warn {
                p { (content.no_room(short_by_min)) }
                ul { @for why in &content.short { li { (why) } } }
            }
        }
        @for warning in &content.warnings { p.warn { (warning) } }
        p { (content.window_told) }
        div #shift hidden {
            p #shift-said role="status" {}
            div.choice {
                button type="button" data-shift="-5" { (SCRIPT.earlier) }
                button type="button" data-shift="5" { (SCRIPT.later) }
            }
        }
        ol.thread {
            @for (line, step) in content.steps.iter().enumerate() { (row(content, line, step)) }
        }
        @for sum in &content.sums { p { (sum) } }
        @if !content.drop_first.is_empty() {
            h3 { (heading::DROP) }
            ol.plain { @for cut in &content.drop_first { li { (dropped(cut)) } } }
        }
        (leave(content))
    }
}

fn row(content: &Content, line: usize, step: &SheetStep) -> Markup {
    let block = &step.block;
    html! {
        li data-step=(line) {
            label {
                input type="checkbox" data-tick=(format!("s{line}"));
                span.when { b { (content.clock.short(block.from)) } span { (content.clock.short(block.to)) } }
                span.do {
                    b { (step.words) span.here { " · " (SCRIPT.now) } }
                    @if !step.detail.is_empty() { span { (step.detail) } }
                    span.soft { (block.note) }
                }
            }
        }
    }
}

pub(in crate::sheet) fn dropped(cut: &Cut) -> String {
    let with = [
        ("what", cut.what.words()),
        ("frames", &*cut.frames.to_string()),
        ("min", &format!("{:.0}", cut.saves_min)),
        ("why", cut.why),
    ];
    fill(say::DROP, &with)
}

/// For paper: what stays with somebody at home.
fn leave(content: &Content) -> Markup {
    html! {
        aside.leave {
            h3 { (heading::LEAVE) }
            p { (say::LEAVE) }
            p { (content.place) @if let Some(back) = content.back() { " · " (back) } }
            dl { @for name in [say::LEAVE_WITH, say::TURN_BACK, say::CALL_BY] { dt { (name) } dd {} } }
        }
    }
}

pub(super) fn pole(content: &Content) -> Markup {
    let pole = &content.pole;
    let side = if pole.south {
        say::POLE_SOUTH
    } else {
        say::POLE_NORTH
    };
    let alt = format!("{:.1}", pole.pole_altitude_deg);
    html! {
        div #dial-box hidden {
            p { b { (pole.star) } " " span #pole-angle {} }
            (dial())
            p #pole-said aria-live="off" {}
            fieldset.choice {
                legend { (SIGHT) }
                @for (sight, name, _) in SIGHTS {
                    button type="button" data-sight=(sight) aria-pressed=(sight == "eye") { (name) }
                }
            }
        }
        p { (fill(say::POLE_AXIS, &[("alt", &alt), ("side", side)])) }
        p.warn { (say::NO_BEAM) " " (BEAM[1]) }
        @for hint in &content.pole_help { p { (hint) } }
        @if pole.south { p { (say::POLE_FAINT) } }
        @if pole.is_low() { p.warn { (say::POLE_LOW) } }
        table {
            thead { tr { @for name in [column::CLOCK, column::UTC, column::ANGLE, column::HAND, column::OFF] { th scope="col" { (name) } } } }
            tbody {
                @for (at, row) in pole.half_hours(content.busy()) {
                    tr {
                        th scope="row" { (content.clock.short(at)) }
                        td { (content.clock.utc(at)) }
                        td { (format!("{:.0}°", row.clock_angle_deg)) }
                        td { (row.hand()) }
                        td { (format!("{:.1}′", row.separation_arcmin)) }
                    }
                }
            }
        }
        p.soft { (say::POLE) }
    }
}

/// The pole in the middle, the star on its circle; the script turns the hand.
fn dial() -> Markup {
    html! {
        svg #dial viewBox="-120 -120 240 240" role="img" aria-labelledby="pole-said" {
            circle.rim r="100" {}
            circle.way r="70" {}
            @for hour in 0..12 {
                line.mark x1="0" x2="0" y1=(if hour % 3 == 0 { -88 } else { -94 }) y2="-100"
                    transform=(format!("rotate({})", 30 * hour)) {}
            }
            @for (text, x, y) in [("12", 0, -105), ("3", 109, 4), ("6", 0, 114), ("9", -109, 4)] {
                text x=(x) y=(y) { (text) }
            }
            path.mark d="M-9 0H9M0-9V9" {}
            text x="0" y="25" { (say::POLE_HERE) }
            g #hand {
                line.way x1="0" y1="-14" x2="0" y2="-58" {}
                circle.star cx="0" cy="-70" r="8" {}
            }
        }
    }
}

pub(super) fn faults(content: &Content) -> Markup {
    html! {
        p { (say::FAULTS) }
        @for (line, fault) in content.faults.iter().enumerate() {
            div.fault {
                h3 {
                    button type="button" aria-expanded="false" aria-controls=(format!("fault-{line}")) { span { (fault.see) } }
                }
                div.panel id=(format!("fault-{line}")) {
                    p { (fault.why) }
                    ol.plain { @for act in fault.act { li { (act) } } }
                }
            }
        }
    }
}

pub(super) fn stops(content: &Content) -> Markup {
    html! {
        @if content.ladders.is_empty() { p { (say::NO_STOPS) } } @else { p { (say::STOPS) } }
        @for ladder in &content.ladders { (rungs(ladder)) }
    }
}

fn rungs(ladder: &LadderOf) -> Markup {
    let planned = |rung: &Rung| rung.stops == 0.0;
    html! {
        table {
            caption { (ladder.words) }
            thead { tr { @for name in [column::TIME, column::APERTURE, column::ISO, column::STOPS] { th scope="col" { (name) } } } }
            tbody {
                @for rung in &ladder.rungs {
                    tr.plan[planned(rung)] {
                        th scope="row" { (setting_words(Setting::Time, &rung.settings)) }
                        td { (setting_words(Setting::Aperture, &rung.settings)) }
                        td { (rung.settings.iso) }
                        td { @if planned(rung) { (say::PLAN) } @else { (stops_of(rung)) } }
                    }
                }
            }
        }
    }
}

/// `+1`, `−2`.
pub(in crate::sheet) fn stops_of(rung: &Rung) -> String {
    format!("{:+.0}", rung.stops).replace('-', "−")
}

pub(super) fn care(content: &Content) -> Markup {
    html! { ul.care { @for caution in &content.cautions { li { (caution) } } } }
}

pub(super) fn times(content: &Content) -> Markup {
    html! {
        p { (content.zone) }
        table.times {
            thead { tr { th scope="col" { (column::CLOCK) } th scope="col" { (column::UTC) } th scope="col" { (heading::TIMES) } } }
            tbody {
                @for moment in &content.moments {
                    tr {
                        td { (content.clock.short(moment.at)) }
                        td { (content.clock.utc(moment.at)) }
                        th scope="row" { (moment.words) }
                    }
                }
            }
        }
    }
}
