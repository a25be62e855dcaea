//! The exposure's page: ladder, signal-to-noise, trails, shot list.

use std::sync::Arc;

use axum::extract::{Query as UrlQuery, State};
use axum::http::HeaderMap;
use axum::response::Response;
use maud::{Markup, html};
use nightloom_outing::Settings;
use nightloom_outing::evening::clock_short;
use nightloom_outing::sheet::Planned;
use nightloom_outing::shots::CAUTIONS;

use super::app::App;
use super::charts::{LADDER, SHOTS, SIGNAL, TRAIL, figure};
use super::line::{Query, question};
use super::night::field;
use super::page::{Shown, Stage, shown};
use super::words;
use crate::program::Question;

pub(super) async fn page(
    State(app): State<Arc<App>>,
    headers: HeaderMap,
    UrlQuery(query): UrlQuery<Query>,
) -> Response {
    let title = words::EXPOSURE.to_owned();
    shown(app, &headers, Stage::Exposure, title, move |app, shown| {
        Ok(body(app, &app.settings()?, query, shown))
    })
    .await
}

/// What is asked where the address says nothing; the rig goes before it.
const USUAL: [(&str, &str); 18] = [
    ("from", "90s f/2.8 ISO1600"),
    ("lowest-iso", "100"),
    ("narrowest", "8"),
    ("longest", "16min"),
    ("sky", "21.5"),
    ("f-number", "2.8"),
    ("pitch", "4.3"),
    ("qe", "0.5"),
    ("transmission", "0.8"),
    ("read-noise", "2"),
    ("total", "60min"),
    ("focal", "24"),
    ("exposure", "90s"),
    ("dec", "0"),
    ("ha", "0"),
    ("sky-exposure", "90s"),
    ("sky-frames", "12"),
    ("land-exposure", "8s"),
];

fn completed(settings: &Settings, mut query: Query) -> Query {
    let mut give = |name: &str, value: String| {
        if query.get(name).is_none_or(|v| v.trim().is_empty()) {
            query.insert(name.into(), value);
        }
    };
    if let Some(mm) = settings.rig.focal_mm {
        give("focal", mm.to_string());
    }
    if let Some(um) = settings.rig.pixel_um {
        give("pitch", um.to_string());
    }
    for (name, value) in USUAL {
        give(name, value.into());
    }
    // A trail belongs to a place, and the pages have one only.
    if let Some(place) = settings.site.place {
        query.insert("lat".into(), place.latitude.deg().to_string());
    }
    query
}

fn body(app: &App, settings: &Settings, query: Query, shown: Shown) -> Markup {
    let query = completed(settings, query);
    let of = |name: &str, label: &str| field(name, label, query.get(name).map_or("", |v| v));
    html! {
        h1 { (words::EXPOSURE) }
        form method="get" action="/exposure" {
            section {
                h2 { (words::LADDER) }
                div class="asked" {
                    (of("from", words::FROM)) (of("longest", words::LONGEST)) (of("lowest-iso", words::LOWEST_ISO)) (of("narrowest", words::NARROWEST))
                    button type="submit" { (words::SHOW) }
                }
                (figure(app, "ladder.svg", &query, &LADDER, shown, words::LADDER))
            }
            section {
                h2 { (words::SIGNAL) }
                div class="asked" {
                    (of("sky", words::SKY_MAG)) (of("f-number", words::F_NUMBER)) (of("pitch", words::PITCH)) (of("qe", words::QE))
                    (of("transmission", words::TRANSMISSION)) (of("read-noise", words::READ_NOISE)) (of("total", words::TOTAL))
                    button type="submit" { (words::SHOW) }
                }
                (figure(app, "signal.svg", &query, &SIGNAL, shown, words::SIGNAL))
            }
            section {
                h2 { (words::TRAILS) }
                div class="asked" {
                    (of("focal", words::FOCAL)) (of("exposure", words::ONE_EXPOSURE)) (of("dec", words::DECLINATION)) (of("ha", words::HOUR_ANGLE))
                    button type="submit" { (words::SHOW) }
                }
                (figure(app, "trail.svg", &query, &TRAIL, shown, words::TRAILS))
            }
            section {
                h2 { (words::SHOT_LIST) }
                div class="asked" {
                    (of("sky-exposure", words::ONE_SKY)) (of("sky-frames", words::SKY_FRAMES)) (of("land-exposure", words::ONE_LAND))
                    button type="submit" { (words::SHOW) }
                }
                (list(app, &query, shown))
            }
        }
    }
}

fn list(app: &App, query: &Query, shown: Shown) -> Markup {
    let folder = app.folder.display().to_string();
    let asked = Question {
        shows: shown.shows,
        ..question(query, &SHOTS, &[], &[&folder])
    };
    match app.program.shots(&asked) {
        Err(refused) => html! { p class="wrong" { (refused.0) } },
        Ok(planned) => html! {
            @if !planned.list.fits { p class="wrong" { (planned.list.no()) } }
            (table(&planned))
            h3 { (words::CAUTIONS) }
            ul class="cautions" { @for caution in CAUTIONS { li { (caution) } } }
        },
    }
}

fn table(planned: &Planned) -> Markup {
    let evening = &planned.evening;
    let zone = &evening.hours;
    let name = if evening.shows.utc {
        words::UTC
    } else {
        &evening.zone.name
    };
    html! {
        div class="wide" tabindex="0" role="region" aria-label=(words::SHOT_LIST) {
            table {
                thead { tr { th scope="col" { (words::BEGINS) } th scope="col" { (words::ENDS) } th scope="col" { (words::DOING) } th scope="col" { (words::HOW) } th scope="col" { (words::MIND) } } }
                tbody {
                    @for block in &planned.list.blocks {
                        tr {
                            td { (clock_short(zone, block.from)) } td { (clock_short(zone, block.to)) }
                            th scope="row" { (block.kind.words()) }
                            td { (block.detail()) }
                            td { (block.note) }
                        }
                    }
                }
            }
        }
        p class="soft" { (words::TIMES_IN) " " (name) }
    }
}
