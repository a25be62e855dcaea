//! The QR code (ISO/IEC 18004), for a terminal and for a page.

use std::fmt::Write;

use nightloom_chart::Look;
use qrcodegen::{QrCode, QrCodeEcc};

/// Light modules round the code, as the standard wants.
const QUIET: i32 = 4;

pub(super) fn code(text: &str) -> Option<QrCode> {
    QrCode::encode_text(text, QrCodeEcc::Medium).ok()
}

/// In half blocks, two rows a line. Dark on red where the terminal knows colours: bright enough for a phone's
/// camera and kind to eyes in the dark.
pub(super) fn for_terminal(code: &QrCode, colours: bool) -> String {
    let span = -QUIET..code.size() + QUIET;
    let (on, off) = if colours {
        ("\x1b[31;40m", "\x1b[0m")
    } else {
        ("", "")
    };
    let mut out = String::new();
    for y in span.clone().step_by(2) {
        out.push_str(on);
        for x in span.clone() {
            let light = |y: i32| y < code.size() + QUIET && !code.get_module(x, y);
            out.push(match (light(y), light(y + 1)) {
                (true, true) => '█',
                (true, false) => '▀',
                (false, true) => '▄',
                (false, false) => ' ',
            });
        }
        out.push_str(off);
        out.push('\n');
    }
    out
}

/// As a picture. Dark stays dark in red light too, or few phones read it.
pub(super) fn svg(code: &QrCode, look: Look) -> String {
    let (light, dark) = match look {
        Look::Day => ("#fff", "#17191d"),
        Look::Red => ("#c80000", "#000"),
    };
    let side = code.size() + 2 * QUIET;
    let mut path = String::new();
    for y in 0..code.size() {
        for x in (0..code.size()).filter(|x| code.get_module(*x, y)) {
            let _ = write!(path, "M{} {}h1v1h-1z", x + QUIET, y + QUIET);
        }
    }
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\"><rect width=\"{side}\" height=\"{side}\" fill=\"{light}\"/><path d=\"{path}\" fill=\"{dark}\"/></svg>\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terminal_and_picture_show_the_same_modules() {
        let code = code("http://10.42.0.1:8417/enter?token=00").expect("short enough");
        let terminal: Vec<Vec<char>> = for_terminal(&code, false)
            .lines()
            .map(|l| l.chars().collect())
            .collect();
        let svg = svg(&code, Look::Red);
        for y in 0..code.size() {
            for x in 0..code.size() {
                let (row, column) = ((y + QUIET) as usize, (x + QUIET) as usize);
                let shown = (terminal[row / 2][column], row % 2);
                let light = matches!(shown, ('█', _) | ('▀', 0) | ('▄', 1));
                assert_eq!(light, !code.get_module(x, y));
                assert_eq!(svg.contains(&format!("M{column} {row}h")), !light);
            }
        }
        // The finder pattern's corner is dark, what is round it light (ISO/IEC 18004, 6.3.3).
        assert!(code.get_module(0, 0) && !code.get_module(1, 1) && terminal[0].iter().all(|c| *c == '█'));
    }
}
