//! A chart read back from its SVG: what is painted, in its order, with nothing left to inherit.

use std::collections::BTreeSet;

use super::ChartFileError;
use super::font::{Font, Glyph};
use super::outline::{Segment, ellipse, read as read_path, rectangle};

/// A whole chart.
#[derive(Debug, Default)]
pub(super) struct Scene {
    /// Width and height, units.
    pub(super) size: [f64; 2],
    pub(super) title: String,
    pub(super) marks: Vec<Mark>,
    pub(super) clips: Vec<Clip>,
    /// Characters that the font lacks.
    pub(super) without_letter: BTreeSet<char>,
}

/// What keeps marks inside.
#[derive(Debug)]
pub(super) struct Clip {
    pub(super) outline: Vec<Segment>,
    /// Another that lies round it, by its number.
    pub(super) within: Option<usize>,
}

/// Something painted.
#[derive(Debug)]
pub(super) struct Mark {
    pub(super) what: What,
    pub(super) fill: Option<Paint>,
    pub(super) stroke: Option<Stroke>,
    pub(super) clip: Option<usize>,
}

#[derive(Debug)]
pub(super) enum What {
    Outline(Vec<Segment>),
    Words(Words),
}

/// A row of letters.
#[derive(Debug)]
pub(super) struct Words {
    /// Where the first begins, on the base line.
    pub(super) at: [f64; 2],
    pub(super) size: f64,
    pub(super) bold: bool,
    pub(super) glyphs: Vec<Glyph>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Paint {
    pub(super) rgb: [u8; 3],
    pub(super) alpha: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stroke {
    pub(super) paint: Paint,
    pub(super) width: f64,
    pub(super) round_join: bool,
    pub(super) round_cap: bool,
    /// Lengths on and off; none for a whole line.
    pub(super) dash: Vec<f64>,
}

impl Words {
    /// Its letters as outlines.
    pub(super) fn outline(&self) -> Vec<Segment> {
        let mut out = Vec::new();
        let Some(font) = Font::of(self.bold) else {
            return out;
        };
        let mut x = self.at[0];
        for glyph in &self.glyphs {
            font.outline(glyph.id, [x, self.at[1]], self.size, &mut out);
            x += glyph.advance * self.size / font.units();
        }
        out
    }
}

/// What an element hands on to those in it.
#[derive(Clone, Debug)]
struct Style {
    fill: Option<[u8; 3]>,
    fill_opacity: f64,
    stroke: Option<[u8; 3]>,
    stroke_opacity: f64,
    width: f64,
    round_join: bool,
    round_cap: bool,
    dash: Vec<f64>,
    size: f64,
    bold: bool,
    /// Part of the words' width that lies left of their place.
    anchor: f64,
    clip: Option<usize>,
    /// Right and down.
    moved: [f64; 2],
    /// Of the element alone.
    opacity: f64,
}

impl Style {
    /// What SVG 1.1 begins with.
    fn initial() -> Self {
        Self {
            fill: Some([0; 3]),
            fill_opacity: 1.0,
            stroke: None,
            stroke_opacity: 1.0,
            width: 1.0,
            round_join: false,
            round_cap: false,
            dash: Vec::new(),
            size: 12.0,
            bold: false,
            anchor: 0.0,
            clip: None,
            moved: [0.0; 2],
            opacity: 1.0,
        }
    }

    /// Takes one property over; an error where it has a value that charts do not have.
    fn take(&mut self, name: &str, value: &str) -> Result<(), ChartFileError> {
        let unknown = || ChartFileError::Unknown(format!("{name} “{value}”"));
        let number = || {
            value
                .parse::<f64>()
                .ok()
                .filter(|v| v.is_finite())
                .ok_or_else(unknown)
        };
        match name {
            "fill" => self.fill = colour(value).ok_or_else(unknown)?,
            "stroke" => self.stroke = colour(value).ok_or_else(unknown)?,
            "fill-opacity" => self.fill_opacity = number()?,
            "stroke-opacity" => self.stroke_opacity = number()?,
            "opacity" => self.opacity = number()?,
            "stroke-width" => self.width = number()?,
            "stroke-linejoin" => self.round_join = value == "round",
            "stroke-linecap" => self.round_cap = value == "round",
            "stroke-dasharray" => {
                let lengths = value.split([' ', ',']).map(str::parse);
                self.dash = lengths.collect::<Result<_, _>>().map_err(|_| unknown())?;
            }
            "font-size" => self.size = number()?,
            "font-weight" => self.bold = number()? >= 600.0,
            "text-anchor" => {
                self.anchor = match value {
                    "start" => 0.0,
                    "middle" => 0.5,
                    "end" => 1.0,
                    _ => return Err(unknown()),
                }
            }
            // The letters are the embedded font's, the ground is a rectangle.
            "font-family" | "background" => {}
            _ => return Err(unknown()),
        }
        Ok(())
    }

    fn paint(&self, ink: Option<[u8; 3]>, opacity: f64) -> Option<Paint> {
        let alpha = (opacity * self.opacity).clamp(0.0, 1.0);
        ink.filter(|_| alpha > 0.0).map(|rgb| Paint { rgb, alpha })
    }

    fn stroke(&self) -> Option<Stroke> {
        let paint = self.paint(self.stroke, self.stroke_opacity)?;
        (self.width > 0.0).then(|| Stroke {
            paint,
            width: self.width,
            round_join: self.round_join,
            round_cap: self.round_cap,
            dash: self.dash.clone(),
        })
    }
}

/// `#rgb`, `#rrggbb` or `none`; no answer for anything else.
fn colour(text: &str) -> Option<Option<[u8; 3]>> {
    if text == "none" {
        return Some(None);
    }
    let digits = text.strip_prefix('#')?;
    let value = u32::from_str_radix(digits, 16).ok()?;
    let byte = |shift: u32, mask: u32, times: u32| ((value >> shift & mask) * times) as u8;
    match digits.len() {
        3 => Some(Some([byte(8, 0xf, 17), byte(4, 0xf, 17), byte(0, 0xf, 17)])),
        6 => Some(Some([byte(16, 0xff, 1), byte(8, 0xff, 1), byte(0, 0xff, 1)])),
        _ => None,
    }
}

/// A start tag's name and attributes.
struct Tag<'a> {
    name: &'a str,
    attributes: Vec<(&'a str, &'a str)>,
    /// It holds nothing.
    empty: bool,
}

impl<'a> Tag<'a> {
    /// From what lies between `<` and `>`.
    fn read(text: &'a str) -> Self {
        let (body, empty) = match text.strip_suffix('/') {
            Some(body) => (body, true),
            None => (text, false),
        };
        let (name, mut rest) = body.split_once(' ').unwrap_or((body, ""));
        let mut attributes = Vec::new();
        while let Some((key, after)) = rest.split_once("=\"") {
            let Some((value, next)) = after.split_once('"') else {
                break;
            };
            attributes.push((key.trim(), value));
            rest = next;
        }
        Self {
            name,
            attributes,
            empty,
        }
    }

    fn get(&self, key: &str) -> Option<&'a str> {
        self.attributes.iter().find(|(k, _)| *k == key).map(|(_, v)| *v)
    }

    /// Numbers that must be there.
    fn numbers<const N: usize>(&self, keys: [&str; N]) -> Result<[f64; N], ChartFileError> {
        let mut out = [0.0; N];
        for (to, key) in out.iter_mut().zip(keys) {
            let value = self.get(key).and_then(|v| v.parse::<f64>().ok());
            *to = value.filter(|v| v.is_finite()).ok_or_else(|| {
                ChartFileError::Unknown(format!("an element <{}> without a number {key}", self.name))
            })?;
        }
        Ok(out)
    }
}

/// What tells where an element lies, and what nobody sees.
const UNPAINTED: &[&str] = &[
    "x",
    "y",
    "width",
    "height",
    "cx",
    "cy",
    "r",
    "rx",
    "ry",
    "d",
    "transform",
    "class",
    "id",
    "role",
    "viewBox",
    "xmlns",
    "clip-path",
];

/// What is read at the moment.
struct Reader {
    scene: Scene,
    styles: Vec<Style>,
    /// Outlines by their names.
    named: Vec<(String, Vec<Segment>)>,
    /// The name of the clip that is being told.
    clip_told: Option<String>,
    /// Place of the words that are being told.
    words: Option<([f64; 2], String)>,
    /// Titles of the chart and of parts in it.
    in_title: bool,
}

impl Scene {
    /// Reads a chart of this crate.
    ///
    /// # Errors
    /// An element, an attribute or a value that no chart has.
    pub(super) fn read(svg: &str) -> Result<Self, ChartFileError> {
        let mut reader = Reader {
            scene: Self::default(),
            styles: vec![Style::initial()],
            named: Vec::new(),
            clip_told: None,
            words: None,
            in_title: false,
        };
        for piece in svg.split('<').skip(1) {
            let (tag, text) = piece
                .split_once('>')
                .ok_or_else(|| ChartFileError::Unknown("a tag without its end".into()))?;
            match tag.strip_prefix('/') {
                Some(name) => reader.close(name),
                None => reader.open(&Tag::read(tag))?,
            }
            reader.text(text);
        }
        Ok(reader.scene)
    }
}

impl Reader {
    fn open(&mut self, tag: &Tag<'_>) -> Result<(), ChartFileError> {
        let mut style = self.style(tag)?;
        match tag.name {
            "svg" => {
                let sides = tag
                    .get("viewBox")
                    .unwrap_or_default()
                    .split(' ')
                    .map(str::parse::<f64>);
                match sides.collect::<Result<Vec<_>, _>>().as_deref() {
                    Ok([0.0, 0.0, width, height]) => self.scene.size = [*width, *height],
                    _ => return Err(ChartFileError::Unknown("no size of its own".into())),
                }
            }
            "g" if style.opacity != 1.0 => {
                return Err(ChartFileError::Unknown("a group that shines through".into()));
            }
            "g" if tag.get("transform").is_some() => style.moved = moved(tag, style.moved)?,
            "g" => {}
            "title" => self.in_title = true,
            "clipPath" => self.clip_told = Some(tag.get("id").unwrap_or_default().to_owned()),
            "text" => self.words = Some((tag.numbers(["x", "y"])?, String::new())),
            _ => {
                let mut outline = outline_of(tag)?;
                outline.iter_mut().for_each(|segment| segment.shift(style.moved));
                self.shape(outline, &style)?;
            }
        }
        if !tag.empty {
            self.styles.push(style);
        }
        Ok(())
    }

    /// What the element inherits and says: attributes, then its own style over them.
    fn style(&mut self, tag: &Tag<'_>) -> Result<Style, ChartFileError> {
        let mut style = self.styles.last().cloned().unwrap_or_else(Style::initial);
        style.opacity = 1.0;
        for (name, value) in &tag.attributes {
            match *name {
                "style" => {}
                "clip-path" => style.clip = Some(self.clip(value, style.clip)?),
                name if UNPAINTED.contains(&name) || name.starts_with("aria-") => {}
                name => style.take(name, value)?,
            }
        }
        let own = tag.get("style").unwrap_or_default().split(';');
        for (name, value) in own.filter_map(|p| p.split_once(':')) {
            style.take(name.trim(), value.trim())?;
        }
        Ok(style)
    }

    fn clip(&mut self, value: &str, within: Option<usize>) -> Result<usize, ChartFileError> {
        let name = value.strip_prefix("url(#").and_then(|v| v.strip_suffix(')'));
        let found = self.named.iter().find(|(n, _)| Some(n.as_str()) == name);
        let (_, outline) = found.ok_or_else(|| ChartFileError::Unknown(format!("a clip “{value}”")))?;
        let outline = outline.clone();
        self.scene.clips.push(Clip { outline, within });
        Ok(self.scene.clips.len() - 1)
    }

    fn shape(&mut self, outline: Vec<Segment>, style: &Style) -> Result<(), ChartFileError> {
        if let Some(name) = &self.clip_told {
            self.named.push((name.clone(), outline));
            return Ok(());
        }
        let (fill, stroke) = (style.paint(style.fill, style.fill_opacity), style.stroke());
        if style.opacity != 1.0 && fill.is_some() && stroke.is_some() {
            // Where they overlap, the two would shine through each other.
            return Err(ChartFileError::Unknown(
                "an edged shape that shines through".into(),
            ));
        }
        self.scene.marks.push(Mark {
            what: What::Outline(outline),
            fill,
            stroke,
            clip: style.clip,
        });
        Ok(())
    }

    fn text(&mut self, text: &str) {
        if self.in_title && self.scene.title.is_empty() {
            self.scene.title = unescaped(text);
        } else if let Some((_, words)) = &mut self.words {
            words.push_str(&unescaped(text));
        }
    }

    fn close(&mut self, name: &str) {
        match name {
            "title" => self.in_title = false,
            "clipPath" => self.clip_told = None,
            "text" => self.set_words(),
            _ => {}
        }
        self.styles.pop();
    }

    fn set_words(&mut self) {
        let (Some((at, words)), Some(style)) = (self.words.take(), self.styles.last()) else {
            return;
        };
        let Some(font) = Font::of(style.bold) else {
            return;
        };
        let glyphs = font.set(&words);
        let wide = glyphs.iter().map(|g| g.advance).sum::<f64>() * style.size / font.units();
        let missing = glyphs.iter().filter(|g| !g.known).map(|g| g.letter);
        self.scene.without_letter.extend(missing);
        self.scene.marks.push(Mark {
            what: What::Words(Words {
                at: [
                    at[0] - wide * style.anchor + style.moved[0],
                    at[1] + style.moved[1],
                ],
                size: style.size,
                bold: style.bold,
                glyphs,
            }),
            fill: style.paint(style.fill, style.fill_opacity),
            stroke: style.stroke(),
            clip: style.clip,
        });
    }
}

fn outline_of(tag: &Tag<'_>) -> Result<Vec<Segment>, ChartFileError> {
    Ok(match tag.name {
        "rect" => {
            let [width, height] = tag.numbers(["width", "height"])?;
            let place = |key| tag.get(key).and_then(|v| v.parse().ok()).unwrap_or(0.0);
            rectangle([place("x"), place("y")], [width, height])
        }
        "circle" => {
            let [x, y, r] = tag.numbers(["cx", "cy", "r"])?;
            ellipse([x, y], [r, r], 0.0)
        }
        "ellipse" => {
            let [x, y, long, narrow] = tag.numbers(["cx", "cy", "rx", "ry"])?;
            ellipse([x, y], [long, narrow], turn(tag, [x, y])?)
        }
        "path" => {
            let data = tag.get("d").unwrap_or_default();
            read_path(data).ok_or_else(|| ChartFileError::Unknown(format!("a path “{data:.40}”")))?
        }
        other => return Err(ChartFileError::Unknown(format!("an element <{other}>"))),
    })
}

/// `rotate(degrees x y)` about its own middle, in radians.
fn turn(tag: &Tag<'_>, middle: [f64; 2]) -> Result<f64, ChartFileError> {
    let Some(text) = tag.get("transform") else {
        return Ok(0.0);
    };
    let figures = text.strip_prefix("rotate(").and_then(|t| t.strip_suffix(')'));
    let figures = figures.map(|f| f.split(' ').map(str::parse::<f64>).collect::<Result<Vec<_>, _>>());
    match figures {
        Some(Ok(f)) if f.len() == 3 && f[1..] == middle => Ok(f[0].to_radians()),
        _ => Err(ChartFileError::Unknown(format!("a transform “{text}”"))),
    }
}

/// `translate(right down)` of a group, added to that of those round it.
fn moved(tag: &Tag<'_>, round: [f64; 2]) -> Result<[f64; 2], ChartFileError> {
    let text = tag.get("transform").unwrap_or_default();
    let figures = text.strip_prefix("translate(").and_then(|t| t.strip_suffix(')'));
    let figures = figures.map(|f| f.split(' ').map(str::parse::<f64>).collect::<Result<Vec<_>, _>>());
    match figures {
        Some(Ok(f)) if f.len() == 2 => Ok([round[0] + f[0], round[1] + f[1]]),
        _ => Err(ChartFileError::Unknown(format!("a transform “{text}”"))),
    }
}

fn unescaped(text: &str) -> String {
    let text = text.replace("&lt;", "<").replace("&gt;", ">");
    text.replace("&quot;", "\"").replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(inside: &str) -> Result<Scene, ChartFileError> {
        Scene::read(&format!(
            "<svg viewBox=\"0 0 10 20\" font-size=\"12\"><title>A &lt;b&gt;</title>{inside}</svg>\n"
        ))
    }

    #[test]
    fn groups_hand_on_and_elements_say_their_own() {
        let read = scene(
            "<clipPath id=\"a\"><rect width=\"5\" height=\"5\"/></clipPath><g clip-path=\"url(#a)\" style=\"fill:#102030;fill-opacity:.5\"><path d=\"M0 0H5\"/><path d=\"M0 0H5\" fill=\"none\" stroke=\"#fff\" style=\"stroke-width:3\"/></g><rect width=\"1\" height=\"1\"/>",
        )
        .expect("a chart");
        assert_eq!((read.size, &*read.title), ([10.0, 20.0], "A <b>"));
        let [first, second, last] = &read.marks[..] else {
            panic!("{:?}", read.marks);
        };
        let rgb = [0x10, 0x20, 0x30];
        assert_eq!(first.fill, Some(Paint { rgb, alpha: 0.5 }));
        assert_eq!((first.clip, last.clip), (Some(0), None));
        assert_eq!(second.fill, None);
        assert_eq!(second.stroke.as_ref().map(|s| s.width), Some(3.0));
        assert_eq!(
            last.fill,
            Some(Paint {
                rgb: [0; 3],
                alpha: 1.0
            })
        );
    }

    /// An A of 12 units is 12 × 1336 / 2048 wide.
    #[test]
    fn words_stand_where_their_anchor_says() {
        let wide = 12.0 * 1336.0 / 2048.0;
        for (anchor, left) in [("start", 5.0), ("middle", 5.0 - wide / 2.0), ("end", 5.0 - wide)] {
            let read = scene(&format!(
                "<text x=\"5\" y=\"9\" text-anchor=\"{anchor}\">A</text>"
            ))
            .expect("a chart");
            let What::Words(words) = &read.marks[0].what else {
                panic!("{:?}", read.marks);
            };
            assert!(
                (words.at[0] - left).abs() < 1e-12 && words.at[1] == 9.0,
                "{words:?}"
            );
        }
        let read = scene("<text x=\"0\" y=\"0\">山 &amp; A</text>").expect("a chart");
        assert_eq!(read.without_letter.iter().collect::<String>(), "山");
    }

    #[test]
    fn what_is_not_known_is_an_error() {
        for inside in [
            "<image href=\"x\"/>",
            "<rect width=\"1\" height=\"1\" fill=\"red\"/>",
            "<rect width=\"1\" height=\"1\" filter=\"url(#x)\"/>",
            "<rect width=\"1\"/>",
            "<g opacity=\".5\"></g>",
            "<g clip-path=\"url(#none)\"></g>",
            "<path d=\"M0 0Q1 1 2 2\"/>",
            "<ellipse cx=\"1\" cy=\"1\" rx=\"1\" ry=\"1\" transform=\"scale(2)\"/>",
        ] {
            let error = scene(inside).expect_err(inside).to_string();
            assert!(error.contains("write it as .svg"), "{error}");
        }
    }
}
