//! Small voids in a grid of heights.

/// The farthest post that a void is filled from. Ten posts are 300 m at one arc-second and 900 m at
/// three; across wider voids a ridge could stand that nobody measured.
const REACH: usize = 10;

/// Half of the eight directions; the other half is opposite.
const DIRECTIONS: [(isize, isize); 4] = [(1, 0), (0, 1), (1, 1), (1, -1)];

/// Fills voids (NaN) that have measured posts on both sides in some direction, by straight lines
/// between those, weighted by the inverse of the line's length. Nothing is continued past measured posts.
///
/// Returns how many were filled and how many are left.
pub(super) fn fill(posts: &mut [f32], width: usize, height: usize) -> (usize, usize) {
    let grid = Grid { posts, width, height };
    let voids: Vec<usize> = (0..posts.len()).filter(|n| posts[*n].is_nan()).collect();
    let found: Vec<(usize, f32)> = voids
        .iter()
        .filter_map(|&n| Some((n, grid.bridged(n % width, n / width)?)))
        .collect();
    let filled = found.len();
    for (n, height) in found {
        posts[n] = height;
    }
    (filled, voids.len() - filled)
}

struct Grid<'a> {
    posts: &'a [f32],
    width: usize,
    height: usize,
}

impl Grid<'_> {
    fn bridged(&self, column: usize, row: usize) -> Option<f32> {
        let (mut sum, mut weights) = (0.0, 0.0);
        for (dc, dr) in DIRECTIONS {
            let ahead = self.measured(column, row, dc, dr);
            let behind = self.measured(column, row, -dc, -dr);
            if let (Some((a, to_a)), Some((b, to_b))) = (ahead, behind) {
                let weight = 1.0 / ((to_a + to_b) * (dc as f64).hypot(dr as f64));
                sum += weight * (a * to_b + b * to_a) / (to_a + to_b);
                weights += weight;
            }
        }
        (weights > 0.0).then(|| (sum / weights) as f32)
    }

    /// The nearest measured post in a direction: its height, and how many posts away.
    fn measured(&self, column: usize, row: usize, dc: isize, dr: isize) -> Option<(f64, f64)> {
        (1..=REACH).find_map(|n| {
            let c = column.checked_add_signed(dc * n as isize)?;
            let r = row.checked_add_signed(dr * n as isize)?;
            let inside = c < self.width && r < self.height;
            let post = if inside {
                self.posts[r * self.width + c]
            } else {
                f32::NAN
            };
            (!post.is_nan()).then_some((f64::from(post), n as f64))
        })
    }
}
