//! The report of the picture, seen in red light.

use axum::http::HeaderMap;
use maud::html;
use nightloom_chart::Look;

use super::shown::look_of;
use super::words;

/// The report's own colours in red, its pictures below the limit and its drawings light on dark, and a red sheet over everything that lets no green
/// and no blue through.
const RED: &str = "<style>:root,:root:has(#dark:checked){--ink:#c80000;--soft:#bc0000;--paper:#000;--line:#3c0000;--mark:#c80000;color-scheme:dark}html{background:#000}img{filter:grayscale(1) brightness(.78)!important}svg{filter:grayscale(1) invert(1) brightness(.78)!important}body>input,body>label{display:none}body{position:relative;min-height:100vh}body::after{content:\"\";position:absolute;inset:0;background:#f00;mix-blend-mode:multiply;pointer-events:none}::selection{background:#780000;color:#000}</style>";

/// The report in the light that is asked for, with a way back to the picture.
pub(super) fn worn(text: String, headers: &HeaderMap) -> String {
    let back = html! { nav { p { a href="/picture" { "← " (words::BACK_TO_PICTURE) } } } }.into_string();
    let text = text.replacen("<main>", &format!("<main>{back}"), 1);
    match look_of(headers) {
        Look::Day => text,
        // After the report's own styles, and before anything is shown.
        Look::Red if text.contains("</head>") => text.replacen("</head>", &format!("{RED}</head>"), 1),
        Look::Red => format!("{RED}{text}"),
    }
}
