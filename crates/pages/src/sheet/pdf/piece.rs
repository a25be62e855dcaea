//! Something to stand on paper that no page break may cut: its marks, from its upper left corner downwards.

use super::font::{Face, encode, wrap};

/// Height of a line against the size of its letters.
const LEADING: f32 = 1.26;
/// How far the letters' foot stands under the line's top, against their size.
const FOOT: f32 = 0.95;

/// Letters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Style {
    pub(super) face: Face,
    pub(super) size: f32,
    /// 0 black to 1 white.
    pub(super) grey: f32,
}

impl Style {
    pub(super) fn line(&self) -> f32 {
        self.size * LEADING
    }
}

/// One mark, in points right and down from the piece's corner.
#[derive(Clone, Debug)]
pub(super) enum Mark {
    Text {
        at: [f32; 2],
        style: Style,
        text: Vec<u8>,
    },
    Square {
        at: [f32; 2],
        side: f32,
    },
    Line {
        from: [f32; 2],
        to: [f32; 2],
        width: f32,
        grey: f32,
    },
    Circle {
        centre: [f32; 2],
        radius: f32,
        filled: bool,
    },
}

/// Marks that stay together.
#[derive(Clone, Debug, Default)]
pub(super) struct Piece {
    pub(super) height: f32,
    pub(super) marks: Vec<Mark>,
    /// Whether letters were lost.
    pub(super) lossy: bool,
    /// Stays with what comes after it.
    pub(super) leads: bool,
}

impl Piece {
    /// Text from `left`, `top` in a column of `width`; gives where its foot is.
    pub(super) fn text(&mut self, [left, top]: [f32; 2], width: f32, style: Style, text: &str) -> f32 {
        let (bytes, all) = encode(text);
        self.lossy |= !all;
        let mut y = top;
        for line in wrap(&bytes, style.face, style.size, width) {
            self.marks.push(Mark::Text {
                at: [left, y + style.size * FOOT],
                style,
                text: line,
            });
            y += style.line();
        }
        self.height = self.height.max(y);
        y
    }

    /// A box to tick beside a line of text whose top is at `top`.
    pub(super) fn tick(&mut self, [left, top]: [f32; 2], style: Style) {
        let side = style.size * 0.92;
        self.marks.push(Mark::Square {
            at: [left, top + style.size * 0.14],
            side,
        });
        self.height = self.height.max(top + side + 2.0);
    }

    /// A level line at the piece's foot, after some air.
    pub(super) fn rule(&mut self, width: f32, air: f32, grey: f32) {
        let y = self.height + air;
        self.marks.push(Mark::Line {
            from: [0.0, y],
            to: [width, y],
            width: 0.5,
            grey,
        });
        self.height = y + air;
    }

    /// Air below.
    pub(super) fn air(mut self, points: f32) -> Self {
        self.height += points;
        self
    }
}
