//! The sheet as one page that needs nothing else: style and script stand in it, named by their hashes.

pub(super) mod parts;
mod script;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use nightloom_outing::sheet::{Content, TITLE};

use super::digest::policy_hash;
use super::words::{self, LOOK, LOOKS, heading, say};
use parts::{panel, ticks};

const STYLE: &str = include_str!("../../assets/sheet.css");
const SCRIPT: &str = include_str!("../../assets/sheet.js");

/// The whole page. Equal content gives equal bytes. It starts in the darkest look, so that nothing flashes.
pub fn page(content: &Content, short_by_min: f64) -> String {
    let policy = format!(
        "default-src 'none'; style-src '{}'; script-src '{}'; img-src data:; base-uri 'none'; form-action 'none'",
        policy_hash(STYLE),
        policy_hash(SCRIPT)
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" data-look="dim" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="dark";
                meta name="theme-color" content="#000000";
                meta name="referrer" content="no-referrer";
                link rel="icon" href="data:,";
                title { (content.title) " · " (TITLE) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                (head(content))
                (now())
                main { (sections(content, short_by_min)) }
                script type="application/json" id="data" { (PreEscaped(script::data(content))) }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    page.into_string()
}

fn head(content: &Content) -> Markup {
    html! {
        header.title {
            p.kind { (words::PROGRAM) " · " (TITLE) }
            h1 { (content.title) }
            p { (content.night_of) }
            @if let Some(subject) = &content.subject { p.subject { (subject) } }
            p.soft { (content.place) }
            noscript { p.warn { (say::NO_SCRIPT) } }
        }
    }
}

/// What the script fills; nothing of it is there on paper.
fn now() -> Markup {
    let line = |id: &str, name: &str| {
        html! {
            span.row id=(id) {
                span.name { (name) }
                span.what id=(format!("{id}-what")) {}
                span.count id=(format!("{id}-count")) role="timer" {}
            }
        }
    };
    html! {
        div #now role="region" aria-label=(words::SCRIPT.now) hidden {
            div.clocks {
                span { span #clock {} " " small #letters {} }
                small { span #utc {} " " (words::column::UTC) }
            }
            button #go type="button" {
                (line("step", words::SCRIPT.now))
                span #step-note {}
                (line("next", words::SCRIPT.next))
            }
            div.sky { (line("sky", words::SCRIPT.sky)) }
            p #refused .warn hidden role="status" {}
        }
    }
}

fn sections(content: &Content, short_by_min: f64) -> Markup {
    html! {
        (panel("list", heading::LIST, true, &parts::shot_list(content, short_by_min)))
        @if !content.panorama.is_empty() {
            (panel("panorama", heading::PANORAMA, true, &html! {
                @for line in &content.panorama_told { p { (line) } }
                (ticks("m", &content.panorama, true))
            }))
        }
        (panel("pole", heading::POLE, false, &parts::pole(content)))
        (panel("recheck", heading::RECHECK, false, &html! {
            p { (content.recheck_when) }
            (ticks("r", &content.recheck, true))
        }))
        (panel("faults", heading::FAULTS, false, &parts::faults(content)))
        (panel("stops", heading::STOPS, false, &parts::stops(content)))
        (panel("pack", heading::PACK, false, &ticks("p", &content.pack, false)))
        (panel("set-up", heading::SET_UP, false, &ticks("u", &content.set_up, false)))
        (panel("care", heading::CARE, false, &parts::care(content)))
        (panel("times", heading::TIMES, false, &parts::times(content)))
        (panel("sheet", heading::SHEET, false, &this_sheet(content)))
    }
}

fn this_sheet(content: &Content) -> Markup {
    html! {
        fieldset.choice {
            legend { (LOOK) }
            @for (look, name) in LOOKS {
                button type="button" data-look-of=(look) aria-pressed=(look == "night") { (name) }
            }
        }
        p #kept {}
        p { (content.zone) }
        p #zone hidden {}
        p { (say::OFFLINE) }
        p { (say::PAPER) }
        p.soft { (content.id) }
    }
}
