//! The sheet on paper, as a PDF made without a browser, and what is said when it cannot be.

use super::*;

#[test]
fn the_paper_is_whole() {
    let folder = Folder::new("paper", NAME);
    for (paper, size) in [("a5", [419.53, 595.28]), ("a4", [595.28, 841.89])] {
        let file = folder.path().join(format!("{paper}.pdf"));
        let args = ["--json", "--paper", paper, "--pdf", file.to_str().unwrap()];
        let told = json(&run("sheet", folder.path(), &[FIELD, &args]));
        let bytes = fs::read(&file).unwrap();
        assert_eq!(told["pdf"]["bytes"], bytes.len());
        let (pages, words) = check_paper(&bytes, size);
        assert_eq!(told["pdf"]["pages"], pages);
        println!("{paper}: {pages} pages, {} bytes", bytes.len());
        assert!(pages <= 8, "{pages}");
        for part in [
            "Owlstone Ridge",
            "sky frames",
            "Take care",
            "90\u{a0}s",
            "Polaris",
            "never towards aircraft,",
        ] {
            assert!(words.contains(part), "{paper}: {part}");
        }
        assert!(words.matches("alignment check").count() == 1);
        assert!(!words.contains('?') || words.contains("Tracker on?"));
    }
    assert!(
        !folder.path().join("field-sheet.html").exists(),
        "only what was asked for"
    );
}

#[test]
fn letters_that_paper_cannot_show_are_said_to_be_missing() {
    let folder = Folder::new("letters", "Creasta Făgăraș 山");
    let file = folder.path().join("letters.pdf");
    let args = ["--json", "--pdf", file.to_str().unwrap()];
    json(&run("sheet", folder.path(), &[FIELD, &args]));
    let (_, words) = check_paper(&fs::read(&file).unwrap(), [419.53, 595.28]);
    assert!(words.contains("Creasta Fagaras ?"));
    assert!(words.contains("cannot show"));
}

/// Checks a file made here as far as a reader would: every object where the table says (ISO 32000-1, 7.5.4), pages of
/// the right size, no text beyond the margins. Gives the number of pages and all words.
pub(super) fn check_paper(bytes: &[u8], size: [f64; 2]) -> (usize, String) {
    // One character a byte, so that offsets stay.
    let text: String = bytes.iter().map(|b| char::from(*b)).collect();
    let raw = |from: usize| {
        bytes[from..]
            .iter()
            .map(|b| char::from(*b))
            .take(40)
            .collect::<String>()
    };
    assert!(text.starts_with("%PDF-1.7") && text.trim_end().ends_with("%%EOF"));
    let xref: usize = text
        .rsplit("startxref")
        .next()
        .unwrap()
        .split_whitespace()
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert!(raw(xref).starts_with("xref"));
    let table = &text[text.rfind("xref\n0").unwrap()..];
    for (number, entry) in table.lines().skip(2).take_while(|l| l.len() >= 18).enumerate() {
        if let Some(offset) = entry.strip_suffix(" n ").or_else(|| entry.strip_suffix(" n")) {
            let offset: usize = offset.split(' ').next().unwrap().parse().unwrap();
            assert!(raw(offset).starts_with(&format!("{number} 0 obj")), "{number}");
        }
    }
    let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page ").count();
    let mut words = String::new();
    for stream in text.split("stream\n").filter(|s| s.contains("BT\n")) {
        for block in stream.split("BT\n").skip(1) {
            words.push_str(&check_text(block, size));
            words.push(' ');
        }
    }
    for box_of in text.split("/MediaBox [").skip(1) {
        let numbers: Vec<f64> = box_of
            .split(']')
            .next()
            .unwrap()
            .split(' ')
            .map(|n| n.parse().unwrap())
            .collect();
        assert!(
            (numbers[2] - size[0]).abs() < 0.1 && (numbers[3] - size[1]).abs() < 0.1,
            "{numbers:?}"
        );
    }
    (pages, words)
}

/// One line of text: its place, its width by the font's metrics, its words.
fn check_text(block: &str, [width, height]: [f64; 2]) -> String {
    let mut lines = block.lines();
    let font: Vec<&str> = lines.next().unwrap().split(' ').collect();
    let place: Vec<f64> = lines
        .next()
        .unwrap()
        .split(' ')
        .take(2)
        .map(|n| n.parse().unwrap())
        .collect();
    let shown = shown(block);
    let table = if font[0] == "/B" {
        &widths::BOLD
    } else {
        &widths::REGULAR
    };
    let size: f64 = font[1].parse().unwrap();
    let wide: f64 = shown
        .iter()
        .map(|b| f64::from(table[usize::from(*b) - 32]))
        .sum::<f64>()
        * size
        / 1000.0;
    let margin = 33.0;
    assert!(
        place[0] >= margin && place[0] + wide <= width - margin,
        "{place:?} {wide}: {block}"
    );
    assert!(place[1] >= 18.0 && place[1] <= height - margin, "{place:?}");
    shown.iter().map(|b| char::from(*b)).collect()
}

/// A string of a content stream, in round brackets or hexadecimal (ISO 32000-1, 7.3.4).
fn shown(block: &str) -> Vec<u8> {
    let end = block.find(" Tj").unwrap();
    let line = &block[..end];
    if let Some(hex) = line.rsplit('\n').next().unwrap().strip_prefix('<') {
        let digits: Vec<u8> = hex.bytes().filter(u8::is_ascii_hexdigit).collect();
        let pair = |p: &[u8]| u8::from_str_radix(std::str::from_utf8(p).unwrap(), 16).unwrap();
        return digits.chunks(2).map(pair).collect();
    }
    let inside = &line[line.find('(').unwrap() + 1..line.len() - 1];
    let mut bytes = Vec::new();
    let mut escaped = false;
    for c in inside.chars() {
        if c == '\\' && !escaped {
            escaped = true;
        } else {
            bytes.push(u8::try_from(u32::from(c)).unwrap());
            escaped = false;
        }
    }
    bytes
}

#[test]
fn a_plan_without_room_is_told_and_still_on_paper() {
    let folder = Folder::new("no-room", NAME);
    let output = run("sheet", folder.path(), &[&["--sky-frames", "400", "--json"]]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(said(&output).contains("does not fit"), "{}", said(&output));
    assert!(folder.page().contains("This plan does not fit the night by"));
    let out = folder.path().join("summer.html");
    let far_north = [
        "--lat",
        "65",
        "--lon",
        "24",
        "--date",
        "2026-06-20",
        "--out",
        out.to_str().unwrap(),
    ];
    let output = run("sheet", folder.path(), &[&far_north]);
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert!(!out.exists(), "no sheet of no night");
}

#[test]
fn slips_are_told_in_a_sentence() {
    let folder = Folder::new("slips", NAME);
    let missing = folder.path().join("missing/sheet.html");
    for (args, part) in [
        (["--out", "frame.dng"], "ends in .html"),
        (["--pdf", "sheet.html"], "ends in .pdf"),
        (["--paper", "a3"], "a3"),
        (["--sky-exposure", "f/2.8"], "has no time"),
        (["--out", missing.to_str().unwrap()], "cannot be written"),
    ] {
        let output = run("sheet", folder.path(), &[&args]);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", said(&output));
        assert!(said(&output).contains(part), "{args:?}: {}", said(&output));
    }
}
