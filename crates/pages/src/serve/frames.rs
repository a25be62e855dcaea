//! The frames: all of them on a sheet, and each one closely.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_frames::{CheckOptions, FrameCheck, check_frame, judge_together, trends};
use nightloom_outing::{
    Discovery, Found, FrameOverride, OUTING_TOML, Role, discover, parse_settings, with_frame,
};
use nightloom_pipeline::{BuildReport, FrameReport, role_of_folder};
use serde_json::{Value, json};

use super::app::{App, EditError, FileKey};
use super::line::Query;
use super::page::{Stage, shown};
use super::pixels::path_of;
use super::reply::{Failed, aside, markup};
use super::words;

/// Heads of files read at a time.
const READERS: usize = 4;

pub(super) async fn page(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let title = words::FRAMES.to_owned();
    shown(app, &headers, Stage::Frames, title, |app, _| Ok(sheet(app))).await
}

/// What is known of the frames beside their files.
struct Known {
    /// What the last build said.
    report: Option<BuildReport>,
    /// What outing.toml says.
    said: BTreeMap<String, FrameOverride>,
}

impl Known {
    fn of(app: &App) -> Self {
        Self {
            report: BuildReport::last(&app.folder),
            said: app.settings().map(|s| s.frames).unwrap_or_default(),
        }
    }

    /// What was done to frames before they were stacked, each once, with how many it was done to.
    fn calibrations(&self) -> Vec<(usize, &str)> {
        let mut all: Vec<(usize, &str)> = Vec::new();
        let frames = self.report.iter().flat_map(|r| &r.frames);
        for done in frames.filter_map(|f| f.calibration.as_deref()) {
            match all.iter_mut().find(|(_, known)| *known == done) {
                Some((count, _)) => *count += 1,
                None => all.push((1, done)),
            }
        }
        all
    }

    fn built(&self, name: &str) -> Option<&FrameReport> {
        self.report.as_ref()?.frames.iter().find(|f| f.path == name)
    }
}

/// The frames in the order in which they were taken; those that do not tell come last, by name.
fn in_time(app: &App, mut frames: Vec<Found>) -> Vec<Found> {
    let share = frames.len().div_ceil(READERS).max(1);
    std::thread::scope(|scope| {
        for part in frames.chunks(share) {
            scope.spawn(move || part.iter().for_each(|f| drop(taken(app, &f.path))));
        }
    });
    frames.sort_by_cached_key(|f| {
        let taken = taken(app, &f.path);
        (taken.is_none(), taken, f.name.clone())
    });
    frames
}

/// When a frame was taken, by its camera's clock; read once.
fn taken(app: &App, path: &std::path::Path) -> Option<String> {
    let key = FileKey::of(path.to_owned());
    let read = || Ok::<_, ()>(app.world().meta(path).ok().and_then(|m| m.taken_local));
    app.taken.get(&key, read).ok().flatten()
}

fn sheet(app: &App) -> Markup {
    let known = Known::of(app);
    let found = discover(&app.folder).map(|found| Discovery {
        frames: in_time(app, found.frames),
        ..found
    });
    html! {
        h1 { (words::FRAMES) }
        @match &found {
            Err(e) => p class="wrong" { (e.to_string()) },
            Ok(found) => {
                @for (frames, done) in known.calibrations() { p class="soft" { (words::frames_of(frames)) ": " (done) "." } }
                nl-frames {
                    p class="none" hidden[!found.frames.is_empty()] { (words::NO_FRAMES) "." }
                    div class="course" role="status" aria-label=(words::COURSE) {}
                    ul class="sheet" { @for frame in &found.frames { (one(&frame.name, &known)) } }
                }
                @for (frame, why) in &found.left_out { p class="soft" { (frame.name) ": " (why) } }
                @for note in &found.notes { p class="soft" { (note) } }
            }
        }
    }
}

/// One frame on the sheet.
fn one(name: &str, known: &Known) -> Markup {
    let built = known.built(name);
    html! {
        li data-name=(name) data-out[built.is_some_and(|b| !b.used)] {
            a href=(format!("/frames/look{}", named(name))) {
                img loading="lazy" width="240" height="160" src=(format!("/thumbnail{}", named(name))) alt=(words::LOOK_CLOSER);
                span { (name) }
            }
            @if is_light(name) && built.is_none() { nl-verdict data-name=(name) { em { (words::NOT_JUDGED) } } }
            @if let Some(built) = built {
                p class="built" {
                    strong { (if built.used { words::IN_THE_PICTURE } else { words::NOT_IN_THE_PICTURE }) }
                    " " (built.role) @if !built.verdict().is_empty() { ": " (built.verdict()) }
                }
            }
            (say(name, known.said.get(name)))
        }
    }
}

/// What the photographer says of a frame.
fn say(name: &str, said: Option<&FrameOverride>) -> Markup {
    let (role, used) = told_of(said);
    let choice =
        |value: &str, now: &str, name: &str| html! { option value=(value) selected[value == now] { (name) } };
    html! {
        div class="say" data-role=(role) data-use=(used) {
            label { (words::ROLE_IS) " "
                select name="role" autocomplete="off" aria-label=(format!("{}: {name}", words::ROLE_IS)) {
                    (choice("", &role, words::AS_FOUND))
                    @for word in Role::ALL.map(Role::word) { (choice(word, &role, word)) }
                }
            }
            label { (words::USE_IS) " "
                select name="use" autocomplete="off" aria-label=(format!("{}: {name}", words::USE_IS)) {
                    (choice("", &used, words::AS_JUDGED)) (choice("true", &used, words::USE_ALWAYS)) (choice("false", &used, words::USE_NEVER))
                }
            }
            p class="said" role="status" {}
        }
    }
}

/// Role and use as a page knows them; empty where nothing is said.
fn told_of(said: Option<&FrameOverride>) -> (String, String) {
    let role = said.and_then(|s| s.role).map(|r| r.word().to_owned());
    let used = said.and_then(|s| s.used).map(|u| u.to_string());
    (role.unwrap_or_default(), used.unwrap_or_default())
}

/// What a page says of a frame, and what it thought was said before.
#[derive(serde::Deserialize)]
pub(super) struct Said {
    name: String,
    was: [String; 2],
    role: String,
    used: String,
}

/// Puts into outing.toml what is said of a frame.
pub(super) async fn say_of(State(app): State<Arc<App>>, Json(said): Json<Said>) -> Result<Response, Failed> {
    let done = aside(move || {
        path_of(&app, &said.name)?;
        let used = match said.used.as_str() {
            "" => None,
            word => Some(word.parse().map_err(|_| Failed::of(words::NOT_A_VALUE))?),
        };
        let role = match said.role.as_str() {
            "" => None,
            word => Some(Role::from_word(word).ok_or_else(|| Failed::of(words::NOT_A_VALUE))?),
        };
        let now = FrameOverride { role, used, line: 0 };
        let after = app.change(|text| {
            let before = parse_settings(text, OUTING_TOML)?;
            let (role, used) = told_of(before.frames.get(&said.name));
            if [&role, &used] != [&said.was[0], &said.was[1]] {
                return Err(EditError::Changed {
                    key: said.name.clone(),
                    now: format!("“{role} {used}”"),
                    was: format!("“{} {}”", said.was[0], said.was[1]),
                });
            }
            Ok(with_frame(text, &said.name, &now)?)
        })?;
        Ok::<_, Failed>(json!({ "version": after.version, "words": words::FRAME_SAID }))
    });
    Ok(Json(done.await??).into_response())
}

/// One frame for a sheet that is open while it lands.
pub(super) async fn item(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
) -> Result<Response, Failed> {
    let item = aside(move || {
        let name = query.get("name").cloned().unwrap_or_default();
        path_of(&app, &name)?;
        Ok::<_, Failed>(one(&name, &Known::of(&app)))
    });
    Ok(markup(item.await??))
}

/// What the frames judged so far say of focus, dew, sky and drift, and of each other.
pub(super) async fn course(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let told = aside(move || {
        let found = discover(&app.folder).map_err(Failed::of)?;
        let lights = found.frames.into_iter().filter(|f| is_light(&f.name));
        let mut there: Vec<(String, Arc<FrameCheck>)> = lights
            .filter_map(|f| Some((f.name, app.verdicts.there(&FileKey::of(f.path))?)))
            .collect();
        there.sort_by(|(_, a), (_, b)| a.taken.partial_cmp(&b.taken).unwrap_or(Ordering::Equal));
        let mut checks: Vec<FrameCheck> = there.iter().map(|(_, check)| FrameCheck::clone(check)).collect();
        judge_together(&mut checks);
        let course = trends(&checks);
        let names = there.iter().map(|(name, _)| name);
        let verdicts: Vec<Value> = names
            .zip(&checks)
            .map(|(name, check)| json!({ "name": name, "told": in_short(check) }))
            .collect();
        let lines: Vec<Value> = course
            .all()
            .map(|t| json!({ "what": t.what, "figure": t.figure, "alarm": t.alarm }))
            .collect();
        Ok::<_, Failed>(
            json!({ "frames": checks.len(), "lines": lines, "verdicts": verdicts, "alarm": words::ALARM, "over": words::course_over(checks.len()) }),
        )
    });
    Ok(axum::Json(told.await??).into_response())
}

/// Whether a frame is not in a folder of darks, flats or bias frames: those have no stars to judge.
fn is_light(name: &str) -> bool {
    !matches!(
        role_of_folder(name).map(|(role, _)| role),
        Some(Role::Dark | Role::Flat | Role::Bias)
    )
}

/// What is to be said of one frame.
pub(super) async fn verdict(
    State(app): State<Arc<App>>,
    UrlQuery(query): UrlQuery<Query>,
) -> Result<Response, Failed> {
    let told = aside(move || {
        let name = query.get("name").cloned().unwrap_or_default();
        let path = path_of(&app, &name)?;
        Ok::<_, Failed>(told(&*said_of(&app, path)?))
    });
    Ok(axum::Json(told.await??).into_response())
}

/// The verdict on one file. What was said of a file that has not changed is said again.
fn said_of(app: &App, path: PathBuf) -> Result<Arc<FrameCheck>, Failed> {
    let key = FileKey::of(path);
    app.verdicts.get(&key, || {
        let _room = app.judging.pass();
        let check = check_frame(&key.path, &CheckOptions::default(), app.world()).map_err(Failed::of)?;
        Ok(Arc::new(check))
    })
}

fn told(check: &FrameCheck) -> Value {
    let mut told = in_short(check);
    told["check"] = json!(check);
    told
}

/// The chief cause of a frame, its figure and what to do.
fn in_short(check: &FrameCheck) -> Value {
    let first = check.causes.first();
    json!({
        "cause": first.map(|c| c.cause.word().replace('-', " ")),
        "figure": first.map(|c| &c.figure),
        "next": check.next,
    })
}

/// `?name=…` with everything escaped that is not plain.
pub(super) fn named(name: &str) -> String {
    format!("?name={}", super::night::escaped(name))
}

/// One frame in the viewer.
pub(super) async fn look(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let name = query.get("name").cloned().unwrap_or_default();
    shown(app, &headers, Stage::Frames, name.clone(), move |app, _| {
        path_of(app, &name)?;
        let known = Known::of(app);
        let frames = discover(&app.folder).map(|f| in_time(app, f.frames)).unwrap_or_default();
        let at = frames.iter().position(|f| f.name == name);
        let before = at.and_then(|i| frames.get(i.checked_sub(1)?)).map(|f| &f.name);
        let after = at.and_then(|i| frames.get(i + 1)).map(|f| &f.name);
        let look = |name: &String| format!("/frames/look{}", named(name));
        Ok(html! {
            nl-viewer class="desk" data-name=(name) data-place="frames" data-blink=[before.or(after)] {
                (looking(&name))
                section class="panels" aria-label=(words::PANELS) {
                    h1 { (name) }
                    p { a href="/frames" { (words::ALL_FRAMES) } }
                    div class="steps" {
                        @if let Some(before) = before { a class="button" data-go="before" href=(look(before)) { (words::FRAME_BEFORE) } }
                        @if let Some(after) = after { a class="button" data-go="after" href=(look(after)) { (words::FRAME_AFTER) } }
                        @if before.or(after).is_some() { button type="button" data-do="blink" aria-pressed="false" { (words::BLINK) } }
                    }
                    nl-frames { ul class="sheet single" { (one(&name, &known)) } div class="course" hidden {} p class="none" hidden {} }
                    p class="soft" { (words::FRAME_KEYS) }
                    p class="soft" id="keys" { (words::VIEWER_KEYS) }
                }
            }
        })
    })
    .await
}

/// The picture itself with the viewer's tools under it.
pub(super) fn looking(name: &str) -> Markup {
    html! {
        div class="screen" {
            canvas tabindex="0" role="img" aria-label=(name) aria-describedby="keys" {}
            div class="tools" {
                button type="button" data-do="in" { (words::ZOOM_IN) }
                button type="button" data-do="out" { (words::ZOOM_OUT) }
                button type="button" data-do="fit" { (words::FIT) }
                button type="button" data-do="full" { (words::FULL) }
                button type="button" data-do="alone" { (words::ALONE) }
                label class="lift" { (words::LIFT) " " input type="range" min="-3" max="5" step="0.5" value="0" data-do="lift"; }
                output class="under" {}
            }
        }
    }
}
