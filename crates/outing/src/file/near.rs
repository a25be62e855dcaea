//! The word that was probably meant.

/// The candidate nearest to `word`, if it is near enough to be meant.
pub(crate) fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let lower = word.to_lowercase();
    let allowed = (lower.chars().count() / 3).clamp(1, 3);
    candidates
        .into_iter()
        .map(|c| (distance(&lower, &c.to_lowercase()), c))
        .filter(|(d, _)| *d <= allowed)
        .min_by_key(|(d, _)| *d)
        .map(|(_, c)| c)
}

/// Insertions, deletions, changes and swaps of neighbours that make `a` into `b`
/// (optimal string alignment; Damerau 1964).
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let change = last[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = change.min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(before[j - 2] + 1);
            }
            row.push(best);
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_changes() {
        assert_eq!(distance("kitten", "sitting"), 3); // the textbook pair (Wagner & Fischer 1974)
        assert_eq!(distance("ab", "ba"), 1);
        assert_eq!(distance("", "abc"), 3);
    }

    #[test]
    fn far_words_are_not_offered() {
        assert_eq!(nearest("strech", ["stretch", "gradient"]), Some("stretch"));
        assert_eq!(nearest("zzz", ["stretch", "gradient"]), None);
    }
}
