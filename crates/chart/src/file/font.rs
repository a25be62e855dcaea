//! The embedded font: Roboto, regular and bold.

use ttf_parser::{GlyphId, OutlineBuilder};

use super::outline::Segment;

const REGULAR: &[u8] = include_bytes!("../../data/roboto-regular.ttf");
const BOLD: &[u8] = include_bytes!("../../data/roboto-bold.ttf");

/// One weight of it.
pub(super) struct Font {
    face: ttf_parser::Face<'static>,
    /// The file.
    pub(super) bytes: &'static [u8],
}

/// A letter as it is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Glyph {
    pub(super) id: u16,
    /// What it stands for.
    pub(super) letter: char,
    /// Whether the font has it; a box if not.
    pub(super) known: bool,
    /// Its width, in the font's units.
    pub(super) advance: f64,
}

impl Font {
    /// The weight; none if the file were damaged, which a test excludes.
    pub(super) fn of(bold: bool) -> Option<Self> {
        let bytes = if bold { BOLD } else { REGULAR };
        let face = ttf_parser::Face::parse(bytes, 0).ok()?;
        Some(Self { face, bytes })
    }

    /// The font's units in one em.
    pub(super) fn units(&self) -> f64 {
        f64::from(self.face.units_per_em())
    }

    /// Words set in a row, without kerning.
    pub(super) fn set(&self, words: &str) -> Vec<Glyph> {
        let one = |letter: char| {
            let found = self.face.glyph_index(letter);
            let id = found.unwrap_or(GlyphId(0));
            Glyph {
                id: id.0,
                letter,
                known: found.is_some(),
                advance: f64::from(self.face.glyph_hor_advance(id).unwrap_or(0)),
            }
        };
        words.chars().map(one).collect()
    }

    /// A glyph's outline with its origin at a place, y down.
    pub(super) fn outline(&self, id: u16, [x, y]: [f64; 2], size: f64, into: &mut Vec<Segment>) {
        let mut pen = Pen {
            x,
            y,
            scale: size / self.units(),
            into,
        };
        // A space has no outline.
        let _ = self.face.outline_glyph(GlyphId(id), &mut pen);
    }

    /// Left, foot, right and top of all glyphs, thousandths of an em, y up.
    pub(super) fn bounds(&self) -> [f64; 4] {
        let b = self.face.global_bounding_box();
        [b.x_min, b.y_min, b.x_max, b.y_max].map(|v| self.thousandths(f64::from(v)))
    }

    /// Ascent, descent and height of capitals, thousandths of an em.
    pub(super) fn heights(&self) -> [f64; 3] {
        let face = &self.face;
        let capitals = face.capital_height().unwrap_or(face.ascender());
        [face.ascender(), face.descender(), capitals].map(|v| self.thousandths(f64::from(v)))
    }

    pub(super) fn thousandths(&self, units: f64) -> f64 {
        units * 1000.0 / self.units()
    }
}

struct Pen<'a> {
    x: f64,
    y: f64,
    scale: f64,
    into: &'a mut Vec<Segment>,
}

impl Pen<'_> {
    fn at(&self, x: f32, y: f32) -> [f64; 2] {
        [
            self.x + f64::from(x) * self.scale,
            self.y - f64::from(y) * self.scale,
        ]
    }
}

impl OutlineBuilder for Pen<'_> {
    fn move_to(&mut self, x: f32, y: f32) {
        self.into.push(Segment::Move(self.at(x, y)));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.into.push(Segment::Line(self.at(x, y)));
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        // A quadratic curve as a cubic one: its handles lie two thirds of the way to the one control point.
        let (control, end) = (self.at(x1, y1), self.at(x, y));
        let start = self.into.last().and_then(Segment::end).unwrap_or(control);
        let towards = |from: [f64; 2]| [0, 1].map(|k| from[k] + (control[k] - from[k]) * 2.0 / 3.0);
        self.into
            .push(Segment::Curve([towards(start), towards(end), end]));
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let points = [self.at(x1, y1), self.at(x2, y2), self.at(x, y)];
        self.into.push(Segment::Curve(points));
    }

    fn close(&mut self) {
        self.into.push(Segment::Close);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Roboto 2.138: 2048 units to the em; a regular A is 1336 wide, a digit 1151, by its hmtx table as fontTools prints it.
    #[test]
    fn widths_are_the_fonts() {
        let font = Font::of(false).expect("whole");
        assert_eq!(font.units(), 2048.0);
        let widths: Vec<f64> = font.set("A17").iter().map(|g| g.advance).collect();
        assert_eq!(widths, [1336.0, 1151.0, 1151.0]);
    }

    #[test]
    fn what_charts_and_names_are_written_with_is_there() {
        for bold in [false, true] {
            let font = Font::of(bold).expect("whole");
            let words = "−′″×±–—’“”°·²µ≤≥ζαω ĂșțđłőěŽЖяĐẵ \u{301}";
            let lacking: String = font
                .set(words)
                .iter()
                .filter(|g| !g.known)
                .map(|g| g.letter)
                .collect();
            assert_eq!(lacking, "");
            assert!(!font.set("山")[0].known);
        }
    }
}
