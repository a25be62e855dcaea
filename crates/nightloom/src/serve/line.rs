//! Questions from pages as command lines, so that a page can ask what the command line can, by the same checks.

use std::collections::BTreeMap;

use clap::Args;

use super::reply::Failed;
use axum::http::StatusCode;

/// A query as it came.
pub(super) type Query = BTreeMap<String, String>;

/// The options in `allowed` that the query gives a value, read as the command line would read them.
///
/// Nothing outside `allowed` passes: no page names a file to write. An empty value counts as not given; a flag is
/// given by `1`.
pub(super) fn read<A: Args>(
    query: &Query,
    allowed: &[&str],
    flags: &[&str],
    first: &[&str],
) -> Result<A, Failed> {
    let mut words: Vec<String> = vec!["nightloom".into()];
    words.extend(first.iter().map(|w| (*w).to_owned()));
    for (name, value) in query {
        let value = value.trim();
        if allowed.contains(&name.as_str()) && !value.is_empty() {
            words.push(format!("--{name}={value}"));
        }
        if flags.contains(&name.as_str()) && value == "1" {
            words.push(format!("--{name}"));
        }
    }
    let command = A::augment_args(clap::Command::new("nightloom"));
    let said = |e: clap::Error| Failed(StatusCode::UNPROCESSABLE_ENTITY, plain(&e));
    let matches = command.try_get_matches_from(words).map_err(said)?;
    A::from_arg_matches(&matches).map_err(said)
}

/// The first sentence of what clap says, without its hints for a terminal.
fn plain(error: &clap::Error) -> String {
    let text = error.render().to_string();
    let first = text.lines().next().unwrap_or_default();
    first.trim_start_matches("error: ").to_owned()
}
