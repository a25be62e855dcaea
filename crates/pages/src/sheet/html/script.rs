//! What the script is given: times as numbers, words, the pole star's way.

use nightloom_outing::sheet::Content;
use nightloom_outing::shots::BlockKind;
use nightloom_sky::Instant;
use serde_json::{Value, json};

use crate::sheet::words::SCRIPT;

/// JSON that can stand inside a script element, whatever is in it.
pub(super) fn data(content: &Content) -> String {
    let text = value(content).to_string();
    // Inside JSON these stand in strings only; escaped, no text can end the element.
    text.replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026")
}

fn value(content: &Content) -> Value {
    let offsets = content.offsets.iter();
    let steps = content.steps.iter().map(|s| {
        let block = &s.block;
        let note = if block.count == 0 { block.note.as_str() } else { "" };
        json!({
            "from": ms(block.from), "to": ms(block.to), "words": s.words, "detail": s.detail, "note": note,
            "moves": s.moves, "sky": block.kind == BlockKind::Sky,
        })
    });
    let moments = content.moments.iter();
    let pole = &content.pole;
    json!({
        "id": content.id,
        "window_to": ms(content.window.to),
        "offsets": offsets.map(|o| json!([ms(o.from), o.offset_s, o.letters])).collect::<Vec<_>>(),
        "steps": steps.collect::<Vec<_>>(),
        "moments": moments.map(|m| json!([ms(m.at), m.words])).collect::<Vec<_>>(),
        "pole": {
            "from": ms(pole.from),
            "every_ms": pole.every_s * 1000.0,
            "clock_angle_deg": pole.rows.iter().map(|r| r.clock_angle_deg).collect::<Vec<_>>(),
            "separation_arcmin": pole.rows.iter().map(|r| r.separation_arcmin).collect::<Vec<_>>(),
        },
        "words": SCRIPT,
    })
}

/// Milliseconds since 1970, as the phone's clock counts.
fn ms(at: Instant) -> i64 {
    at.timestamp().as_millisecond()
}
