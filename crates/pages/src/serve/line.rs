//! Questions from pages as command lines, so that a page can ask what the command line can, by the same checks.

use std::collections::BTreeMap;

use crate::program::Question;

/// A query as it came.
pub(super) type Query = BTreeMap<String, String>;

/// `first`, then the options in `allowed` that the query gives a value.
///
/// Nothing outside `allowed` passes: no page names a file to write. An empty value counts as not given; a flag is
/// given by `1`.
pub(super) fn question(query: &Query, allowed: &[&str], flags: &[&str], first: &[&str]) -> Question {
    let mut words: Vec<String> = first.iter().map(|w| (*w).to_owned()).collect();
    for (name, value) in query {
        let value = value.trim();
        if allowed.contains(&name.as_str()) && !value.is_empty() {
            words.push(format!("--{name}={value}"));
        }
        if flags.contains(&name.as_str()) && value == "1" {
            words.push(format!("--{name}"));
        }
    }
    Question {
        words,
        ..Question::default()
    }
}
