//! Plain attributes in place of a style sheet, so that a chart is drawn right outside a browser too.
//!
//! Charts are drawn with classes and named inks. Not every program that shows an SVG knows style sheets, and few know
//! variables in them: what they stand for is written into each element.

use std::fmt::Write;

/// What a class says, later ones over earlier ones; `@ink` is an ink by its name.
const CLASSES: &[(&str, &[(&str, &str)])] = &[
    ("big", &[("font-size", "15"), ("font-weight", "600")]),
    ("soft", &[("fill", "@soft")]),
    ("small", &[("font-size", "10.5")]),
    ("mid", &[("text-anchor", "middle")]),
    ("end", &[("text-anchor", "end")]),
    ("ink", &[("stroke", "@ink")]),
    (
        "line",
        &[
            ("fill", "none"),
            ("stroke", "@ink"),
            ("stroke-width", "2"),
            ("stroke-linejoin", "round"),
            ("stroke-linecap", "round"),
        ],
    ),
    (
        "thin",
        &[("fill", "none"), ("stroke", "@soft"), ("stroke-width", "1")],
    ),
    (
        "rule",
        &[("stroke", "@rule"), ("stroke-width", "1"), ("fill", "none")],
    ),
    ("dash", &[("stroke-dasharray", "6 4")]),
    ("dots", &[("stroke-dasharray", "1.5 4")]),
    ("star", &[("fill", "@ink")]),
    (
        "figure",
        &[
            ("fill", "none"),
            ("stroke", "@soft"),
            ("stroke-width", "0.8"),
            ("stroke-opacity", "0.7"),
        ],
    ),
    (
        "land",
        &[("fill", "@land"), ("stroke", "@ink"), ("stroke-width", "1.2")],
    ),
    ("fill", &[("fill", "@fill")]),
    ("paper", &[("fill", "@paper")]),
    (
        "halo",
        &[
            ("stroke", "@paper"),
            ("stroke-width", "3"),
            ("stroke-linejoin", "round"),
        ],
    ),
];

/// The chart with every class and ink written out; `inks` are `--name:colour` with semicolons between.
pub(super) fn plain(svg: &str, inks: &str) -> String {
    let inks: Vec<(&str, &str)> = inks
        .split(';')
        .filter_map(|ink| ink.trim_start_matches('-').split_once(':'))
        .collect();
    let mut out = String::with_capacity(svg.len() * 2);
    let mut rest = svg;
    while let Some(at) = rest.find('<') {
        let (before, tag) = rest.split_at(at);
        let end = tag.find('>').unwrap_or(tag.len());
        out.push_str(before);
        element(&tag[..end], &inks, &mut out);
        rest = &tag[end..];
    }
    out.push_str(rest);
    out
}

/// One element's tag, but for its `>`.
fn element(tag: &str, inks: &[(&str, &str)], out: &mut String) {
    let (body, close) = match tag.strip_suffix('/') {
        Some(body) => (body, "/"),
        None => (tag, ""),
    };
    let body = with_inks(body, inks);
    out.push_str(&body);
    let mut attributes: Vec<(&str, &str)> = Vec::new();
    if body.starts_with("<text ") {
        attributes.push(("fill", "@ink"));
    }
    let classes = body
        .split_once(" class=\"")
        .and_then(|(_, rest)| rest.split_once('"'));
    let classes: Vec<&str> = classes.map(|(c, _)| c.split(' ').collect()).unwrap_or_default();
    for (_, says) in CLASSES.iter().filter(|(name, _)| classes.contains(name)) {
        for (attribute, value) in *says {
            attributes.retain(|(a, _)| a != attribute);
            attributes.push((attribute, value));
        }
    }
    for (attribute, value) in attributes {
        // What the element says itself goes first.
        if body.contains(&format!(" {attribute}=\"")) {
            continue;
        }
        let value = value.strip_prefix('@').map_or(value, |name| ink(name, inks));
        let _ = write!(out, " {attribute}=\"{value}\"");
    }
    out.push_str(close);
}

fn ink<'a>(name: &str, inks: &[(&'a str, &'a str)]) -> &'a str {
    inks.iter()
        .find(|(n, _)| *n == name)
        .map_or("#000", |(_, colour)| colour)
}

/// `var(--name)` replaced by its colour.
fn with_inks(text: &str, inks: &[(&str, &str)]) -> String {
    let mut out = text.to_owned();
    for (name, colour) in inks {
        out = out.replace(&format!("var(--{name})"), colour);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_and_inks_are_written_out() {
        let svg = "<svg><path class=\"line dash\" d=\"M0 0\"/><text class=\"soft big\">a</text><g style=\"fill:var(--ink)\"/></svg>";
        let inks = "--ink:#123456;--soft:#777";
        assert_eq!(
            plain(svg, inks),
            "<svg><path class=\"line dash\" d=\"M0 0\" fill=\"none\" stroke=\"#123456\" stroke-width=\"2\" stroke-linejoin=\"round\" stroke-linecap=\"round\" stroke-dasharray=\"6 4\"/><text class=\"soft big\" font-size=\"15\" font-weight=\"600\" fill=\"#777\">a</text><g style=\"fill:#123456\"/></svg>"
        );
    }
}
