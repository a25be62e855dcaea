//! What the photographer brushed over the land picture: here is land, here is sky.

/// One side of the edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Side {
    /// Land: the matte is 0.
    Land,
    /// Sky: the matte is 1.
    Sky,
}

impl Side {
    /// Alpha of this side.
    pub fn alpha(self) -> f32 {
        match self {
            Self::Land => 0.0,
            Self::Sky => 1.0,
        }
    }
}

/// One pull of the brush, in pixels of the canvas; the middle of the first pixel is (0, 0).
#[derive(Clone, Debug, PartialEq)]
pub struct Stroke {
    /// What it says.
    pub side: Side,
    /// Half its width, pixels.
    pub radius_px: f32,
    /// Where the brush went, joined by straight lines; a single point is a dab.
    pub points: Vec<[f32; 2]>,
}

/// A rectangle of pixels or cells: from (x0, y0) up to but without (x1, y1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct Span {
    pub(crate) x0: usize,
    pub(crate) y0: usize,
    pub(crate) x1: usize,
    pub(crate) y1: usize,
}

impl Span {
    pub(crate) fn width(&self) -> usize {
        self.x1 - self.x0
    }
    pub(crate) fn height(&self) -> usize {
        self.y1 - self.y0
    }
    pub(crate) fn holds(&self, x: usize, y: usize) -> bool {
        (self.x0..self.x1).contains(&x) && (self.y0..self.y1).contains(&y)
    }
    pub(crate) fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }
    pub(crate) fn with(self, other: Self) -> Self {
        Self {
            x0: self.x0.min(other.x0),
            y0: self.y0.min(other.y0),
            x1: self.x1.max(other.x1),
            y1: self.y1.max(other.y1),
        }
    }
    /// Grown by `by` on all sides, within a size.
    pub(crate) fn grown(self, by: usize, [width, height]: [usize; 2]) -> Self {
        Self {
            x0: self.x0.saturating_sub(by),
            y0: self.y0.saturating_sub(by),
            x1: (self.x1 + by).min(width),
            y1: (self.y1 + by).min(height),
        }
    }
}

impl Stroke {
    /// The pixels it can touch; `None` if it lies outside or has no point.
    pub(crate) fn span(&self, [width, height]: [usize; 2]) -> Option<Span> {
        let reach = |low: f32, high: f32, end: usize| {
            let from = (low - self.radius_px).ceil().max(0.0) as usize;
            let to = ((high + self.radius_px).floor() + 1.0).clamp(0.0, end as f32) as usize;
            (from < to).then_some((from, to))
        };
        let over = |axis: usize| {
            let values = self.points.iter().map(|p| p[axis]);
            values.fold((f32::INFINITY, f32::NEG_INFINITY), |(l, h), v| {
                (l.min(v), h.max(v))
            })
        };
        let ((left, right), (top, bottom)) = (over(0), over(1));
        let (x0, x1) = reach(left, right, width)?;
        let (y0, y1) = reach(top, bottom, height)?;
        Some(Span { x0, y0, x1, y1 })
    }
}

/// Which pixels of a rectangle were brushed; where strokes cross, the later one holds.
#[derive(Clone, Debug)]
pub(crate) struct Painted {
    span: Span,
    marks: Vec<u8>,
}

const LAND: u8 = 1;
const SKY: u8 = 2;

impl Painted {
    pub(crate) fn over<'a>(strokes: impl IntoIterator<Item = &'a Stroke>, span: Span) -> Self {
        let mut painted = Self {
            span,
            marks: vec![0; span.width() * span.height()],
        };
        for stroke in strokes {
            let mark = if stroke.side == Side::Land { LAND } else { SKY };
            for pair in stroke.points.windows(2) {
                painted.line(pair[0], pair[1], stroke.radius_px, mark);
            }
            if let [dab] = stroke.points[..] {
                painted.line(dab, dab, stroke.radius_px, mark);
            }
        }
        painted
    }

    /// What was said of a pixel of the canvas.
    #[inline]
    pub(crate) fn at(&self, x: usize, y: usize) -> Option<Side> {
        if !self.span.holds(x, y) {
            return None;
        }
        match self.marks[(y - self.span.y0) * self.span.width() + x - self.span.x0] {
            LAND => Some(Side::Land),
            SKY => Some(Side::Sky),
            _ => None,
        }
    }

    /// The same marks, counted from the rectangle's own first pixel.
    pub(crate) fn moved_to_origin(self) -> Self {
        let span = Span {
            x0: 0,
            y0: 0,
            x1: self.span.width(),
            y1: self.span.height(),
        };
        Self { span, ..self }
    }

    fn line(&mut self, a: [f32; 2], b: [f32; 2], radius: f32, mark: u8) {
        let stroke = Stroke {
            side: Side::Land,
            radius_px: radius,
            points: vec![a, b],
        };
        let Some(near) = stroke.span([self.span.x1, self.span.y1]) else {
            return;
        };
        let d = [b[0] - a[0], b[1] - a[1]];
        let long = (d[0] * d[0] + d[1] * d[1]).max(1e-12);
        for y in near.y0.max(self.span.y0)..near.y1 {
            for x in near.x0.max(self.span.x0)..near.x1 {
                let q = [x as f32 - a[0], y as f32 - a[1]];
                let t = ((q[0] * d[0] + q[1] * d[1]) / long).clamp(0.0, 1.0);
                let away = [q[0] - t * d[0], q[1] - t * d[1]];
                if away[0] * away[0] + away[1] * away[1] <= radius * radius {
                    self.marks[(y - self.span.y0) * self.span.width() + x - self.span.x0] = mark;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: Span = Span {
        x0: 0,
        y0: 0,
        x1: 60,
        y1: 40,
    };

    fn stroke(side: Side, radius_px: f32, points: &[[f32; 2]]) -> Stroke {
        Stroke {
            side,
            radius_px,
            points: points.to_vec(),
        }
    }

    #[test]
    fn a_dab_covers_its_disc() {
        let dab = stroke(Side::Land, 10.0, &[[30.0, 20.0]]);
        let painted = Painted::over([&dab], ALL);
        let count = (0..40)
            .flat_map(|y| (0..60).map(move |x| (x, y)))
            .filter(|&(x, y)| painted.at(x, y) == Some(Side::Land))
            .count();
        // Gauss's circle problem, radius 10: 317 lattice points (OEIS A000328).
        assert_eq!(count, 317);
    }

    #[test]
    fn the_later_stroke_holds_and_a_window_sees_the_same() {
        let strokes = [
            stroke(Side::Land, 4.0, &[[5.0, 20.0], [55.0, 20.0]]),
            stroke(Side::Sky, 3.0, &[[30.0, 5.0], [30.0, 35.0]]),
        ];
        let painted = Painted::over(&strokes, ALL);
        assert_eq!(painted.at(30, 20), Some(Side::Sky));
        assert_eq!(painted.at(10, 22), Some(Side::Land));
        assert_eq!(painted.at(10, 30), None);
        let window = Span {
            x0: 21,
            y0: 11,
            x1: 39,
            y1: 29,
        };
        let part = Painted::over(&strokes, window);
        for (x, y) in (11..29).flat_map(|y| (21..39).map(move |x| (x, y))) {
            assert_eq!(part.at(x, y), painted.at(x, y), "({x}, {y})");
        }
    }

    #[test]
    fn a_stroke_outside_touches_nothing() {
        let away = stroke(Side::Sky, 5.0, &[[-20.0, 10.0], [-9.0, 900.0]]);
        assert_eq!(away.span([60, 40]), None);
        assert_eq!(stroke(Side::Sky, 5.0, &[]).span([60, 40]), None);
        assert_eq!(Painted::over([&away], ALL).at(0, 10), None);
    }
}
