//! The frame round every page: head, stages, look.

use std::sync::Arc;

use axum::Form;
use axum::http::header::{COOKIE, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use nightloom_outing::chart;

use super::app::App;
use super::reply::{Failed, aside, markup};
use super::words;

/// The one cookie: how the pages look.
const LOOK_COOKIE: &str = "nightloom-look";
/// A year, seconds.
const KEPT_S: u32 = 31_536_000;

/// The value of one cookie, if the browser sends it.
pub(super) fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let lines = headers.get_all(COOKIE).iter().filter_map(|v| v.to_str().ok());
    let mut pairs = lines
        .flat_map(|line| line.split(';'))
        .filter_map(|c| c.trim().split_once('='));
    pairs.find(|(n, _)| *n == name).map(|(_, value)| value)
}

/// How the pages look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// Dark on light.
    Day,
    /// Red on black.
    Red,
}

impl Look {
    /// As the browser remembers it; by day at first.
    pub(super) fn of(headers: &HeaderMap) -> Self {
        if cookie(headers, LOOK_COOKIE) == Some("red") {
            Self::Red
        } else {
            Self::Day
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Red => "red",
        }
    }

    fn other(self) -> Self {
        match self {
            Self::Day => Self::Red,
            Self::Red => Self::Day,
        }
    }

    pub(super) fn of_chart(self) -> chart::Look {
        match self {
            Self::Day => chart::Look::Day,
            Self::Red => chart::Look::Red,
        }
    }
}

#[derive(serde::Deserialize)]
pub(super) struct LookForm {
    look: String,
    back: String,
}

/// Remembers the look and goes back.
pub(super) async fn look(Form(form): Form<LookForm>) -> Response {
    let look = if form.look == "red" { Look::Red } else { Look::Day };
    let cookie = format!(
        "{LOOK_COOKIE}={}; Path=/; Max-Age={KEPT_S}; SameSite=Strict; HttpOnly",
        look.name()
    );
    // Never to another address.
    let known = STAGES.iter().find(|(_, href, _)| *href == form.back);
    let back = known.map_or("/", |(_, href, _)| href).to_owned();
    (StatusCode::SEE_OTHER, [(SET_COOKIE, cookie), (LOCATION, back)]).into_response()
}

/// The stages of an outing, one page each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    Outing,
    Night,
    Exposure,
    Pole,
    Frames,
    Picture,
    Settings,
    /// A page beside them.
    None,
}

impl Stage {
    fn href(self) -> &'static str {
        STAGES
            .iter()
            .find(|(stage, ..)| *stage == self)
            .map_or("/", |(_, href, _)| href)
    }
}

const STAGES: [(Stage, &str, &str); 7] = [
    (Stage::Outing, "/", words::OUTING),
    (Stage::Night, "/night", words::NIGHT),
    (Stage::Exposure, "/exposure", words::EXPOSURE),
    (Stage::Pole, "/pole", words::POLE),
    (Stage::Frames, "/frames", words::FRAMES),
    (Stage::Picture, "/picture", words::PICTURE),
    (Stage::Settings, "/settings", words::SETTINGS),
];

/// Makes a page aside and answers with it; where it cannot be made, with a page that says why.
pub(super) async fn shown<F>(
    app: Arc<App>,
    headers: &HeaderMap,
    stage: Stage,
    title: String,
    body: F,
) -> Response
where
    F: FnOnce(&App, Look) -> Result<Markup, Failed> + Send + 'static,
{
    let look = Look::of(headers);
    let made = aside(move || {
        let (status, body) = match body(&app, look) {
            Ok(body) => (StatusCode::OK, body),
            Err(Failed(status, sentence)) => {
                let said = html! {
                    h1 { (title) }
                    p class="wrong" { (sentence) }
                };
                (status, said)
            }
        };
        (status, markup(page(&app, look, stage, &title, &body)))
    });
    made.await
        .map_or_else(IntoResponse::into_response, IntoResponse::into_response)
}

/// A whole page.
fn page(app: &App, look: Look, stage: Stage, title: &str, body: &Markup) -> Markup {
    let version = app.text().map(|t| t.version).unwrap_or_default();
    let style = format!("/assets/{}.css", look.name());
    html! {
        (DOCTYPE)
        html lang="en" data-look=(look.name()) data-version=(version) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content=(if look == Look::Red { "dark" } else { "light" });
                title { (title) " · Nightloom" }
                link rel="stylesheet" href=(style);
                link rel="stylesheet" href="/assets/app.css";
                link rel="icon" href="/assets/icon.svg";
                script type="module" src="/assets/app.js" {}
            }
            body {
                a class="skip" href="#content" { (words::SKIP) }
                header {
                    nav aria-label=(words::STAGES) {
                        ol class="way" {
                            @for (at, href, name) in STAGES {
                                li { a href=(href) aria-current=[(at == stage).then_some("page")] { (name) } }
                            }
                        }
                    }
                    form method="post" action="/look" {
                        input type="hidden" name="look" value=(look.other().name());
                        input type="hidden" name="back" value=(stage.href());
                        button type="submit" { (if look == Look::Red { words::DAY } else { words::RED }) }
                    }
                }
                p id="news" role="status" hidden {}
                main id="content" tabindex="-1" { (body) }
                noscript { p { (words::NO_SCRIPT) } }
            }
        }
    }
}
