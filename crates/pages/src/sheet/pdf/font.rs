//! Text in the encoding of the built-in fonts, and how wide it is.

use super::widths::{BOLD, REGULAR};

/// The two faces used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Face {
    Regular,
    Bold,
}

impl Face {
    /// Its name in the page's resources.
    pub(super) fn name(self) -> &'static [u8] {
        match self {
            Self::Regular => b"R",
            Self::Bold => b"B",
        }
    }

    /// Width of encoded text at a size, points.
    pub(super) fn width(self, text: &[u8], size: f32) -> f32 {
        let widths = match self {
            Self::Regular => &REGULAR,
            Self::Bold => &BOLD,
        };
        let of = |byte: &u8| f32::from(byte.checked_sub(32).map_or(0, |k| widths[usize::from(k)]));
        text.iter().map(of).sum::<f32>() * size / 1000.0
    }
}

/// What WinAnsi has between 0x80 and 0x9f (ISO 32000-1, annex D.2).
const WINDOWS: &[(char, u8)] = &[
    ('€', 0x80),
    ('‚', 0x82),
    ('ƒ', 0x83),
    ('„', 0x84),
    ('…', 0x85),
    ('†', 0x86),
    ('‡', 0x87),
    ('ˆ', 0x88),
    ('‰', 0x89),
    ('Š', 0x8a),
    ('‹', 0x8b),
    ('Œ', 0x8c),
    ('Ž', 0x8e),
    ('‘', 0x91),
    ('’', 0x92),
    ('“', 0x93),
    ('”', 0x94),
    ('•', 0x95),
    ('–', 0x96),
    ('—', 0x97),
    ('˜', 0x98),
    ('™', 0x99),
    ('š', 0x9a),
    ('›', 0x9b),
    ('œ', 0x9c),
    ('ž', 0x9e),
    ('Ÿ', 0x9f),
];

/// Letters and signs that the encoding lacks, and what stands for them.
const STAND_INS: &[(&str, &str)] = &[
    ("ĀĂĄǍȀȂẠẢẤẦẨẪẬẮẰẲẴẶ", "A"),
    ("āăąǎȁȃạảấầẩẫậắằẳẵặ", "a"),
    ("ĆĈĊČ", "C"),
    ("ćĉċč", "c"),
    ("ĎĐ", "D"),
    ("ďđ", "d"),
    ("ĒĔĖĘĚẸẺẼẾỀỂỄỆ", "E"),
    ("ēĕėęěẹẻẽếềểễệ", "e"),
    ("ĜĞĠĢǦ", "G"),
    ("ĝğġģǧ", "g"),
    ("ĤĦ", "H"),
    ("ĥħ", "h"),
    ("ĨĪĬĮİỈỊ", "I"),
    ("ĩīĭįıỉị", "i"),
    ("Ĵ", "J"),
    ("ĵ", "j"),
    ("Ķ", "K"),
    ("ķ", "k"),
    ("ĹĻĽĿŁ", "L"),
    ("ĺļľŀł", "l"),
    ("ŃŅŇ", "N"),
    ("ńņň", "n"),
    ("ŌŎŐƠỌỎỐỒỔỖỘỚỜỞỠỢ", "O"),
    ("ōŏőơọỏốồổỗộớờởỡợ", "o"),
    ("ŔŖŘ", "R"),
    ("ŕŗř", "r"),
    ("ŚŜŞȘ", "S"),
    ("śŝşș", "s"),
    ("ŢŤŦȚ", "T"),
    ("ţťŧț", "t"),
    ("ŨŪŬŮŰŲƯỤỦỨỪỬỮỰ", "U"),
    ("ũūŭůűųưụủứừửữự", "u"),
    ("Ŵ", "W"),
    ("ŵ", "w"),
    ("ŶỲỴỶỸ", "Y"),
    ("ŷỳỵỷỹ", "y"),
    ("ŹŻ", "Z"),
    ("źż", "z"),
    ("′ʹ", "'"),
    ("″ʺ", "\""),
    ("−‐‑‒", "–"),
    ("≤", "<="),
    ("≥", ">="),
    ("→", "->"),
    ("\u{2002}\u{2003}\u{2009}\u{200a}\u{202f}\t\n", " "),
    ("α", "alpha"),
    ("β", "beta"),
    ("γ", "gamma"),
    ("δ", "delta"),
    ("ε", "epsilon"),
    ("ζ", "zeta"),
    ("η", "eta"),
    ("θ", "theta"),
    ("ι", "iota"),
    ("κ", "kappa"),
    ("λ", "lambda"),
    ("μ", "mu"),
    ("ν", "nu"),
    ("ξ", "xi"),
    ("ο", "omicron"),
    ("π", "pi"),
    ("ρ", "rho"),
    ("σς", "sigma"),
    ("τ", "tau"),
    ("υ", "upsilon"),
    ("φ", "phi"),
    ("χ", "chi"),
    ("ψ", "psi"),
    ("ω", "omega"),
];

/// Text as WinAnsi, and whether every letter of it could be shown; what could not stands as `?`.
pub(super) fn encode(text: &str) -> (Vec<u8>, bool) {
    let (mut bytes, mut all) = (Vec::with_capacity(text.len()), true);
    for c in text.chars() {
        all &= push(c, &mut bytes);
    }
    (bytes, all)
}

fn push(c: char, bytes: &mut Vec<u8>) -> bool {
    if let Some(byte) = byte_of(c) {
        bytes.push(byte);
    } else if let Some((_, plain)) = STAND_INS.iter().find(|(known, _)| known.contains(c)) {
        bytes.extend(plain.chars().filter_map(byte_of));
    } else if !matches!(c, '\u{300}'..='\u{36f}' | '\u{200b}'..='\u{200f}') {
        // Accents that stand by themselves, and what has no width, are left out in silence.
        bytes.push(b'?');
        return false;
    }
    true
}

fn byte_of(c: char) -> Option<u8> {
    match c {
        ' '..='~' | '\u{a0}'..='ÿ' => u8::try_from(u32::from(c)).ok(),
        _ => WINDOWS
            .iter()
            .find(|(known, _)| *known == c)
            .map(|(_, byte)| *byte),
    }
}

/// Lines of at most `width` points. A word that is wider than a line is broken.
pub(super) fn wrap(text: &[u8], face: Face, size: f32, width: f32) -> Vec<Vec<u8>> {
    let fits = |line: &[u8]| face.width(line, size) <= width;
    let (mut lines, mut line) = (Vec::new(), Vec::new());
    for word in text.split(|b| *b == b' ').filter(|w| !w.is_empty()) {
        let joined = match line.as_slice() {
            [] => word.to_vec(),
            begun => [begun, b" ", word].concat(),
        };
        if fits(&joined) {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        let mut rest = word;
        while !fits(rest) && rest.len() > 1 {
            let fitting = (1..rest.len()).rev().find(|n| fits(&rest[..*n])).unwrap_or(1);
            lines.push(rest[..fitting].to_vec());
            rest = &rest[fitting..];
        }
        line = rest.to_vec();
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_encoding_has_is_kept_and_the_rest_stands_in() {
        assert_eq!(
            encode("Übung 5° – 20′"),
            (b"\xdcbung 5\xb0 \x96 20'".to_vec(), true)
        );
        assert_eq!(encode("Făgăraș, ζ Ori"), (b"Fagaras, zeta Ori".to_vec(), true));
        assert_eq!(encode("e\u{301}"), (b"e".to_vec(), true));
        assert_eq!(encode("山 x"), (b"? x".to_vec(), false));
    }

    /// Adobe's metrics of the standard fonts: A 667, space 278, bold A 722.
    #[test]
    fn widths_are_those_of_the_metrics() {
        assert_eq!(Face::Regular.width(b"A A", 1000.0), 667.0 + 278.0 + 667.0);
        assert_eq!(Face::Bold.width(b"A", 10.0), 7.22);
    }

    #[test]
    fn no_line_is_too_wide_and_no_letter_is_lost() {
        let long = "Now a word of a length that no line can hold: ".to_owned() + &"W".repeat(90) + " and on.";
        let (text, _) = encode(&long);
        let lines = wrap(&text, Face::Regular, 9.0, 120.0);
        assert!(
            lines.iter().all(|l| Face::Regular.width(l, 9.0) <= 120.0),
            "{lines:?}"
        );
        assert!(lines.iter().all(|l| !l.is_empty()), "{lines:?}");
        let joined: Vec<u8> = lines.concat().into_iter().filter(|b| *b != b' ').collect();
        let bare: Vec<u8> = text.into_iter().filter(|b| *b != b' ').collect();
        assert_eq!(joined, bare);
    }
}
