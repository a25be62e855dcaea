//! The border between sky above and land below as one height per column, the cheapest of all.
//!
//! Under the rule that each column is sky down to some height and land from there on, labelling is an optimal path:
//! moving from height a in one column to b in the next costs the links cut on the way, a difference of sums, so that
//! the best way to every height is found in one sweep up and one down (a distance transform after Felzenszwalb &
//! Huttenlocher 2012, Theory of Computing 8, 415). Exact, in time of the number of cells.

/// What a border costs on a grid of cells, row by row.
pub(crate) struct BorderLinks {
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Cost of parting a cell from the one above it; the first row's is that of no sky at all.
    pub(crate) above: Vec<f32>,
    /// Cost of parting a cell from its right neighbour; the last column's is not used.
    pub(crate) right: Vec<f32>,
}

impl BorderLinks {
    /// The cheapest border where each cell gains so much as sky: how many cells of each column are, from the top.
    pub(crate) fn cheapest(&self, sky_gain: &[f32]) -> Vec<usize> {
        let levels = self.height + 1;
        let mut best = self.column(0, sky_gain);
        let mut from = vec![0u32; levels * self.width];
        for x in 1..self.width {
            let own = self.column(x, sky_gain);
            let links = self.links(x - 1);
            let back = &mut from[x * levels..(x + 1) * levels];
            best = step(&best, &own, &links, back);
        }
        let mut at = (0..levels)
            .min_by(|a, b| best[*a].total_cmp(&best[*b]))
            .unwrap_or(0);
        let mut border = vec![at; self.width];
        for x in (1..self.width).rev() {
            at = from[x * levels + at] as usize;
            border[x - 1] = at;
        }
        border
    }

    /// What all links cut by a border cost together.
    pub(crate) fn cut_by(&self, border: &[usize]) -> f64 {
        let mut sum = 0.0;
        for (x, &b) in border.iter().enumerate() {
            sum += self.above_cost(x, b);
            if let Some(&next) = border.get(x + 1) {
                let rows = b.min(next)..b.max(next);
                sum += rows
                    .map(|y| f64::from(self.right[y * self.width + x]))
                    .sum::<f64>();
            }
        }
        sum
    }

    /// Nothing is cut at the lower end, and at the upper one.
    fn above_cost(&self, x: usize, b: usize) -> f64 {
        if b == 0 || b >= self.height {
            0.0
        } else {
            f64::from(self.above[b * self.width + x])
        }
    }

    fn column(&self, x: usize, sky_gain: &[f32]) -> Vec<f64> {
        let mut gained = 0.0;
        (0..=self.height)
            .map(|b| {
                if b > 0 {
                    gained += f64::from(sky_gain[(b - 1) * self.width + x]);
                }
                self.above_cost(x, b) - gained
            })
            .collect()
    }

    /// Cost of the links between column `x` and the next above each height.
    fn links(&self, x: usize) -> Vec<f64> {
        let mut sum = 0.0;
        (0..=self.height)
            .map(|b| {
                if b > 0 {
                    sum += f64::from(self.right[(b - 1) * self.width + x]);
                }
                sum
            })
            .collect()
    }
}

/// The cheapest way to each height of the next column.
fn step(before: &[f64], own: &[f64], links: &[f64], back: &mut [u32]) -> Vec<f64> {
    let levels = own.len();
    let mut best = vec![f64::INFINITY; levels];
    let (mut least, mut place) = (f64::INFINITY, 0);
    for b in 0..levels {
        if before[b] - links[b] < least {
            (least, place) = (before[b] - links[b], b);
        }
        (best[b], back[b]) = (least + links[b], place as u32);
    }
    (least, place) = (f64::INFINITY, 0);
    for b in (0..levels).rev() {
        if before[b] + links[b] < least {
            (least, place) = (before[b] + links[b], b);
        }
        if least - links[b] < best[b] {
            (best[b], back[b]) = (least - links[b], place as u32);
        }
    }
    best.iter_mut().zip(own).for_each(|(b, own)| *b += own);
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn energy(links: &BorderLinks, gain: &[f32], border: &[usize]) -> f64 {
        let gained: f32 = (0..links.width)
            .flat_map(|x| (0..border[x]).map(move |y| (x, y)))
            .map(|(x, y)| gain[y * links.width + x])
            .sum();
        links.cut_by(border) - f64::from(gained)
    }

    /// Every border of small random grids is tried; the one found must be the cheapest.
    #[test]
    fn no_border_is_cheaper() {
        let (width, height) = (4, 4);
        let mut random = nightloom_fit::Random::new(7);
        let mut roll = |low: f64, high: f64| -> Vec<f32> {
            (0..width * height)
                .map(|_| ((low + (high - low) * random.uniform()) * 8.0).round() as f32 / 8.0)
                .collect()
        };
        for _ in 0..200 {
            let gain = roll(-3.0, 3.0);
            let links = BorderLinks {
                width,
                height,
                above: roll(0.0, 3.0),
                right: roll(0.0, 3.0),
            };
            let found = energy(&links, &gain, &links.cheapest(&gain));
            let all = (0..5usize.pow(4)).map(|k| [k % 5, k / 5 % 5, k / 25 % 5, k / 125]);
            let least = all
                .map(|b| energy(&links, &gain, &b))
                .fold(f64::INFINITY, f64::min);
            assert_eq!(found, least);
        }
    }
}
