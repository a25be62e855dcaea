//! What pages are made with, inside the program.

use axum::extract::Path;
use axum::http::StatusCode;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

const CSS: &str = "text/css; charset=utf-8";
const JS: &str = "text/javascript; charset=utf-8";
const SVG: &str = "image/svg+xml";

/// Name, kind and bytes of every asset.
pub(super) const ASSETS: &[(&str, &str, &str)] = &[
    ("app.css", CSS, include_str!("../../assets/app.css")),
    ("day.css", CSS, include_str!("../../assets/day.css")),
    ("red.css", CSS, include_str!("../../assets/red.css")),
    ("app.js", JS, include_str!("../../assets/app.js")),
    ("aim.js", JS, include_str!("../../assets/aim.js")),
    ("develop.js", JS, include_str!("../../assets/develop.js")),
    ("drafts.js", JS, include_str!("../../assets/drafts.js")),
    ("drop.js", JS, include_str!("../../assets/drop.js")),
    ("export.js", JS, include_str!("../../assets/export.js")),
    ("frame.js", JS, include_str!("../../assets/frame.js")),
    ("hands.js", JS, include_str!("../../assets/hands.js")),
    ("versions.js", JS, include_str!("../../assets/versions.js")),
    ("frames.js", JS, include_str!("../../assets/frames.js")),
    ("send.js", JS, include_str!("../../assets/send.js")),
    ("verdict.js", JS, include_str!("../../assets/verdict.js")),
    ("brush.js", JS, include_str!("../../assets/brush.js")),
    ("tiles.js", JS, include_str!("../../assets/tiles.js")),
    ("viewer.js", JS, include_str!("../../assets/viewer.js")),
    ("build.js", JS, include_str!("../../assets/build.js")),
    ("year.js", JS, include_str!("../../assets/year.js")),
    ("icon.svg", SVG, include_str!("../../assets/icon.svg")),
];

pub(super) async fn asset(Path(name): Path<String>) -> Response {
    let found = ASSETS.iter().find(|(known, ..)| *known == name);
    found.map_or_else(
        || StatusCode::NOT_FOUND.into_response(),
        |(_, kind, text)| ([(CONTENT_TYPE, *kind), (CACHE_CONTROL, "no-cache")], *text).into_response(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_assets_together_stay_small() {
        let bytes: usize = ASSETS.iter().map(|(.., text)| text.len()).sum();
        assert!(bytes <= 400 * 1024, "{bytes} bytes");
    }

    #[test]
    fn no_asset_speaks_to_the_network() {
        for (name, _, text) in ASSETS {
            let clean = text.replace("http://www.w3.org/2000/svg", "");
            assert!(
                !clean.contains("http://") && !clean.contains("https://"),
                "{name}"
            );
        }
    }
}
