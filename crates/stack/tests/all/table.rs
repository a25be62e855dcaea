//! Committed tables of numbers.

/// Rows of a CSV with a provenance line and a header.
pub(crate) fn rows(text: &str) -> Vec<Vec<f64>> {
    let lines = text
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit() || c == '-'));
    lines
        .map(|l| l.split(',').map(|v| v.parse().expect("a number")).collect())
        .collect()
}
