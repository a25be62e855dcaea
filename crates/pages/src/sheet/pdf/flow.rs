//! Pieces laid down columns and over pages; nothing is cut, and a heading never stands alone at the foot.

use pdf_writer::{Content, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::font::{Face, encode};
use super::piece::{Mark, Piece, Style};
use crate::sheet::Paper;

/// A quarter circle by one cubic curve: how far its handles reach.
const HANDLE: f32 = 0.5523;
const FOOTER: Style = Style {
    face: Face::Regular,
    size: 7.0,
    grey: 0.25,
};

/// The page's measures, points.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    pub(super) size: [f32; 2],
    pub(super) margin: f32,
    pub(super) columns: usize,
    pub(super) gutter: f32,
}

impl Frame {
    pub(super) fn of(paper: Paper) -> Self {
        match paper {
            Paper::A5 => Self {
                size: [419.53, 595.28],
                margin: 34.0,
                columns: 1,
                gutter: 0.0,
            },
            Paper::A4 => Self {
                size: [595.28, 841.89],
                margin: 36.0,
                columns: 2,
                gutter: 22.0,
            },
        }
    }

    /// Width of the whole text.
    pub(super) fn width(&self) -> f32 {
        self.size[0] - 2.0 * self.margin
    }

    /// Width of one column.
    pub(super) fn column(&self) -> f32 {
        let columns = self.columns as f32;
        (self.width() - self.gutter * (columns - 1.0)) / columns
    }
}

/// The paper being filled.
pub(super) struct Flow {
    frame: Frame,
    pages: Vec<Content>,
    column: usize,
    /// Where this page's columns begin, and where the pen is, from the page's top.
    top: f32,
    y: f32,
    waiting: Vec<Piece>,
    lossy: bool,
}

impl Flow {
    pub(super) fn new(frame: Frame) -> Self {
        Self {
            frame,
            pages: vec![Content::new()],
            column: 0,
            top: frame.margin,
            y: frame.margin,
            waiting: Vec::new(),
            lossy: false,
        }
    }

    /// Whether letters were lost so far.
    pub(super) fn lossy(&self) -> bool {
        self.lossy
    }

    /// Over all columns, at the first page's top.
    pub(super) fn banner(&mut self, piece: &Piece) {
        self.draw(piece);
        self.top = self.y;
    }

    /// Below what came before, or in the next column if there is no room.
    pub(super) fn place(&mut self, piece: Piece) {
        self.waiting.push(piece);
        if self.waiting.last().is_some_and(|p| p.leads) {
            return;
        }
        let together = std::mem::take(&mut self.waiting);
        let height: f32 = together.iter().map(|p| p.height).sum();
        if height <= self.foot() - self.frame.margin {
            self.make_room(height);
            together.iter().for_each(|p| self.draw(p));
        } else {
            // Too much for any column: each by itself.
            for piece in &together {
                self.make_room(piece.height);
                self.draw(piece);
            }
        }
    }

    fn make_room(&mut self, height: f32) {
        // On the first page the columns are shorter.
        while self.y + height > self.foot() && (self.y > self.top || self.top > self.frame.margin) {
            self.next_column();
        }
    }

    fn foot(&self) -> f32 {
        self.frame.size[1] - self.frame.margin - 8.0
    }

    fn next_column(&mut self) {
        self.column += 1;
        if self.column == self.frame.columns {
            self.column = 0;
            self.pages.push(Content::new());
            self.top = self.frame.margin;
        }
        self.y = self.top;
    }

    fn draw(&mut self, piece: &Piece) {
        let frame = self.frame;
        let left = frame.margin + self.column as f32 * (frame.column() + frame.gutter);
        let origin = [left, frame.size[1] - self.y];
        if let Some(page) = self.pages.last_mut() {
            piece.marks.iter().for_each(|mark| put(page, origin, mark));
        }
        self.y += piece.height;
        self.lossy |= piece.lossy;
    }

    /// The document, its pages numbered in words like `1 / 3`.
    pub(super) fn finish(mut self, title: &str, foot: &str) -> (Vec<u8>, usize) {
        let of = self.pages.len();
        let frame = self.frame;
        for (page, content) in self.pages.iter_mut().enumerate() {
            let number = format!("{} / {of}", page + 1);
            let y = frame.margin - 14.0;
            let wide = FOOTER.face.width(number.as_bytes(), FOOTER.size);
            let foot = clipped(foot, frame.width() - wide - 10.0);
            text(content, [frame.margin, y], FOOTER, &foot);
            text(
                content,
                [frame.size[0] - frame.margin - wide, y],
                FOOTER,
                number.as_bytes(),
            );
        }
        let pages = self
            .pages
            .into_iter()
            .map(|p| p.finish().into_vec())
            .collect::<Vec<_>>();
        (document(&pages, frame.size, title), of)
    }
}

/// The footer's words, as many letters as have room.
fn clipped(words: &str, width: f32) -> Vec<u8> {
    let (mut bytes, _) = encode(words);
    while FOOTER.face.width(&bytes, FOOTER.size) > width && bytes.pop().is_some() {}
    bytes
}

fn put(page: &mut Content, [x, y]: [f32; 2], mark: &Mark) {
    let place = |at: &[f32; 2]| [x + at[0], y - at[1]];
    match mark {
        Mark::Text {
            at,
            style,
            text: words,
        } => text(page, place(at), *style, words),
        Mark::Square { at, side } => {
            let [left, top] = place(at);
            page.set_line_width(0.8).set_stroke_gray(0.0);
            page.rect(left, top - side, *side, *side).stroke();
        }
        Mark::Line {
            from,
            to,
            width,
            grey,
        } => {
            let ([x0, y0], [x1, y1]) = (place(from), place(to));
            page.set_line_width(*width).set_stroke_gray(*grey);
            page.move_to(x0, y0).line_to(x1, y1).stroke();
        }
        Mark::Circle {
            centre,
            radius,
            filled,
        } => circle(page, place(centre), *radius, *filled),
    }
}

fn text(page: &mut Content, [x, y]: [f32; 2], style: Style, words: &[u8]) {
    page.set_fill_gray(style.grey).begin_text();
    page.set_font(Name(style.face.name()), style.size);
    page.next_line(x, y).show(Str(words)).end_text();
}

fn circle(page: &mut Content, [x, y]: [f32; 2], r: f32, filled: bool) {
    let h = r * HANDLE;
    page.set_line_width(0.7).set_stroke_gray(0.0).set_fill_gray(0.0);
    page.move_to(x + r, y);
    page.cubic_to(x + r, y + h, x + h, y + r, x, y + r);
    page.cubic_to(x - h, y + r, x - r, y + h, x - r, y);
    page.cubic_to(x - r, y - h, x - h, y - r, x, y - r);
    page.cubic_to(x + h, y - r, x + r, y - h, x + r, y);
    if filled {
        page.fill_nonzero();
    } else {
        page.close_and_stroke();
    }
}

/// Catalogue, pages, the two fonts.
fn document(pages: &[Vec<u8>], size: [f32; 2], title: &str) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let (catalogue, tree, info) = (Ref::new(1), Ref::new(2), Ref::new(3));
    let fonts = [
        (Face::Regular, "Helvetica", Ref::new(4)),
        (Face::Bold, "Helvetica-Bold", Ref::new(5)),
    ];
    let page_ref = |page: usize| Ref::new(6 + 2 * page as i32);
    let stream_ref = |page: usize| Ref::new(7 + 2 * page as i32);
    let mut root = pdf.catalog(catalogue);
    root.pages(tree).lang(TextStr("en"));
    root.viewer_preferences().display_doc_title(true);
    root.finish();
    pdf.document_info(info)
        .title(TextStr(title))
        .creator(TextStr("Nightloom"));
    pdf.pages(tree)
        .kids((0..pages.len()).map(page_ref))
        .count(pages.len() as i32);
    for (_, base, font) in fonts {
        pdf.type1_font(font)
            .base_font(Name(base.as_bytes()))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    for (page, stream) in pages.iter().enumerate() {
        let mut leaf = pdf.page(page_ref(page));
        leaf.parent(tree)
            .media_box(Rect::new(0.0, 0.0, size[0], size[1]))
            .contents(stream_ref(page));
        let mut resources = leaf.resources();
        let mut named = resources.fonts();
        for (face, _, font) in fonts {
            named.pair(Name(face.name()), font);
        }
        named.finish();
        resources.finish();
        leaf.finish();
        pdf.stream(stream_ref(page), stream);
    }
    pdf.finish()
}
