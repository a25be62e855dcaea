//! Connected parts of a picture, by edges of pixels.

/// The connected parts of what is set, of `least` pixels and more: indices in rising order.
pub(crate) fn connected(mut left: Vec<bool>, width: usize, least: usize) -> Vec<Vec<usize>> {
    let mut found = Vec::new();
    for start in 0..left.len() {
        if !std::mem::take(&mut left[start]) {
            continue;
        }
        let (mut pixels, mut next) = (vec![start], 0);
        while let Some(&k) = pixels.get(next) {
            next += 1;
            for q in beside(k, width, left.len(), 1) {
                if std::mem::take(&mut left[q]) {
                    pixels.push(q);
                }
            }
        }
        if pixels.len() >= least {
            pixels.sort_unstable();
            found.push(pixels);
        }
    }
    found
}

/// The pixels `step` to the left, right, above and below.
pub(crate) fn beside(k: usize, width: usize, count: usize, step: usize) -> impl Iterator<Item = usize> {
    let x = k % width;
    [
        (x >= step).then(|| k - step),
        (x + step < width).then_some(k + step),
        k.checked_sub(step * width),
        Some(k + step * width).filter(|q| *q < count),
    ]
    .into_iter()
    .flatten()
}
