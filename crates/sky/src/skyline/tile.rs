//! One grid of heights.

use super::ellipsoid::Place;
use super::utm::Utm;
use super::voids;

/// No land stands outside these heights above the sea, metres; a post there is a void.
const LAND_M: std::ops::RangeInclusive<f32> = -500.0..=9000.0;
/// A place this near to a grid's edge counts as on it, cells.
const ON_EDGE: f64 = 1e-6;
/// What a pixel covers beyond its centre, cells, with room for rounding.
pub(super) const HALF_A_CELL: f64 = 0.501;
/// Degrees of latitude to metres, for comparing grids.
const METRES_PER_DEGREE: f64 = 111_195.0;

/// What a grid's own coordinates are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Frame {
    /// Longitude and latitude, degrees.
    Geographic,
    /// Easting and northing, metres.
    Utm(Utm),
}

/// Where the posts of a grid stand: x = x0 + column·dx.0 + row·dy.0, and y likewise. A rotated grid
/// has all four steps.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Layout {
    pub(super) frame: Frame,
    pub(super) origin: (f64, f64),
    pub(super) per_column: (f64, f64),
    pub(super) per_row: (f64, f64),
}

impl Layout {
    fn determinant(&self) -> f64 {
        self.per_column.0 * self.per_row.1 - self.per_column.1 * self.per_row.0
    }

    /// Whether every post stands somewhere and no two at one place.
    pub(super) fn is_possible(&self) -> bool {
        let all = [self.origin, self.per_column, self.per_row];
        all.iter().all(|p| p.0.is_finite() && p.1.is_finite()) && self.determinant().abs() > 1e-30
    }

    fn post(&self, column: f64, row: f64) -> (f64, f64) {
        (
            self.origin.0 + column * self.per_column.0 + row * self.per_row.0,
            self.origin.1 + column * self.per_column.1 + row * self.per_row.1,
        )
    }
}

/// A grid of heights above the sea, read from one file.
#[derive(Clone, Debug)]
pub struct Tile {
    name: String,
    width: usize,
    height: usize,
    /// With a border of one post on every side, which [`super::Terrain`] fills from the
    /// neighbours. NaN where nothing is known.
    posts: Vec<f32>,
    layout: Layout,
    middle_lon_deg: f64,
    filled: usize,
    voids: usize,
}

impl Tile {
    /// From posts in rows (NaN for a void), at least 2 × 2. Small voids are filled.
    pub(super) fn new(name: &str, width: usize, height: usize, mut posts: Vec<f32>, layout: Layout) -> Self {
        for post in &mut posts {
            if !LAND_M.contains(post) {
                *post = f32::NAN;
            }
        }
        let (filled, voids) = voids::fill(&mut posts, width, height);
        let across = width + 2;
        let mut bordered = vec![f32::NAN; across * (height + 2)];
        for (row, source) in posts.chunks_exact(width).enumerate() {
            let start = (row + 1) * across + 1;
            bordered[start..start + width].copy_from_slice(source);
        }
        let middle = layout.post((width - 1) as f64 / 2.0, (height - 1) as f64 / 2.0);
        Self {
            name: name.to_owned(),
            width,
            height,
            posts: bordered,
            layout,
            middle_lon_deg: match layout.frame {
                Frame::Geographic => middle.0,
                Frame::Utm(utm) => utm.inverse(middle.0, middle.1).1,
            },
            filled,
            voids,
        }
    }

    /// The file it was read from, as it was named.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Columns and rows.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// How many voids were filled from the posts around them, and how many posts are void still.
    pub fn voids(&self) -> (usize, usize) {
        (self.filled, self.voids)
    }

    /// Distance between posts from north to south, metres, roughly.
    pub fn spacing_m(&self) -> f64 {
        let step = self.layout.per_row.0.hypot(self.layout.per_row.1);
        match self.layout.frame {
            Frame::Geographic => step * METRES_PER_DEGREE,
            Frame::Utm(_) => step,
        }
    }

    /// Height in metres above the sea, bilinear between four posts; `None` outside the posts, or
    /// where one of the four is void. Latitude and longitude in degrees.
    pub fn height_m(&self, lat_deg: f64, lon_deg: f64) -> Option<f64> {
        let (column, row) = self.grid(Place { lat_deg, lon_deg });
        let clamped = self.clamped(column, row, ON_EDGE)?;
        Some(self.bilinear(clamped.0, clamped.1)).filter(|h| !h.is_nan())
    }

    /// Column and row of a place.
    pub(super) fn grid(&self, place: Place) -> (f64, f64) {
        let (x, y) = match self.layout.frame {
            Frame::Geographic => {
                let turn = place.lon_deg - self.middle_lon_deg;
                let near = (turn + 180.0).rem_euclid(360.0) - 180.0;
                (self.middle_lon_deg + near, place.lat_deg)
            }
            Frame::Utm(utm) => utm.grid(place),
        };
        let (x, y) = (x - self.layout.origin.0, y - self.layout.origin.1);
        let (c, r) = (self.layout.per_column, self.layout.per_row);
        let determinant = self.layout.determinant();
        (
            (x * r.1 - y * r.0) / determinant,
            (y * c.0 - x * c.1) / determinant,
        )
    }

    fn place(&self, column: f64, row: f64) -> Place {
        let (x, y) = self.layout.post(column, row);
        let (lat_deg, lon_deg) = match self.layout.frame {
            Frame::Geographic => (y, x),
            Frame::Utm(utm) => utm.inverse(x, y),
        };
        Place { lat_deg, lon_deg }
    }

    /// The nearest place on the posts, if it is no farther than `slack` cells outside them.
    fn clamped(&self, column: f64, row: f64, slack: f64) -> Option<(f64, f64)> {
        let (right, bottom) = ((self.width - 1) as f64, (self.height - 1) as f64);
        let inside = |v: f64, end: f64| v >= -slack && v <= end + slack;
        (inside(column, right) && inside(row, bottom))
            .then(|| (column.clamp(0.0, right), row.clamp(0.0, bottom)))
    }

    /// Whether a place stands among the posts.
    pub(super) fn owns(&self, place: Place) -> bool {
        let (column, row) = self.grid(place);
        self.clamped(column, row, ON_EDGE).is_some()
    }

    /// Whether a place stands among the posts or in the border cells next to them.
    pub(super) fn reaches(&self, column: f64, row: f64) -> bool {
        let (columns, rows) = self.reach();
        columns.contains(&column) && rows.contains(&row)
    }

    /// Columns and rows that [`Tile::bilinear`] answers for, the border with it.
    pub(super) fn reach(&self) -> (std::ops::RangeInclusive<f64>, std::ops::RangeInclusive<f64>) {
        (-1.0..=self.width as f64, -1.0..=self.height as f64)
    }

    /// Height at a column and row within [`Tile::reach`]; NaN where one of the four posts is void.
    pub(super) fn bilinear(&self, column: f64, row: f64) -> f64 {
        // From the border's first post; the last cell serves its far edge too.
        let (u, v) = (column + 1.0, row + 1.0);
        let (left, top) = ((u as usize).min(self.width), (v as usize).min(self.height));
        let height = self.in_cell(left, top, u, v);
        if height.is_nan() {
            self.on_line(left, top, u, v)
        } else {
            height
        }
    }

    fn in_cell(&self, left: usize, top: usize, u: f64, v: f64) -> f64 {
        let across = self.width + 2;
        let (fu, fv) = (u - left as f64, v - top as f64);
        let at = top * across + left;
        let post = |n: usize| f64::from(self.posts[n]);
        let upper = post(at) + (post(at + 1) - post(at)) * fu;
        let lower = post(at + across) + (post(at + across + 1) - post(at + across)) * fu;
        upper + (lower - upper) * fv
    }

    /// On a grid line the cell on its other side serves as well.
    fn on_line(&self, left: usize, top: usize, u: f64, v: f64) -> f64 {
        let other = |cell: usize, place: f64, most: usize| {
            let part = place - cell as f64;
            match part {
                p if p < ON_EDGE => cell.saturating_sub(1),
                p if p > 1.0 - ON_EDGE => (cell + 1).min(most),
                _ => cell,
            }
        };
        let (beside, below) = (other(left, u, self.width), other(top, v, self.height));
        let cells = [(beside, top), (left, below), (beside, below)];
        let heights = cells.into_iter().map(|(l, t)| self.in_cell(l, t, u, v));
        heights.into_iter().find(|h| !h.is_nan()).unwrap_or(f64::NAN)
    }

    /// The border's posts: index, and place.
    pub(super) fn border(&self) -> Vec<(usize, Place)> {
        let (across, down) = (self.width + 2, self.height + 2);
        let top_and_bottom = (0..across).flat_map(|c| [(c, 0), (c, down - 1)]);
        let sides = (1..down - 1).flat_map(|r| [(0, r), (across - 1, r)]);
        let place = |c: usize, r: usize| self.place(c as f64 - 1.0, r as f64 - 1.0);
        top_and_bottom
            .chain(sides)
            .map(|(c, r)| (r * across + c, place(c, r)))
            .collect()
    }

    /// Height for a neighbour's border, from places up to `slack` cells outside the posts.
    pub(super) fn lend(&self, place: Place, slack: f64) -> Option<f32> {
        let (column, row) = self.grid(place);
        let (column, row) = self.clamped(column, row, slack)?;
        Some(self.bilinear(column, row) as f32).filter(|h| !h.is_nan())
    }

    pub(super) fn set_border(&mut self, border: &[(usize, f32)]) {
        for &(at, height) in border {
            self.posts[at] = height;
        }
    }
}
