//! Reads the committed tables.

/// Rows of numbers; the first column as text.
pub(crate) fn rows(csv: &str) -> Vec<(String, Vec<f64>)> {
    let body = csv.lines().filter(|l| !l.starts_with('#')).skip(1);
    body.map(|line| {
        let mut cells = line.split(',');
        let first = cells.next().expect("a row has cells").to_owned();
        (
            first,
            cells.map(|c| c.parse().expect("a cell is a number")).collect(),
        )
    })
    .collect()
}

/// Rows whose first `N` columns are text and whose others are numbers.
pub(crate) fn rows_with_text<const N: usize>(csv: &str) -> Vec<([String; N], Vec<f64>)> {
    let body = csv.lines().filter(|l| !l.starts_with('#')).skip(1);
    body.map(|line| {
        let mut cells = line.split(',');
        let text = std::array::from_fn(|_| cells.next().expect("a row has cells").to_owned());
        let number = |c: &str| c.parse().unwrap_or_else(|_| panic!("{c} is no number"));
        (text, cells.map(number).collect())
    })
    .collect()
}
