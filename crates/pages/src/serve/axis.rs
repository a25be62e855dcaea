//! The axis from frames of the outing, or from frames dropped on the page.

use std::path::PathBuf;
use std::sync::Arc;

use maud::{Markup, html};
use nightloom_outing::discover;
use serde_json::Value;

use super::app::{App, FileKey};
use super::line::{Query, question};
use super::pixels::path_of;
use super::reply::Failed;
use super::words;

/// An axis as it was measured: the report, and a sentence where there is none.
pub(super) type Found = Arc<(Value, Option<String>)>;

/// The outing's frames, and those that were dropped, to choose from.
pub(super) fn choose(app: &App, query: &Query) -> Markup {
    let frames = discover(&app.folder).map(|f| f.frames).unwrap_or_default();
    let dropped = app.dropped.all();
    let chosen = |name: &str| query.get(name).map_or("", |v| v);
    html! {
        form class="asked" method="get" action="/pole" {
            @for (name, label) in [("first", words::FIRST_FRAME), ("second", words::SECOND_FRAME), ("then", words::THEN_FRAME)] {
                div class="field" {
                    label for=(name) { (label) }
                    select id=(name) name=(name) {
                        option value="" { "–" }
                        @for frame in &dropped { option value=(frame.id()) selected[frame.id() == chosen(name)] { (frame.name) " (" (words::DROPPED) ")" } }
                        @for frame in &frames { option value=(frame.name) selected[frame.name == chosen(name)] { (frame.name) } }
                    }
                }
            }
            input type="hidden" name="exposure" value=(chosen("exposure"));
            button type="submit" { (words::MEASURE_AXIS) }
        }
    }
}

/// Where a frame of the outing, or one that was dropped, is.
fn frame_of(app: &App, name: &str) -> Result<PathBuf, Failed> {
    app.dropped.path_of(name).map_or_else(|| path_of(app, name), Ok)
}

/// Where frames that are not in the outing can be dropped, or chosen by keys.
pub(super) fn drop_place(app: &App) -> Markup {
    html! {
        nl-drop data-measuring=(words::MEASURING) {
            label for="drop" { (words::DROP) }
            input id="drop" type="file" multiple;
            p class="soft" { (words::DROP_MIND) }
            p role="status" {}
        }
        @if !app.dropped.all().is_empty() {
            form method="post" action="/dropped/clear" { button type="submit" { (words::FORGET_DROPPED) } }
        }
    }
}

/// What the chosen frames say of the axis.
pub(super) fn measured(app: &App, query: &Query) -> Option<Markup> {
    query.get("first").filter(|v| !v.is_empty())?;
    Some(match found(app, query) {
        Err(Failed(_, sentence)) => html! { p class="wrong" { (sentence) } },
        Ok(found) => told(&found.0, found.1.as_deref()),
    })
}

/// The axis from these frames; measured once as long as they and the outing stay the same.
fn found(app: &App, query: &Query) -> Result<Found, Failed> {
    let chosen = |name: &str| query.get(name).filter(|v| !v.is_empty());
    let more = chosen("more").into_iter().flat_map(|more| more.split(','));
    let before = ["first", "second"]
        .iter()
        .filter_map(|n| chosen(n))
        .map(String::as_str);
    let paths = |names: Vec<&str>| {
        names
            .into_iter()
            .map(|n| frame_of(app, n))
            .collect::<Result<Vec<_>, _>>()
    };
    let before = paths(before.chain(more).collect())?;
    let then = paths(chosen("then").into_iter().map(String::as_str).collect())?;
    let files: Vec<FileKey> = before.iter().chain(&then).cloned().map(FileKey::of).collect();
    let key = format!(
        "{} {files:?} {} {:?}",
        app.state()?,
        then.len(),
        query.get("exposure")
    );
    app.axes.get(&key, || {
        let mut words: Vec<String> = before.iter().map(|p| p.display().to_string()).collect();
        words.extend(then.iter().map(|p| format!("--then={}", p.display())));
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let asked = question(query, &["exposure"], &[], &words);
        Ok(Arc::new(app.program.axis(&asked)?))
    })
}

fn told(report: &Value, no: Option<&str>) -> Markup {
    let of = |value: &Value, key: &str| value[key].as_str().unwrap_or_default().to_owned();
    let either = report["either"].as_array().map_or(&[][..], Vec::as_slice);
    let left_out = report["left_out"].as_array().map_or(&[][..], Vec::as_slice);
    html! {
        div role="status" {
            @if let Some(sentence) = no { p class="wrong" { (sentence) } }
            @if let Some(advice) = report["advice"].as_str() { p class="advice" { (advice) } }
            @for (n, answer) in either.iter().enumerate() {
                p class="advice" { (if n == 0 { words::EITHER } else { words::OR }) " " (of(answer, "advice")) }
            }
            @if let Some(total) = report["error"]["total_arcmin"].as_f64() {
                p class="soft" {
                    (format!("{total:.1}′ ± {:.1}′", report["error"]["sigma_arcmin"].as_f64().unwrap_or(f64::NAN)))
                }
            }
            @for frame in left_out { p class="soft" { (words::LEFT_OUT) " " (of(frame, "name")) ": " (of(frame, "why")) } }
        }
    }
}
