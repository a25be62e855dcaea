//! The eight orientations of EXIF (EXIF 2.31, 4.6.4 A, tag 274), as walks over the stored pixels.

use crate::{Cfa, Mosaic, Plane};

/// How to walk the stored pixels so that the picture comes out upright.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Walk {
    /// Upright size.
    pub(crate) width: usize,
    /// Upright size.
    pub(crate) height: usize,
    stored_width: usize,
    start: (usize, usize),
    across: (isize, isize),
    down: (isize, isize),
}

impl Walk {
    /// The walk for a stored picture of this size; an orientation outside 1 to 8 counts as 1.
    pub(crate) fn new(width: usize, height: usize, orientation: u8) -> Self {
        let (right, bottom) = (width.saturating_sub(1), height.saturating_sub(1));
        let (start, across, down) = match orientation {
            2 => ((right, 0), (-1, 0), (0, 1)),
            3 => ((right, bottom), (-1, 0), (0, -1)),
            4 => ((0, bottom), (1, 0), (0, -1)),
            5 => ((0, 0), (0, 1), (1, 0)),
            6 => ((0, bottom), (0, -1), (1, 0)),
            7 => ((right, bottom), (0, -1), (-1, 0)),
            8 => ((right, 0), (0, 1), (-1, 0)),
            _ => ((0, 0), (1, 0), (0, 1)),
        };
        let (w, h) = if (5..=8).contains(&orientation) {
            (height, width)
        } else {
            (width, height)
        };
        Self {
            width: w,
            height: h,
            stored_width: width,
            start,
            across,
            down,
        }
    }

    fn signed(&self, x: usize, y: usize) -> (isize, isize) {
        let at = |start: usize, a: isize, d: isize| start as isize + a * x as isize + d * y as isize;
        (
            at(self.start.0, self.across.0, self.down.0),
            at(self.start.1, self.across.1, self.down.1),
        )
    }

    /// The stored pixel that stands at (x, y) of the upright picture.
    pub(crate) fn stored(&self, x: usize, y: usize) -> (usize, usize) {
        let (x, y) = self.signed(x, y);
        (x as usize, y as usize)
    }

    /// Its place in a stored filter cell of so many pixels on a side; also asked just outside narrow pictures.
    pub(crate) fn stored_place(&self, x: usize, y: usize, side: usize) -> (usize, usize) {
        let (x, y) = self.signed(x, y);
        let side = side as isize;
        (x.rem_euclid(side) as usize, y.rem_euclid(side) as usize)
    }

    /// The index of the first stored pixel of upright row `y`, and the step to its neighbour.
    pub(crate) fn row(&self, y: usize) -> (usize, isize) {
        let (x0, y0) = self.stored(0, y);
        (
            y0 * self.stored_width + x0,
            self.across.0 + self.across.1 * self.stored_width as isize,
        )
    }

    /// The filters of the upright picture.
    pub(crate) fn cfa(&self, stored: Cfa) -> Cfa {
        let at = |x, y| {
            let (sx, sy) = self.stored_place(x, y, stored.side());
            stored.colour(sx, sy)
        };
        Cfa::new(stored.side(), at).unwrap_or(stored)
    }

    /// The stored filters of a picture whose upright ones are known.
    pub(crate) fn cfa_backwards(&self, upright: Cfa) -> Cfa {
        let side = upright.side();
        let at = |sx, sy| {
            let places = (0..side * side).map(|i| (i % side, i / side));
            let mut own = places.filter(|&(x, y)| self.stored_place(x, y, side) == (sx, sy));
            own.next().map_or(1, |(x, y)| upright.colour(x, y))
        };
        Cfa::new(side, at).unwrap_or(upright)
    }
}

impl Plane {
    /// A stored plane as it stands upright under an EXIF orientation.
    #[must_use]
    pub fn turned(&self, orientation: u8) -> Self {
        let walk = Walk::new(self.width(), self.height(), orientation);
        let mut out = Self::filled(walk.width, walk.height, 0.0);
        for y in 0..walk.height {
            let (first, step) = walk.row(y);
            for (x, v) in out.row_mut(y).iter_mut().enumerate() {
                *v = self.data()[(first as isize + step * x as isize) as usize];
            }
        }
        out
    }
}

impl Mosaic {
    /// A stored mosaic as it stands upright under an EXIF orientation.
    #[must_use]
    pub fn turned(&self, orientation: u8) -> Self {
        let walk = Walk::new(self.plane.width(), self.plane.height(), orientation);
        Self {
            plane: self.plane.turned(orientation),
            cfa: walk.cfa(self.cfa),
        }
    }

    /// An upright mosaic as its file stores it: as the sensor lies.
    #[must_use]
    pub fn turned_back(&self, orientation: u8) -> Self {
        // Quarter turns undo each other, all others themselves.
        self.turned(match orientation {
            6 => 8,
            8 => 6,
            other => other,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_turned_back_lies_as_it_was_stored() {
        for cfa in [Cfa::GRBG, Cfa::X_TRANS.moved(1, 2), Cfa::NONE] {
            let plane = Plane::from_fn(13, 8, |x, y| (y * 13 + x) as f32);
            let stored = Mosaic { plane, cfa };
            for orientation in 1..=8 {
                let upright = stored.turned(orientation);
                assert_eq!(upright.turned_back(orientation), stored, "{cfa:?}, {orientation}");
                // A pixel keeps its filter.
                for (x, y) in
                    (0..upright.plane.height()).flat_map(|y| (0..upright.plane.width()).map(move |x| (x, y)))
                {
                    let at = upright.plane.at(x, y) as usize;
                    assert_eq!(upright.cfa.colour(x, y), cfa.colour(at % 13, at / 13));
                }
            }
        }
    }

    /// EXIF 2.31, tag 274: which stored corner (row 0th, column 0th) stands where.
    #[test]
    fn the_zeroth_row_and_column_stand_where_exif_says() {
        // Upright position of stored (0,0) and the side on which stored row 0 lies.
        let corners = [
            (1, (0, 0)),
            (2, (2, 0)),
            (3, (2, 1)),
            (4, (0, 1)),
            (5, (0, 0)),
            (6, (1, 0)),
            (7, (1, 2)),
            (8, (0, 2)),
        ];
        for (orientation, corner) in corners {
            let walk = Walk::new(3, 2, orientation);
            assert_eq!(
                walk.stored(corner.0, corner.1),
                (0, 0),
                "orientation {orientation}"
            );
            let (first, step) = walk.row(0);
            let (x, y) = walk.stored(1, 0);
            assert_eq!(
                first as isize + step,
                (y * 3 + x) as isize,
                "orientation {orientation}"
            );
        }
    }
}
