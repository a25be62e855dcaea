//! Minimum cut on a grid of cells with eight neighbours.
//!
//! Boykov & Kolmogorov 2004, IEEE TPAMI 26, 1124: two search trees grow from the terminals, are
//! augmented where they meet, and adopt their orphans again. Sequential, so always the same cut.

use std::collections::VecDeque;

/// Steps to the eight neighbours; direction d and `7 − d` are opposite.
pub(crate) const STEPS: [(isize, isize); 8] = [
    (-1, -1),
    (0, -1),
    (1, -1),
    (-1, 0),
    (1, 0),
    (-1, 1),
    (0, 1),
    (1, 1),
];

const ROOT: u8 = 8;
const NONE: u8 = 9;
const FREE: u8 = 0;
const SOURCE: u8 = 1;
const SINK: u8 = 2;

/// A grid whose nodes hang between source and sink.
pub(crate) struct GridCut {
    width: usize,
    height: usize,
    /// Residual capacity from each node to each neighbour.
    link: [Vec<f32>; 8],
    /// Residual capacity from the source (positive) or to the sink (negative).
    terminal: Vec<f32>,
    tree: Vec<u8>,
    parent: Vec<u8>,
    stamp: Vec<u32>,
    depth: Vec<u32>,
    active: VecDeque<u32>,
    queued: Vec<bool>,
    orphans: VecDeque<u32>,
    time: u32,
}

impl GridCut {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let n = width * height;
        Self {
            width,
            height,
            link: std::array::from_fn(|_| vec![0.0; n]),
            terminal: vec![0.0; n],
            tree: vec![FREE; n],
            parent: vec![NONE; n],
            stamp: vec![0; n],
            depth: vec![0; n],
            active: VecDeque::new(),
            queued: vec![false; n],
            orphans: VecDeque::new(),
            time: 0,
        }
    }

    /// Prefers the source's side by `weight` (the sink's, if negative).
    pub(crate) fn prefer(&mut self, node: usize, weight: f32) {
        self.terminal[node] = weight;
    }

    /// Cost of `node` on the source's side while its neighbour in direction `d` is on the sink's.
    pub(crate) fn connect(&mut self, node: usize, d: usize, cost: f32) {
        self.link[d][node] = cost;
    }

    pub(crate) fn neighbour(&self, node: usize, d: usize) -> Option<usize> {
        neighbour(self.width, self.height, node, d)
    }

    /// Cuts; true where a node stays with the source.
    pub(crate) fn cut(mut self) -> Vec<bool> {
        for i in 0..self.terminal.len() {
            if self.terminal[i] != 0.0 {
                self.tree[i] = if self.terminal[i] > 0.0 { SOURCE } else { SINK };
                self.parent[i] = ROOT;
                self.depth[i] = 1;
                self.activate(i);
            }
        }
        while let Some((from, d)) = self.grow() {
            self.time += 1;
            self.augment(from, d);
            while let Some(orphan) = self.orphans.pop_front() {
                self.adopt(orphan as usize);
            }
        }
        self.tree.iter().map(|&t| t == SOURCE).collect()
    }

    fn activate(&mut self, i: usize) {
        if !self.queued[i] {
            self.queued[i] = true;
            self.active.push_back(i as u32);
        }
    }

    /// Grows both trees until they touch; the link from the source's tree to the sink's.
    fn grow(&mut self) -> Option<(usize, usize)> {
        while let Some(&front) = self.active.front() {
            let p = front as usize;
            let tree = self.tree[p];
            if tree != FREE {
                for d in 0..8 {
                    let Some(q) = self.neighbour(p, d) else { continue };
                    let room = if tree == SOURCE {
                        self.link[d][p]
                    } else {
                        self.link[7 - d][q]
                    };
                    if room <= 0.0 {
                        continue;
                    }
                    if self.tree[q] == FREE {
                        self.tree[q] = tree;
                        self.parent[q] = (7 - d) as u8;
                        self.stamp[q] = self.stamp[p];
                        self.depth[q] = self.depth[p] + 1;
                        self.activate(q);
                    } else if self.tree[q] != tree {
                        return Some(if tree == SOURCE { (p, d) } else { (q, 7 - d) });
                    } else if self.stamp[q] <= self.stamp[p] && self.depth[q] > self.depth[p] + 1 {
                        self.parent[q] = (7 - d) as u8;
                        self.stamp[q] = self.stamp[p];
                        self.depth[q] = self.depth[p] + 1;
                    }
                }
            }
            self.active.pop_front();
            self.queued[p] = false;
        }
        None
    }

    /// Pushes all that fits along the path through the link, making orphans where it fills up.
    fn augment(&mut self, from: usize, d: usize) {
        let Some(to) = self.neighbour(from, d) else { return };
        let mut room = self.link[d][from];
        room = room.min(self.room_to_root(from)).min(self.room_to_root(to));
        self.link[d][from] -= room;
        self.link[7 - d][to] += room;
        self.push_to_root(from, room);
        self.push_to_root(to, room);
    }

    fn room_to_root(&self, mut i: usize) -> f32 {
        let mut room = f32::INFINITY;
        while self.parent[i] < ROOT {
            let d = self.parent[i] as usize;
            let Some(up) = self.neighbour(i, d) else {
                return 0.0;
            };
            let link = if self.tree[i] == SOURCE {
                self.link[7 - d][up]
            } else {
                self.link[d][i]
            };
            room = room.min(link);
            i = up;
        }
        room.min(self.terminal[i].abs())
    }

    fn push_to_root(&mut self, mut i: usize, flow: f32) {
        while self.parent[i] < ROOT {
            let d = self.parent[i] as usize;
            let Some(up) = self.neighbour(i, d) else { return };
            let left = if self.tree[i] == SOURCE {
                self.link[7 - d][up] -= flow;
                self.link[d][i] += flow;
                self.link[7 - d][up]
            } else {
                self.link[d][i] -= flow;
                self.link[7 - d][up] += flow;
                self.link[d][i]
            };
            if left <= 0.0 {
                self.orphan(i);
            }
            i = up;
        }
        let t = &mut self.terminal[i];
        *t -= flow.copysign(*t);
        if *t == 0.0 {
            self.orphan(i);
        }
    }

    fn orphan(&mut self, i: usize) {
        self.parent[i] = NONE;
        self.orphans.push_front(i as u32);
    }

    /// Finds the orphan a parent nearest to the root, or frees it.
    fn adopt(&mut self, i: usize) {
        let tree = self.tree[i];
        let mut best: Option<(u32, u8)> = None;
        for d in 0..8 {
            let Some(q) = self.neighbour(i, d) else { continue };
            let room = if tree == SOURCE {
                self.link[7 - d][q]
            } else {
                self.link[d][i]
            };
            if room > 0.0
                && self.tree[q] == tree
                && self.parent[q] != NONE
                && let Some(depth) = self.depth_of(q)
                && best.is_none_or(|(b, _)| depth < b)
            {
                best = Some((depth, d as u8));
            }
        }
        if let Some((depth, d)) = best {
            self.parent[i] = d;
            self.stamp[i] = self.time;
            self.depth[i] = depth + 1;
            return;
        }
        for d in 0..8 {
            let Some(q) = self.neighbour(i, d) else { continue };
            if self.tree[q] != tree {
                continue;
            }
            let room = if tree == SOURCE {
                self.link[7 - d][q]
            } else {
                self.link[d][i]
            };
            if room > 0.0 {
                self.activate(q);
            }
            if self.parent[q] == (7 - d) as u8 {
                self.parent[q] = NONE;
                self.orphans.push_back(q as u32);
            }
        }
        self.tree[i] = FREE;
    }

    /// Steps from a node to its root, if it still hangs on one; marks the way for later.
    fn depth_of(&mut self, start: usize) -> Option<u32> {
        let (mut i, mut steps) = (start, 0u32);
        let root = loop {
            if self.stamp[i] == self.time && self.parent[i] != NONE {
                break self.depth[i];
            }
            match self.parent[i] {
                ROOT => {
                    self.stamp[i] = self.time;
                    self.depth[i] = 1;
                    break 1;
                }
                NONE => return None,
                d => {
                    steps += 1;
                    i = self.neighbour(i, d as usize)?;
                }
            }
        };
        let total = root + steps;
        let (mut i, mut depth) = (start, total);
        while self.stamp[i] != self.time && self.parent[i] < ROOT {
            self.stamp[i] = self.time;
            self.depth[i] = depth;
            depth -= 1;
            i = self.neighbour(i, self.parent[i] as usize)?;
        }
        Some(total)
    }
}

pub(crate) fn neighbour(width: usize, height: usize, node: usize, d: usize) -> Option<usize> {
    let (dx, dy) = STEPS[d];
    let x = (node % width) as isize + dx;
    let y = (node / width) as isize + dy;
    let inside = x >= 0 && y >= 0 && x < width as isize && y < height as isize;
    inside.then(|| y as usize * width + x as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn energy(labels: u32, n: usize, prefer: &[f32], links: &[(usize, usize, usize, f32)]) -> f32 {
        let on = |i: usize| labels >> i & 1 == 1;
        let unary: f32 = (0..n)
            .map(|i| match (on(i), prefer[i]) {
                (true, p) if p < 0.0 => -p,
                (false, p) if p > 0.0 => p,
                _ => 0.0,
            })
            .sum();
        unary
            + links
                .iter()
                .filter(|l| on(l.0) && !on(l.2))
                .map(|l| l.3)
                .sum::<f32>()
    }

    /// Every labelling of small random grids is tried; the cut's must be the cheapest.
    #[test]
    fn cut_is_the_cheapest_of_all_labellings() {
        let (w, h) = (4, 3);
        let mut random = nightloom_fit::Random::new(12345);
        let mut roll = || random.uniform() as f32;
        for _ in 0..60 {
            let mut cut = GridCut::new(w, h);
            let prefer: Vec<f32> = (0..w * h)
                .map(|_| ((roll() - 0.5) * 64.0).round() / 8.0)
                .collect();
            let mut links = Vec::new();
            for (i, &weight) in prefer.iter().enumerate() {
                cut.prefer(i, weight);
                for d in 0..8 {
                    if let Some(q) = cut.neighbour(i, d) {
                        let cost = (roll() * 16.0).round() / 8.0;
                        cut.connect(i, d, cost);
                        links.push((i, d, q, cost));
                    }
                }
            }
            let labels = cut
                .cut()
                .iter()
                .enumerate()
                .fold(0u32, |bits, (i, &on)| bits | u32::from(on) << i);
            let found = energy(labels, w * h, &prefer, &links);
            let least = (0..1u32 << (w * h))
                .map(|l| energy(l, w * h, &prefer, &links))
                .fold(f32::INFINITY, f32::min);
            assert_eq!(found, least, "the cut costs more than the best labelling");
        }
    }
}
