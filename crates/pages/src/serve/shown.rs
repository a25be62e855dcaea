//! How one browser wants to be shown things: light, units, whose time. It remembers that in cookies.

use axum::Form;
use axum::http::header::{COOKIE, LOCATION, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use nightloom_chart::Look;
use nightloom_outing::evening::Shows;

use super::follow;
use super::line::Query;
use super::page::known_page;
use super::words;

/// How the pages look: day, red, or follow.
const LOOK_COOKIE: &str = "nightloom-look";
/// Imperial, or else metric.
const UNITS_COOKIE: &str = "nightloom-units";
/// UTC, or else local.
const TIME_COOKIE: &str = "nightloom-time";
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

/// In which light the browser wants its pages; by day at first.
pub(super) fn look_of(headers: &HeaderMap) -> Look {
    match cookie(headers, LOOK_COOKIE) {
        Some("red") => Look::Red,
        Some("follow") if follow::is_night() => Look::Red,
        _ => Look::Day,
    }
}

/// Whether the look goes with the night outside.
pub(super) fn follows(headers: &HeaderMap) -> bool {
    cookie(headers, LOOK_COOKIE) == Some("follow")
}

/// How one browser wants to be shown things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Shown {
    pub(super) look: Look,
    pub(super) follows: bool,
    pub(super) shows: Shows,
}

impl Shown {
    pub(super) fn of(headers: &HeaderMap) -> Self {
        Self {
            look: look_of(headers),
            follows: follows(headers),
            shows: Shows {
                feet: cookie(headers, UNITS_COOKIE) == Some("imperial"),
                fahrenheit: cookie(headers, UNITS_COOKIE) == Some("imperial"),
                utc: cookie(headers, TIME_COOKIE) == Some("utc"),
            },
        }
    }

    /// For the address of a chart, behind `?`.
    pub(super) fn asked(self) -> String {
        let mut asked = format!("look={}", self.look.name());
        for (set, word) in [
            (self.shows.feet, "&units=imperial"),
            (self.shows.utc, "&time=utc"),
        ] {
            asked.push_str(if set { word } else { "" });
        }
        asked
    }
}

/// One thing that a browser remembers.
struct Choice {
    name: &'static str,
    cookie: &'static str,
    label: &'static str,
    /// Each choice with its words; the first is the usual one.
    choices: &'static [(&'static str, &'static str)],
}

const CHOICES: [Choice; 3] = [
    Choice {
        name: "look",
        cookie: LOOK_COOKIE,
        label: words::LIGHT,
        choices: &[
            ("day", words::DAY),
            ("red", words::RED),
            ("follow", words::FOLLOW),
        ],
    },
    Choice {
        name: "units",
        cookie: UNITS_COOKIE,
        label: words::UNITS,
        choices: &[("metric", words::METRIC), ("imperial", words::IMPERIAL)],
    },
    Choice {
        name: "time",
        cookie: TIME_COOKIE,
        label: words::TIMES,
        choices: &[("local", words::LOCAL), ("utc", words::UTC)],
    },
];

/// What a browser wants, to be chosen anew.
pub(super) fn choices(headers: &HeaderMap) -> Markup {
    html! {
        section id="shown" {
            h2 { (words::THIS_BROWSER) }
            form class="asked" method="post" action="/look" {
                @for choice in &CHOICES {
                    div class="field" {
                        label for=(choice.name) { (choice.label) }
                        select id=(choice.name) name=(choice.name) {
                            @for (word, told) in choice.choices { option value=(word) selected[cookie(headers, choice.cookie) == Some(word)] { (told) } }
                        }
                    }
                }
                input type="hidden" name="back" value="/settings";
                button type="submit" { (words::REMEMBER) }
            }
            p class="soft" { (words::FOLLOW_MIND) }
        }
    }
}

/// Remembers what was chosen and goes back.
pub(super) async fn look(Form(form): Form<Query>) -> Response {
    let asked = |name: &str| form.get(name).map_or("", String::as_str);
    // Never to another address.
    let back = known_page(asked("back"));
    let back = HeaderValue::from_str(back).unwrap_or(HeaderValue::from_static("/"));
    let mut response = (StatusCode::SEE_OTHER, [(LOCATION, back)]).into_response();
    for choice in &CHOICES {
        let Some((word, _)) = choice
            .choices
            .iter()
            .find(|(word, _)| *word == asked(choice.name))
        else {
            continue;
        };
        let cookie = format!(
            "{}={word}; Path=/; Max-Age={KEPT_S}; SameSite=Strict; HttpOnly",
            choice.cookie
        );
        if let Ok(value) = HeaderValue::from_str(&cookie) {
            response.headers_mut().append(SET_COOKIE, value);
        }
    }
    response
}
