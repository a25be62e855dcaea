//! The frame round every page: head, stages, look.

use std::sync::Arc;

use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};
use nightloom_chart::Look;

use super::app::App;
use super::reply::{Failed, aside, markup};
pub(super) use super::shown::Shown;
use super::words;

/// The address if it leads to a page of the outing, with what was asked there; or else the first page.
pub(super) fn known_page(href: &str) -> &str {
    let path = href.split('?').next().unwrap_or_default();
    let stage = STAGES.iter().any(|(_, known, _)| *known == path);
    if stage || path == "/frames/look" {
        href
    } else {
        "/"
    }
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
    F: FnOnce(&App, Shown) -> Result<Markup, Failed> + Send + 'static,
{
    let shown = Shown::of(headers);
    let made = aside(move || {
        // Taken before the settings are read: a page may say less than it shows, and be told again, never more.
        let version = app.text().map(|t| t.version).unwrap_or_default();
        let (status, body) = match body(&app, shown) {
            Ok(body) => (StatusCode::OK, body),
            Err(Failed(status, sentence)) => {
                let said = html! {
                    h1 { (title) }
                    p class="wrong" { (sentence) }
                };
                (status, said)
            }
        };
        (
            status,
            markup(page(shown, stage, [&app.mark(), &version], &title, &body)),
        )
    });
    made.await
        .map_or_else(IntoResponse::into_response, IntoResponse::into_response)
}

/// A whole page.
fn page(shown: Shown, stage: Stage, [outing, version]: [&str; 2], title: &str, body: &Markup) -> Markup {
    let look = shown.look;
    let style = format!("/assets/{}.css", look.name());
    html! {
        (DOCTYPE)
        html lang="en" data-look=(look.name()) data-outing=(outing) data-version=(version) data-typed=(words::TYPED_BEFORE) data-follows[shown.follows] data-saved=(words::SAVED) data-silent=(words::SILENT) {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_comes_back_to_pages_of_the_outing_only() {
        for known in [
            "/",
            "/night?date=2026-08-12&subject=M%2031",
            "/frames/look?name=a.png",
        ] {
            assert_eq!(known_page(known), known);
        }
        for unknown in [
            "",
            "//evil.example",
            "//evil.example/?/night",
            "http://evil.example/night",
            "/\\evil.example",
            "/look",
            "/night/../../x",
            "night",
        ] {
            assert_eq!(known_page(unknown), "/", "{unknown}");
        }
    }
}
