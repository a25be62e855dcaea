//! A chart as a PDF of one page (ISO 32000-1): lines as lines, letters as letters that can be found and copied.

use std::collections::BTreeMap;
use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;
use pdf_writer::types::{
    CidFontType, FontFlags, LineCapStyle, LineJoinStyle, SystemInfo, TextRenderingMode, UnicodeCmap,
};
use pdf_writer::{Content, Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};

use super::font::Font;
use super::outline::Segment;
use super::scene::{Mark, Paint, Scene, Stroke, What, Words};

/// Points to a unit of the SVG: CSS pixels, 96 to the inch.
const POINTS: f64 = 0.75;
/// Character codes are glyph numbers.
const IDENTITY: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};
const CATALOGUE: Ref = Ref::new(1);
const TREE: Ref = Ref::new(2);
const PAGE: Ref = Ref::new(3);
const CONTENT: Ref = Ref::new(4);
const INFO: Ref = Ref::new(5);
/// The first of the five of a face, then of the next.
const FACES: [i32; 2] = [6, 11];
/// The first state of transparency.
const STATES: i32 = 16;

/// Opacity of fill and of stroke, thousandths.
type Alpha = [u16; 2];

struct Drawing {
    content: Content,
    /// Glyphs in use, by weight, with the letter that each stands for.
    used: [BTreeMap<u16, char>; 2],
    states: Vec<Alpha>,
}

/// The chart as a PDF. Equal charts give equal bytes.
pub(super) fn pdf(scene: &Scene) -> Vec<u8> {
    let mut drawing = Drawing {
        content: Content::new(),
        used: Default::default(),
        states: Vec::new(),
    };
    let height = scene.size[1] * POINTS;
    drawing
        .content
        .transform([POINTS, 0.0, 0.0, -POINTS, 0.0, height].map(|v| v as f32));
    for mark in &scene.marks {
        drawing.mark(mark, scene);
    }
    file(scene, drawing)
}

impl Drawing {
    fn mark(&mut self, mark: &Mark, scene: &Scene) {
        if mark.fill.is_none() && mark.stroke.is_none() {
            return;
        }
        self.content.save_state();
        let mut clip = mark.clip;
        while let Some(found) = clip.and_then(|n| scene.clips.get(n)) {
            self.outline(&found.outline);
            self.content.clip_nonzero().end_path();
            clip = found.within;
        }
        self.inks(mark.fill, mark.stroke.as_ref());
        match &mark.what {
            What::Outline(outline) => {
                self.outline(outline);
                self.paint(mark);
            }
            // What is stroked is the halo under words that follow: drawn, but not found twice.
            What::Words(words) if mark.stroke.is_some() => {
                self.outline(&words.outline());
                self.paint(mark);
            }
            What::Words(words) => self.words(words),
        }
        self.content.restore_state();
    }

    fn inks(&mut self, fill: Option<Paint>, stroke: Option<&Stroke>) {
        let thousandths = |alpha: f64| (alpha * 1000.0).round() as u16;
        let alpha: Alpha = [
            fill.map_or(1000, |p| thousandths(p.alpha)),
            stroke.map_or(1000, |s| thousandths(s.paint.alpha)),
        ];
        if alpha != [1000; 2] {
            let known = self.states.iter().position(|s| *s == alpha);
            let n = known.unwrap_or_else(|| {
                self.states.push(alpha);
                self.states.len() - 1
            });
            self.content.set_parameters(Name(state_name(n).as_bytes()));
        }
        let rgb = |p: Paint| p.rgb.map(|c| f32::from(c) / 255.0);
        if let Some([r, g, b]) = fill.map(rgb) {
            self.content.set_fill_rgb(r, g, b);
        }
        if let Some(stroke) = stroke {
            let [r, g, b] = rgb(stroke.paint);
            self.content.set_stroke_rgb(r, g, b);
            self.content.set_line_width(stroke.width as f32);
            if stroke.round_cap {
                self.content.set_line_cap(LineCapStyle::RoundCap);
            }
            if stroke.round_join {
                self.content.set_line_join(LineJoinStyle::RoundJoin);
            } else {
                // As SVG has it when nothing is said.
                self.content.set_miter_limit(4.0);
            }
            if !stroke.dash.is_empty() {
                let lengths = stroke.dash.iter().map(|v| *v as f32);
                self.content.set_dash_pattern(lengths, 0.0);
            }
        }
    }

    fn outline(&mut self, outline: &[Segment]) {
        for segment in outline {
            match *segment {
                Segment::Move([x, y]) => self.content.move_to(x as f32, y as f32),
                Segment::Line([x, y]) => self.content.line_to(x as f32, y as f32),
                Segment::Curve(points) => {
                    let [[a, b], [c, d], [x, y]] = points.map(|p| p.map(|v| v as f32));
                    self.content.cubic_to(a, b, c, d, x, y)
                }
                Segment::Close => self.content.close_path(),
            };
        }
    }

    fn paint(&mut self, mark: &Mark) {
        match (mark.fill, &mark.stroke) {
            (Some(_), Some(_)) => self.content.fill_nonzero_and_stroke(),
            (Some(_), None) => self.content.fill_nonzero(),
            _ => self.content.stroke(),
        };
    }

    fn words(&mut self, words: &Words) {
        let [x, y] = words.at.map(|v| v as f32);
        let codes: Vec<u8> = words.glyphs.iter().flat_map(|g| g.id.to_be_bytes()).collect();
        let used = &mut self.used[usize::from(words.bold)];
        used.extend(words.glyphs.iter().map(|g| (g.id, g.letter)));
        let face = face_name(words.bold);
        self.content.begin_text();
        self.content.set_font(Name(face), words.size as f32);
        self.content.set_text_rendering_mode(TextRenderingMode::Fill);
        // The page is turned over, its letters are not.
        self.content.set_text_matrix([1.0, 0.0, 0.0, -1.0, x, y]);
        self.content.show(Str(&codes)).end_text();
    }
}

fn face_name(bold: bool) -> &'static [u8] {
    if bold { b"B" } else { b"R" }
}

fn state_name(n: usize) -> String {
    format!("T{n}")
}

fn file(scene: &Scene, drawing: Drawing) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let mut root = pdf.catalog(CATALOGUE);
    root.pages(TREE).lang(TextStr("en"));
    root.viewer_preferences().display_doc_title(true);
    root.finish();
    pdf.document_info(INFO)
        .title(TextStr(&scene.title))
        .creator(TextStr("Nightloom"));
    pdf.pages(TREE).kids([PAGE]).count(1);
    let [width, height] = scene.size.map(|v| (v * POINTS) as f32);
    let mut page = pdf.page(PAGE);
    page.parent(TREE)
        .media_box(Rect::new(0.0, 0.0, width, height))
        .contents(CONTENT);
    let mut resources = page.resources();
    let mut fonts = resources.fonts();
    for bold in [false, true] {
        if !drawing.used[usize::from(bold)].is_empty() {
            fonts.pair(Name(face_name(bold)), Ref::new(FACES[usize::from(bold)]));
        }
    }
    fonts.finish();
    if !drawing.states.is_empty() {
        let mut states = resources.ext_g_states();
        for n in 0..drawing.states.len() {
            states.pair(Name(state_name(n).as_bytes()), Ref::new(STATES + n as i32));
        }
        states.finish();
    }
    resources.finish();
    page.finish();
    for (n, alpha) in drawing.states.iter().enumerate() {
        let [fill, stroke] = alpha.map(|a| f32::from(a) / 1000.0);
        pdf.ext_graphics(Ref::new(STATES + n as i32))
            .non_stroking_alpha(fill)
            .stroking_alpha(stroke);
    }
    for bold in [false, true] {
        font(&mut pdf, bold, &drawing.used[usize::from(bold)]);
    }
    pdf.stream(CONTENT, &packed(&drawing.content.finish()))
        .filter(Filter::FlateDecode);
    pdf.finish()
}

/// A weight of the font with the widths and the letters in use.
fn font(pdf: &mut Pdf, bold: bool, used: &BTreeMap<u16, char>) {
    let Some(font) = Font::of(bold).filter(|_| !used.is_empty()) else {
        return;
    };
    let [whole, cid, descriptor, cmap, data] =
        [0, 1, 2, 3, 4].map(|n| Ref::new(FACES[usize::from(bold)] + n));
    let name = Name(if bold { b"Roboto-Bold" } else { b"Roboto-Regular" });
    pdf.type0_font(whole)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(cmap);
    let mut face = pdf.cid_font(cid);
    face.subtype(CidFontType::Type2)
        .base_font(name)
        .system_info(IDENTITY)
        .font_descriptor(descriptor)
        .default_width(0.0);
    face.cid_to_gid_map_predefined(Name(b"Identity"));
    let mut widths = face.widths();
    for (id, letter) in used {
        let advance = font.set(&letter.to_string()).first().map_or(0.0, |g| g.advance);
        widths.consecutive(*id, [font.thousandths(advance) as f32]);
    }
    widths.finish();
    face.finish();
    let ([left, foot, right, top], [ascent, descent, capitals]) = (font.bounds(), font.heights());
    pdf.font_descriptor(descriptor)
        .name(name)
        .flags(FontFlags::NON_SYMBOLIC)
        .bbox(Rect::new(left as f32, foot as f32, right as f32, top as f32))
        .italic_angle(0.0)
        .ascent(ascent as f32)
        .descent(descent as f32)
        .cap_height(capitals as f32)
        .stem_v(if bold { 140.0 } else { 90.0 })
        .font_file2(data);
    let mut letters = UnicodeCmap::new(Name(b"Letters"), IDENTITY);
    for (id, letter) in used.iter().filter(|(id, _)| **id != 0) {
        letters.pair(*id, *letter);
    }
    pdf.cmap(cmap, &letters.finish());
    pdf.stream(data, &packed(font.bytes))
        .filter(Filter::FlateDecode)
        .pair(Name(b"Length1"), font.bytes.len() as i32);
}

fn packed(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::new(9));
    // Writing into memory cannot fail.
    let _ = encoder.write_all(bytes);
    encoder.finish().unwrap_or_default()
}
