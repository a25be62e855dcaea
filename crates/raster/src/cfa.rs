//! Which colour each pixel of a sensor sees.

/// Most pixels on a side of a cell.
const MOST: usize = 6;

/// The colour of each filter in the cell whose first pixel is (0, 0) of the plane, row by row: 0 red, 1 green, 2 blue.
///
/// A cell has one pixel (a sensor without filters, all counted green), 2 × 2 (Bayer) or 6 × 6 (X-Trans).
#[derive(Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(try_from = "Vec<u8>", into = "Vec<u8>")]
pub struct Cfa {
    side: u8,
    filters: [u8; MOST * MOST],
}

impl Cfa {
    /// Red first.
    pub const RGGB: Self = Self::bayer([0, 1, 1, 2]);
    /// Blue first.
    pub const BGGR: Self = Self::bayer([2, 1, 1, 0]);
    /// Green first, red beside it.
    pub const GRBG: Self = Self::bayer([1, 0, 2, 1]);
    /// Green first, blue beside it.
    pub const GBRG: Self = Self::bayer([1, 2, 0, 1]);
    /// No filters: every pixel sees all light.
    pub const NONE: Self = Self {
        side: 1,
        filters: [1; MOST * MOST],
    };
    /// The 6 × 6 cell of X-Trans sensors in one of its phases: twenty greens, and red and blue in every row and column.
    pub const X_TRANS: Self = Self {
        side: 6,
        filters: [
            1, 2, 1, 1, 0, 1, //
            0, 1, 0, 2, 1, 2, //
            1, 2, 1, 1, 0, 1, //
            1, 0, 1, 1, 2, 1, //
            2, 1, 2, 0, 1, 0, //
            1, 0, 1, 1, 2, 1,
        ],
    };

    /// A cell of 2 × 2.
    pub const fn bayer(cell: [u8; 4]) -> Self {
        let mut filters = [1; MOST * MOST];
        let mut i = 0;
        while i < 4 {
            filters[i] = cell[i];
            i += 1;
        }
        Self { side: 2, filters }
    }

    /// A cell of `side` × `side` pixels; `None` unless the side is 1, 2 or 6 and every filter is red, green or blue.
    pub fn new(side: usize, filter: impl Fn(usize, usize) -> usize) -> Option<Self> {
        let mut cell = Self {
            side: u8::try_from(side).ok().filter(|s| [1, 2, 6].contains(s))?,
            filters: [1; MOST * MOST],
        };
        for i in 0..side * side {
            let colour = filter(i % side, i / side);
            cell.filters[i] = u8::try_from(colour).ok().filter(|c| *c < 3)?;
        }
        Some(cell)
    }

    /// Pixels on a side of the cell.
    #[inline]
    pub fn side(self) -> usize {
        self.side.into()
    }

    /// The cell, row by row.
    pub fn cell(&self) -> &[u8] {
        &self.filters[..self.side() * self.side()]
    }

    /// The filter over pixel (x, y): 0 red, 1 green, 2 blue.
    #[inline]
    pub fn colour(self, x: usize, y: usize) -> usize {
        let place = match self.side {
            2 => (y & 1) * 2 + (x & 1),
            1 => 0,
            _ => y % MOST * MOST + x % MOST,
        };
        self.filters[place].into()
    }

    /// Two greens on one diagonal, a red and a blue on the other.
    pub fn is_bayer(self) -> bool {
        [Self::RGGB, Self::BGGR, Self::GRBG, Self::GBRG].contains(&self)
    }

    /// The cell that starts at (`dx`, `dy`).
    #[must_use]
    pub fn moved(self, dx: usize, dy: usize) -> Self {
        Self::new(self.side(), |x, y| self.colour(x + dx, y + dy)).unwrap_or(self)
    }
}

impl std::fmt::Debug for Cfa {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (i, c) in self.cell().iter().enumerate() {
            if i > 0 && i % self.side() == 0 {
                f.write_str("/")?;
            }
            f.write_str(["R", "G", "B"][usize::from(*c)])?;
        }
        Ok(())
    }
}

impl From<Cfa> for Vec<u8> {
    fn from(cfa: Cfa) -> Self {
        cfa.cell().to_vec()
    }
}

impl TryFrom<Vec<u8>> for Cfa {
    type Error = String;
    fn try_from(cell: Vec<u8>) -> Result<Self, String> {
        let side = cell.len().isqrt();
        let whole = side * side == cell.len();
        whole
            .then(|| Self::new(side, |x, y| cell[y * side + x].into()))
            .flatten()
            .ok_or_else(|| {
                format!("{cell:?} is no cell of 1, 4 or 36 filters of red (0), green (1) and blue (2)")
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_comes_back_from_its_list_and_nonsense_does_not() {
        for cfa in [Cfa::GRBG, Cfa::NONE, Cfa::X_TRANS, Cfa::X_TRANS.moved(4, 1)] {
            let list = Vec::from(cfa);
            assert_eq!(Cfa::try_from(list), Ok(cfa));
        }
        assert!(Cfa::try_from(vec![0, 1, 1]).is_err());
        assert!(Cfa::try_from(vec![0, 1, 1, 3]).is_err());
        assert!(Cfa::try_from(vec![1; 16]).is_err());
    }

    /// What the maker tells of the pattern: 20 of 36 are green, every row and column has all colours.
    #[test]
    fn the_six_by_six_cell_has_every_colour_in_every_row_and_column() {
        let cfa = Cfa::X_TRANS;
        assert_eq!(cfa.cell().iter().filter(|c| **c == 1).count(), 20);
        for i in 0..6 {
            for colour in 0..3 {
                assert!(
                    (0..6).any(|x| cfa.colour(x, i) == colour) && (0..6).any(|y| cfa.colour(i, y) == colour)
                );
            }
        }
    }
}
