//! Cells of a coarse mask as a graph: connected patches, distances, flooding from seeds.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// Connected groups of set cells.
pub(crate) fn patches(set: &[bool], columns: usize, rows: usize) -> Vec<Vec<usize>> {
    let mut seen = vec![false; set.len()];
    let mut out = Vec::new();
    for start in 0..set.len() {
        if !set[start] || seen[start] {
            continue;
        }
        seen[start] = true;
        let mut patch = vec![start];
        let mut next = 0;
        while next < patch.len() {
            for neighbour in neighbours(patch[next], columns, rows) {
                if set[neighbour] && !seen[neighbour] {
                    seen[neighbour] = true;
                    patch.push(neighbour);
                }
            }
            next += 1;
        }
        out.push(patch);
    }
    out
}

pub(crate) fn neighbours(cell: usize, columns: usize, rows: usize) -> impl Iterator<Item = usize> {
    let (x, y) = (cell % columns, cell / columns);
    let left = (x > 0).then(|| cell - 1);
    let right = (x + 1 < columns).then_some(cell + 1);
    let up = (y > 0).then(|| cell - columns);
    let down = (y + 1 < rows).then_some(cell + columns);
    [left, right, up, down].into_iter().flatten()
}

/// Both seeds grow over the lowest gradients first.
pub(crate) fn flood(seeds: &[Option<bool>], gradient: &[f32], columns: usize, rows: usize) -> Vec<bool> {
    let mut label = seeds.to_vec();
    let mut queue = BinaryHeap::new();
    let mut order = 0u64;
    let mut push = |queue: &mut BinaryHeap<_>, cell: usize, by: bool| {
        order += 1;
        // Positive floats order as their bits do.
        queue.push(Reverse((gradient[cell].to_bits(), order, cell, by)));
    };
    for cell in 0..seeds.len() {
        if let Some(by) = seeds[cell] {
            neighbours(cell, columns, rows)
                .filter(|n| seeds[*n].is_none())
                .for_each(|n| push(&mut queue, n, by));
        }
    }
    while let Some(Reverse((_, _, cell, by))) = queue.pop() {
        if label[cell].is_some() {
            continue;
        }
        label[cell] = Some(by);
        neighbours(cell, columns, rows)
            .filter(|n| label[*n].is_none())
            .for_each(|n| push(&mut queue, n, by));
    }
    label.into_iter().map(|l| l.unwrap_or(false)).collect()
}

/// Steps from each cell to the nearest one that is `target`.
pub(crate) fn distance(set: &[bool], columns: usize, rows: usize, target: bool) -> Vec<usize> {
    let mut steps = vec![usize::MAX; set.len()];
    let mut front: Vec<usize> = (0..set.len()).filter(|c| set[*c] == target).collect();
    front.iter().for_each(|c| steps[*c] = 0);
    let mut next = 0;
    while next < front.len() {
        let cell = front[next];
        next += 1;
        for n in neighbours(cell, columns, rows) {
            if steps[n] == usize::MAX {
                steps[n] = steps[cell] + 1;
                front.push(n);
            }
        }
    }
    steps
}
