//! Live development: the picture developed by any settings, on the part in sight, by the build's own code.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_develop::{
    DevelopedLayer, DevelopedPart, LIVE_OPTIONS, LiveDevelopment, LiveDevelopmentError, Shows, TILE_PX,
    recipe_settings,
};
use nightloom_outing::options::{OPTIONS, OptionKind, OptionSpec};
use nightloom_outing::{PictureSettings, Settings, with_option};
use serde_json::{Value, json};

use super::app::{App, EditError};
use super::reply::{Failed, aside};
use super::shown::look_of;
use super::words;

/// The layers under development, read once.
#[derive(Default)]
pub(super) struct Layers {
    live: Mutex<Option<Arc<LiveDevelopment>>>,
    /// How many questions each page has asked.
    asked: Mutex<BTreeMap<u64, Arc<AtomicU64>>>,
}

/// So long a page is left to show its first picture.
const FIRST_SEEN: Duration = Duration::from_secs(1);
/// Pages whose questions are told apart.
const PAGES: usize = 16;

impl From<LiveDevelopmentError> for Failed {
    fn from(error: LiveDevelopmentError) -> Self {
        let status = match error {
            LiveDevelopmentError::NoPart | LiveDevelopmentError::Overtaken => {
                StatusCode::UNPROCESSABLE_ENTITY
            }
            _ => StatusCode::NOT_FOUND,
        };
        Self(status, error.to_string())
    }
}

impl Layers {
    /// What the last build left.
    pub(super) fn live(&self, app: &App) -> Result<Arc<LiveDevelopment>, Failed> {
        let key = LiveDevelopment::key(&app.folder)?;
        let mut held = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(live) = held.as_ref().filter(|l| l.identity() == key) {
            return Ok(Arc::clone(live));
        }
        // Room first: no two are held.
        *held = None;
        let live = Arc::new(LiveDevelopment::open(&app.folder)?);
        *held = Some(Arc::clone(&live));
        Ok(live)
    }
}

impl Layers {
    /// One more question of a page; how many it has asked, counted on.
    fn count(&self, page: u64) -> Arc<AtomicU64> {
        let mut asked = self.asked.lock().unwrap_or_else(PoisonError::into_inner);
        if asked.len() >= PAGES && !asked.contains_key(&page) {
            asked.clear();
        }
        let count = asked.entry(page).or_default();
        count.fetch_add(1, Ordering::Relaxed);
        Arc::clone(count)
    }

    /// The same, if a page that names what it saw still sees it.
    pub(super) fn live_of(&self, app: &App, identity: &str) -> Result<Arc<LiveDevelopment>, Failed> {
        let live = self.live(app)?;
        if live.identity().to_string() == identity {
            return Ok(live);
        }
        Err(Failed(StatusCode::CONFLICT, words::MADE_ANEW.into()))
    }
}

/// Whether there are layers to develop.
pub(super) fn is_there(app: &App) -> bool {
    LiveDevelopment::key(&app.folder).is_ok()
}

/// Options that are kept with the others and seen after the next build.
const LATER: [&str; 4] = ["crop", "grow", "white", OFFSET];
/// Where the sky lies over the land: an option of the seam, seen at once as the kept sky moved, and made by the next build.
const OFFSET: &str = "offset_px";

/// The options of the picture, as a page types them.
pub(super) fn told(settings: &PictureSettings) -> BTreeMap<&'static str, String> {
    let all = serde_json::to_value(settings).unwrap_or_default();
    let text = |key: &str| match &all[key] {
        Value::String(word) => word.clone(),
        Value::Number(n) => n.as_f64().map_or_else(String::new, |v| v.to_string()),
        // A box stands under its name.
        Value::Object(named) => named.values().map(numbers).collect(),
        other => other.to_string(),
    };
    let all = LIVE_OPTIONS.into_iter().chain(LATER);
    let all = all.filter(|key| *key != OFFSET);
    all.map(|key| (key, text(key))).collect()
}

fn numbers(value: &Value) -> String {
    let all: Vec<String> = value
        .as_array()
        .into_iter()
        .flatten()
        .map(Value::to_string)
        .collect();
    all.join(", ")
}

/// The same with where the sky lies.
fn told_with(settings: &PictureSettings, offset_px: [f64; 2]) -> BTreeMap<&'static str, String> {
    let mut all = told(settings);
    all.insert(OFFSET, offset_px.map(|v| v.to_string()).join(", "));
    all
}

fn all_told(settings: &Settings) -> BTreeMap<&'static str, String> {
    told_with(&settings.picture, settings.seam.offset_px)
}

/// The picture as it would be developed, and what the file and the last build say of it.
pub(super) async fn about(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let told = aside(move || {
        let live = app.layers.live(&app)?;
        let ahead = Arc::clone(&live);
        // Nobody waits for it: the first move of a star's control finds its light told. The picture itself comes first.
        drop(tokio::task::spawn_blocking(move || {
            std::thread::sleep(FIRST_SEEN);
            ahead.stars_ahead();
        }));
        let [width, height] = live.size_px();
        let built =
            nightloom_pipeline::built_recipe(&app.folder).and_then(|text| recipe_settings(&text).ok());
        Ok::<_, Failed>(json!({
            "identity": live.identity().to_string(),
            "outing": app.mark(),
            "width_px": width, "height_px": height, "levels": live.levels(), "tile_px": TILE_PX,
            "crop_px": live.crop_px(), "full_px": live.full_px(),
            "level_deg": live.level_deg().map(|v| (v * 100.0).round() / 100.0),
            "kept": all_told(&app.settings()?),
            "built": built.as_ref().map(|b| told_with(b, live.sky_offset_px())),
            "usual": told_with(&PictureSettings::default(), [0.0; 2]),
            "version": app.text().map_err(EditError::from)?.version,
        }))
    });
    Ok(Json(told.await??).into_response())
}

/// What a page wants to see.
#[derive(serde::Deserialize)]
pub(super) struct Wanted {
    /// Which page asks: its next question overtakes this one.
    #[serde(default)]
    page: u64,
    identity: String,
    values: BTreeMap<String, String>,
    level: u32,
    left: usize,
    top: usize,
    width: usize,
    height: usize,
    #[serde(default)]
    layer: DevelopedLayer,
    #[serde(default)]
    marks: bool,
    #[serde(default)]
    sky_moved_px: [i64; 2],
}

/// A part of the picture by the settings sent along: a length, so many bytes of JSON, then red, green, blue and opacity.
pub(super) async fn view(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    Json(wanted): Json<Wanted>,
) -> Result<Response, Failed> {
    let shows = Shows {
        look: look_of(&headers),
        marks: wanted.marks,
    };
    let drawn = aside(move || {
        let live = app.layers.live_of(&app, &wanted.identity)?;
        let settings = settings_of(&wanted.values)?;
        let asked = app.layers.count(wanted.page);
        let own = asked.load(Ordering::Relaxed);
        let overtaken = || wanted.page != 0 && asked.load(Ordering::Relaxed) != own;
        let part = DevelopedPart {
            level: wanted.level,
            left: wanted.left,
            top: wanted.top,
            width: wanted.width,
            height: wanted.height,
            layer: wanted.layer,
            // No picture is larger.
            sky_moved_px: wanted.sky_moved_px.map(|v| v.clamp(-100_000, 100_000)),
        };
        let _room = app.developing.pass();
        let shown = live.developed(&settings, &part, shows, &overtaken)?;
        let head = json!({ "width": shown.width, "height": shown.height, "tally": shown.tally }).to_string();
        // The pixels begin at a multiple of four, as a browser wants them.
        let head = format!("{head:<0$}", head.len().next_multiple_of(4));
        let mut bytes = Vec::with_capacity(4 + head.len() + shown.rgba.len());
        bytes.extend((head.len() as u32).to_le_bytes());
        bytes.extend(head.as_bytes());
        bytes.extend(shown.rgba);
        Ok::<_, Failed>(bytes)
    });
    let headers = [
        (CONTENT_TYPE, "application/octet-stream"),
        (CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, drawn.await??).into_response())
}

/// The settings that a page's values make; checked as those of a file are.
pub(super) fn settings_of(values: &BTreeMap<String, String>) -> Result<PictureSettings, Failed> {
    let mut text = "[picture]\n".to_owned();
    for (key, value) in values {
        let option = live_option(key).ok_or_else(|| Failed::of(words::NOT_LIVE))?;
        let value = match option.kind {
            OptionKind::Choice(choices) => choices
                .iter()
                .find(|word| *word == value)
                .map(|word| format!("\"{word}\"")),
            _ => value
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .map(|v| format!("{v:?}")),
        };
        let value = value.ok_or_else(|| Failed::of(format!("{key}: {}", words::NOT_A_VALUE)))?;
        text.push_str(&format!("{key} = {value}\n"));
    }
    recipe_settings(&text).map_err(Failed::of)
}

fn option_of(key: &str) -> Option<&'static OptionSpec> {
    OPTIONS.iter().find(|o| o.section == "picture" && o.key == key)
}

fn live_option(key: &str) -> Option<&'static OptionSpec> {
    option_of(key).filter(|o| LIVE_OPTIONS.contains(&o.key))
}

#[derive(serde::Deserialize)]
struct Change {
    was: String,
    value: String,
}

/// What a page wants kept.
#[derive(serde::Deserialize)]
pub(super) struct Keep {
    changed: BTreeMap<String, Change>,
}

/// Puts settings into outing.toml, all or none of them, if they are still what the page thought they were.
pub(super) async fn keep(State(app): State<Arc<App>>, Json(keep): Json<Keep>) -> Result<Response, Failed> {
    let done = aside(move || {
        let at_once = keep
            .changed
            .iter()
            .filter(|(key, _)| !LATER.contains(&key.as_str()));
        settings_of(&at_once.map(|(key, c)| (key.clone(), c.value.clone())).collect())?;
        let after = app.change(|text| {
            let now = all_told(&nightloom_outing::parse_settings(
                text,
                nightloom_outing::OUTING_TOML,
            )?);
            let mut text = text.to_owned();
            for (key, Change { was, value }) in &keep.changed {
                let now = now.get(key.as_str()).cloned().unwrap_or_default();
                if now != *was && now != *value {
                    return Err(EditError::Changed {
                        key: format!("picture.{key}"),
                        now: format!("“{now}”"),
                        was: format!("“{was}”"),
                    });
                }
                let section = if key == OFFSET { "seam" } else { "picture" };
                text = with_option(&text, section, key, value)?;
            }
            Ok(text)
        })?;
        let kept = all_told(&app.settings()?);
        Ok::<_, Failed>(json!({ "version": after.version, "kept": kept }))
    });
    Ok(Json(done.await??).into_response())
}

/// Groups of controls in the order in which a picture is finished.
const GROUPS: [(&str, &[&str]); 4] = [
    (
        words::GROUP_LIGHT,
        &[
            "look",
            "stretch",
            "contrast",
            "black_point",
            "white_point",
            "vignette",
        ],
    ),
    (
        words::GROUP_SKY,
        &[
            "sky_stops",
            "midtones",
            "gradient",
            "noise_reduction",
            "star_size",
            "star_colour",
        ],
    ),
    (words::GROUP_LAND, &["land_stops", "land_lift"]),
    (
        words::GROUP_COLOUR,
        &["temperature", "tint", "saturation", "white"],
    ),
];

/// The panel.
pub(super) fn panel() -> Markup {
    html! {
        section class="develop" aria-label=(words::DEVELOP) data-differs=(words::DIFFERS) data-built=(words::AS_BUILT)
            data-unknown=(words::BUILT_UNKNOWN) data-clipped=(words::CLIPPED) data-range=(words::OUT_OF_RANGE) data-line=(words::LINE_NOT_TAKEN) {
            canvas class="tally" width="352" height="72" role="img" aria-label=(words::HISTOGRAM) {}
            p class="clipped soft" {}
            label class="tick" { input type="checkbox" data-marks autocomplete="off"; (words::MARK_CLIPPED) }
            p role="status" {}
            div class="steps" {
                button type="button" data-step="undo" disabled { (words::UNDO) }
                button type="button" data-step="redo" disabled { (words::REDO) }
                button type="button" data-step="asBuilt" disabled { (words::BACK_TO_BUILT) }
                button type="button" data-step="asUsual" { (words::ALL_USUAL) }
            }
        }
    }
}

/// What is done before the edge is looked at: the light of the whole, the sky, the land.
pub(super) fn before_the_edge() -> Markup {
    html! {
        (controls(&GROUPS[0]))
        (controls(&GROUPS[1]))
        (over_the_land())
        (controls(&GROUPS[2]))
    }
}

/// The sky drawn to another place over the land.
fn over_the_land() -> Markup {
    let (right, down) = (words::SKY_RIGHT, words::SKY_DOWN);
    html! {
        details open class="sky-moved" data-live=(OFFSET) data-later data-name=(words::SKY_MOVED) data-told=(words::SKY_MOVED_TOLD) {
            summary { (words::SKY_MOVED) }
            p class="soft" { (words::SKY_MOVED_LEAD) }
            button type="button" data-hand="sky" aria-pressed="false" { (words::MOVE_SKY) }
            div class="edges two" {
                @for name in [right, down] {
                    label { (name) input data-by type="text" inputmode="numeric" autocomplete="off"; }
                }
            }
        }
    }
}

/// And after it: colour, and the frame.
pub(super) fn after_the_edge() -> Markup {
    html! {
        (controls(&GROUPS[3]))
        (crop())
        details {
            summary { (words::AS_TEXT) }
            label for="recipe" class="soft" { (words::AS_TEXT_LEAD) }
            textarea id="recipe" data-recipe rows="10" spellcheck="false" autocomplete="off" {}
        }
    }
}

fn controls((name, keys): &(&str, &[&str])) -> Markup {
    html! {
        details open {
            summary { (name) }
            @for option in keys.iter().filter_map(|key| option_of(key)) { (control(option)) }
        }
    }
}

/// Proportions of width to height: of sensors, papers and screens.
const SHAPES: [(&str, &str); 8] = [
    ("0", words::SHAPE_FREE),
    ("1.5", "3 : 2"),
    ("0.666667", "2 : 3"),
    ("1.333333", "4 : 3"),
    ("0.8", "4 : 5"),
    ("1", "1 : 1"),
    ("1.777778", "16 : 9"),
    ("2", "2 : 1"),
];

/// The frame round the picture.
fn crop() -> Markup {
    let edges = [
        words::EDGE_LEFT,
        words::EDGE_TOP,
        words::EDGE_RIGHT,
        words::EDGE_BOTTOM,
    ];
    html! {
        details class="crop" data-live="crop" data-later data-name=(words::GROUP_FRAME) {
            summary { (words::GROUP_FRAME) }
            label { (words::CROP_KEPT) " "
                select name="how" autocomplete="off" {
                    option value="covered" { (words::CROP_COVERED) }
                    option value="all" { (words::CROP_ALL) }
                    option value="hand" { (words::CROP_HAND) }
                }
            }
            div class="by-hand" hidden {
                label { (words::SHAPE) " "
                    select name="shape" autocomplete="off" { @for (ratio, name) in SHAPES { option value=(ratio) { (name) } } }
                }
                div class="edges" {
                    @for name in edges {
                        label { (name) input data-edge type="text" inputmode="numeric" autocomplete="off"; }
                    }
                }
                p class="soft" { (words::CROP_LEAD) }
            }
            @if let Some(grow) = option_of("grow") { (control(grow)) }
        }
        details open class="level" data-nothing=(words::LEVEL_LINE_SHORT) {
            summary { (words::LEVEL) }
            @if let Some(level) = option_of("level_deg") { (control(level)) }
            button type="button" data-level="stars" hidden { (words::LEVEL_BY_STARS) }
            " "
            button type="button" data-hand="line" aria-pressed="false" { (words::LEVEL_BY_LINE) }
            p class="soft" { (words::LEVEL_LEAD) }
        }
    }
}

fn control(option: &OptionSpec) -> Markup {
    let (id, key) = (format!("live.{}", option.key), option.key);
    let name = words::live_name(key);
    html! {
        div class="control" data-live=(key) data-later[LATER.contains(&key)] data-name=(name) title=(option.help) {
            label for=(id) { (name) }
            @match option.kind {
                OptionKind::Number { unit, min, max } => {
                    input type="range" min=(min) max=(max) step=(if unit == "degrees" { 0.1 } else { step(min, max) }) aria-label=(name) autocomplete="off";
                    input id=(id) type="text" inputmode="decimal" autocomplete="off" spellcheck="false" aria-describedby=(format!("{id}.unit"));
                    span class="soft" id=(format!("{id}.unit")) { (words::live_unit(unit)) }
                }
                OptionKind::Choice(all) => {
                    select id=(id) autocomplete="off" { @for word in all { option value=(word) { (word) } } }
                }
                OptionKind::Flag => {
                    select id=(id) autocomplete="off" { @for word in ["true", "false"] { option value=(word) { (words::yes_or_no(word)) } } }
                }
                _ => {}
            }
        }
    }
}

/// A hundredth of what there is, or what is round near it.
fn step(min: f64, max: f64) -> f64 {
    match max - min {
        range if range > 50.0 => 1.0,
        range if range > 10.0 => 0.1,
        range if range > 4.0 => 0.05,
        _ => 0.01,
    }
}
