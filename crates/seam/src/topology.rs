//! What every child knows: land does not hang in the air, and sky is not shut in by land.

use crate::{
    cells::{Cells, usable},
    grid_cut::neighbour,
};

/// Land smaller than this part of the picture that touches neither the bottom nor a side hangs in the air.
const HANGING: usize = 50;

/// Land that hangs in the air becomes sky; sky that does not reach the top becomes land. True is sky.
pub(crate) fn settle(cells: &Cells, sky: &mut [bool]) {
    for land in bodies(cells, sky, false) {
        if !land.grounded && land.members.len() < sky.len() / HANGING {
            land.members.iter().for_each(|&p| sky[p] = true);
        }
    }
    let skies = bodies(cells, sky, true);
    // A frame whose upper rim is all land (a roof, leaves) keeps its largest sky.
    let any = skies.iter().any(|s| s.topmost);
    let largest = skies.iter().map(|s| s.members.len()).max().unwrap_or(0);
    for body in skies {
        if !(body.topmost || !any && body.members.len() == largest) {
            body.members.iter().for_each(|&p| sky[p] = false);
        }
    }
}

/// Cells of one label that hang together.
struct Body {
    members: Vec<usize>,
    /// Reaches the lower rim of the land frame, or a side.
    grounded: bool,
    /// Reaches its upper rim.
    topmost: bool,
}

fn bodies(cells: &Cells, sky: &[bool], wanted: bool) -> Vec<Body> {
    let (width, height) = (cells.width, cells.height);
    let mut seen = vec![false; sky.len()];
    let mut found = Vec::new();
    for start in 0..sky.len() {
        if sky[start] != wanted || seen[start] || !usable(cells, start) {
            continue;
        }
        let mut body = Body {
            members: vec![start],
            grounded: false,
            topmost: false,
        };
        seen[start] = true;
        let mut next = 0;
        while let Some(&p) = body.members.get(next) {
            next += 1;
            let (i, j) = (p % width, p / width);
            let outside = |q: Option<usize>| q.is_none_or(|q| !usable(cells, q));
            let above = j.checked_sub(1).map(|j| j * width + i);
            let below = (j + 1 < height).then(|| p + width);
            body.topmost |= outside(above);
            body.grounded |= outside(below) || i == 0 || i + 1 == width;
            // Sky goes on only where more than a corner joins it.
            let ways = (0..8).filter(|d| !wanted || [1, 3, 4, 6].contains(d));
            for q in ways.filter_map(|d| neighbour(width, height, p, d)) {
                if sky[q] == wanted && !seen[q] && usable(cells, q) {
                    seen[q] = true;
                    body.members.push(q);
                }
            }
        }
        found.push(body);
    }
    found
}
