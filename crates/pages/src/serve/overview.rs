//! Where the outing stands.

use std::sync::Arc;

use axum::Extension;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use maud::{Markup, html};
use nightloom_outing::evening::Shows;
use nightloom_outing::{RESULTS, Settings, discover};

use super::app::App;
use super::page::{Stage, shown};
use super::words;
use super::{Via, share};

pub(super) async fn page(
    State(app): State<Arc<App>>,
    Extension(via): Extension<Via>,
    headers: HeaderMap,
) -> Response {
    let title = words::OUTING.to_owned();
    shown(app, &headers, Stage::Outing, title, move |app, shown| {
        let share = app.share.as_ref().filter(|_| via == Via::Loopback);
        Ok(html! {
            (body(app, &app.settings()?, shown.shows))
            @if let Some(share) = share { (share::section(share, shown.look)) }
        })
    })
    .await
}

/// One thing that an outing needs, what it is now, and where it is said.
struct Line {
    what: &'static str,
    is: Option<String>,
    open: &'static str,
    href: &'static str,
}

fn body(app: &App, settings: &Settings, shows: Shows) -> Markup {
    let lines = lines(app, settings, shows);
    let next = lines.iter().position(|l| l.is.is_none());
    html! {
        h1 { (settings.outing.name.as_deref().unwrap_or(words::UNNAMED)) }
        @if let Some(note) = &settings.outing.note { p { (note) } }
        h2 { (words::STANDS) }
        ol class="stand" {
            @for (i, line) in lines.iter().enumerate() {
                @let state = match &line.is {
                    Some(_) => words::DONE,
                    None if next == Some(i) => words::NEXT,
                    None => words::OPEN,
                };
                li data-state=(state) {
                    span class="state" { (state) }
                    span class="what" { (line.what) }
                    @match &line.is {
                        Some(is) => span { (is) },
                        None => a href=(line.href) { (line.open) },
                    }
                }
            }
        }
        p class="soft" { (app.folder.display().to_string()) }
    }
}

fn lines(app: &App, settings: &Settings, shows: Shows) -> Vec<Line> {
    let place = settings.site.place.map(|site| {
        format!(
            "{:.4}°, {:.4}°, {}",
            site.latitude.deg(),
            site.longitude.deg(),
            shows.height(site.elevation_m)
        )
    });
    let rig = settings.rig.focal_mm.map(|mm| format!("{mm} mm"));
    let frames = discover(&app.folder).map_or(0, |found| found.frames.len());
    let preview = app.folder.join(RESULTS).join("picture.tif");
    vec![
        Line {
            what: words::PLACE,
            is: place,
            open: words::SAY_WHERE,
            href: "/settings#site",
        },
        Line {
            what: words::EVENING,
            is: settings.outing.evening.map(|d| d.to_string()),
            open: words::SAY_WHEN,
            href: "/settings#outing",
        },
        Line {
            what: words::SUBJECT,
            is: settings.outing.subject.clone(),
            open: words::SAY_WHAT,
            href: "/settings#outing",
        },
        Line {
            what: words::RIG,
            is: rig,
            open: words::SAY_RIG,
            href: "/settings#rig",
        },
        Line {
            what: words::FRAMES_ON_DISK,
            is: (frames > 0).then(|| format!("{frames} on disk")),
            open: words::NO_FRAMES,
            href: "/frames",
        },
        Line {
            what: words::PICTURE_MADE,
            is: preview.is_file().then(|| format!("{RESULTS}/picture.tif")),
            open: words::NO_PICTURE,
            href: "/picture",
        },
    ]
}
