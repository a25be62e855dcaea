//! `hints.toml` as text.

use std::fmt::Write as _;

use toml_edit::{DocumentMut, Item, Table, Value};

use nightloom_outing::real;

use super::{HintKind, HintStroke, HintsError, LandHints};

const HEAD: &str = "# Hints for the edge of land and sky, brushed over the land.
# Points are pixels of the land frame, across and down; the middle of its first pixel is 0, 0.
# Where strokes cross, the later one holds. Without this file the picture is made without hints.
";

/// The file's text. Numbers to a hundredth of a pixel.
pub(super) fn write(hints: &LandHints) -> String {
    let mut out = String::from(HEAD);
    let [w, h] = hints.land_frame_px;
    let _ = writeln!(out, "land_frame_px = [{w}, {h}]");
    for stroke in &hints.strokes {
        let (is, radius) = (stroke.is.word(), number(stroke.radius_px));
        let _ = write!(
            out,
            "\n[[stroke]]\nis = \"{is}\"\nradius_px = {radius}\npoints_px = ["
        );
        for (i, [x, y]) in stroke.points_px.iter().enumerate() {
            let between = match i {
                0 => "",
                i if i % 8 == 0 => ",\n  ",
                _ => ", ",
            };
            let _ = write!(out, "{between}[{}, {}]", number(*x), number(*y));
        }
        out.push_str("]\n");
    }
    out
}

fn number(v: f32) -> String {
    let text = format!("{v:.2}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    if short == "-0" {
        "0".to_owned()
    } else {
        short.to_owned()
    }
}

fn fault(at: &str, what: impl Into<String>) -> HintsError {
    HintsError::Content {
        at: at.to_owned(),
        what: what.into(),
    }
}

/// Reads the file's text.
pub(super) fn parse(text: &str) -> Result<LandHints, HintsError> {
    let document: DocumentMut = text
        .parse()
        .map_err(|e: toml_edit::TomlError| fault("", format!("it is no TOML: {}", e.message())))?;
    for (key, _) in document.iter() {
        if !["land_frame_px", "stroke"].contains(&key) {
            return Err(fault(
                "",
                format!("“{key}” is not known; expected land_frame_px and [[stroke]]"),
            ));
        }
    }
    let size = document
        .get("land_frame_px")
        .and_then(Item::as_value)
        .and_then(pair);
    let side = |v: f64| (v >= 1.0 && v.fract() == 0.0 && v < 1e9).then_some(v as usize);
    let size = size.and_then(|[w, h]| Some([side(w)?, side(h)?]));
    let land_frame_px = size.ok_or_else(|| {
        fault("", "land_frame_px is missing or no pair of whole numbers; expected the land frame's width and height, like [6000, 4000]")
    })?;
    let tables = match document.get("stroke") {
        None => {
            return Ok(LandHints {
                land_frame_px,
                strokes: Vec::new(),
            });
        }
        Some(item) => item
            .as_array_of_tables()
            .ok_or_else(|| fault("", "stroke is no list; expected [[stroke]] before each stroke"))?,
    };
    let strokes = tables
        .iter()
        .enumerate()
        .map(|(i, table)| stroke(table, &format!(", stroke {}", i + 1)));
    Ok(LandHints {
        land_frame_px,
        strokes: strokes.collect::<Result<_, _>>()?,
    })
}

fn stroke(table: &Table, at: &str) -> Result<HintStroke, HintsError> {
    for (key, _) in table.iter() {
        if !["is", "radius_px", "points_px"].contains(&key) {
            return Err(fault(
                at,
                format!("“{key}” is not known; expected is, radius_px and points_px"),
            ));
        }
    }
    let is = match table.get("is").and_then(Item::as_str) {
        Some("land") => HintKind::Land,
        Some("sky") => HintKind::Sky,
        other => {
            let found = other.map_or("nothing".to_owned(), |o| format!("“{o}”"));
            return Err(fault(
                at,
                format!("is says {found} and “land” or “sky” was expected"),
            ));
        }
    };
    let radius = table.get("radius_px").and_then(Item::as_value).and_then(real);
    let radius_px = radius.ok_or_else(|| fault(at, "radius_px is missing or no number"))? as f32;
    let points = table.get("points_px").and_then(Item::as_array);
    let points = points.and_then(|list| list.iter().map(pair).collect::<Option<Vec<_>>>());
    let points = points.ok_or_else(|| {
        fault(
            at,
            "points_px is missing or no list of pairs like [[120, 80], [130, 82]]",
        )
    })?;
    Ok(HintStroke {
        is,
        radius_px,
        points_px: points.into_iter().map(|p| p.map(|v| v as f32)).collect(),
    })
}

fn pair(value: &Value) -> Option<[f64; 2]> {
    let list = value.as_array()?;
    let values: Vec<f64> = list.iter().map(real).collect::<Option<_>>()?;
    values.try_into().ok()
}
