//! Names as one line of harmless text.

/// Longer names than this many characters are cut.
const LONGEST_NAME: usize = 120;

/// One line of text, whatever was written: no control characters, none that turn the writing round.
pub(super) fn plain(text: &str) -> String {
    let turns =
        |c: char| matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let harmless = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .filter(|c| !turns(*c));
    let mut line: String = harmless.take(LONGEST_NAME + 1).collect();
    if line.chars().count() > LONGEST_NAME {
        line.pop();
        line.push('…');
    }
    line.trim().to_owned()
}
