//! What all charts share: the sheet, its inks, scales and texts.

use std::fmt::Write;

use jiff::tz::TimeZone;
use nightloom_sky::Instant;

use super::Look;
use super::plain::plain;

/// Inks by what they are for. Tones carry no meaning by themselves: everything has its line, height or word.
const DAY: &str = "--paper:#fff;--ink:#17191d;--soft:#5c636e;--rule:#d9dce1;--day:#fff;--civil:#f1f2f4;--nautical:#e4e6ea;--astro:#d6d9df;--night:#c5cad3;--land:#4a5058;--glow:#8b7a55;--fill:#2c4a52;--shade:#f1f2f4;--band:#fff";
const RED: &str = "--paper:#000;--ink:#c80000;--soft:#bc0000;--rule:#3c0000;--day:#480000;--civil:#380000;--nautical:#280000;--astro:#180000;--night:#000;--land:#2c0000;--glow:#780000;--fill:#b40000;--shade:#1c0000;--band:#c80000";

/// What every text is set in unless its class says otherwise.
const FONT: &str = "font-family=\"system-ui,'Segoe UI',Roboto,'DejaVu Sans',sans-serif\" font-size=\"12\"";

/// A chart being drawn.
pub(super) struct Sheet {
    text: String,
    inks: &'static str,
}

impl Sheet {
    /// A sheet of `width` × `height` units; `title` is what a screen reader says.
    pub(super) fn new(width: f64, height: f64, look: Look, title: &str) -> Self {
        let inks = match look {
            Look::Day => DAY,
            Look::Red => RED,
        };
        let mut sheet = Self {
            text: String::new(),
            inks,
        };
        let title = escaped(title);
        sheet.put(format_args!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\" aria-label=\"{title}\" {FONT} style=\"background:var(--paper)\"><title>{title}</title><rect width=\"{width:.0}\" height=\"{height:.0}\" class=\"paper\"/>"
        ));
        sheet
    }

    /// The finished SVG, plain.
    pub(super) fn done(mut self) -> String {
        self.text.push_str("</svg>\n");
        plain(&self.text, self.inks)
    }

    /// Anything, as it is.
    pub(super) fn put(&mut self, piece: std::fmt::Arguments<'_>) {
        // Writing into a string cannot fail.
        let _ = self.text.write_fmt(piece);
    }

    /// Words at a place.
    pub(super) fn words(&mut self, [x, y]: [f64; 2], class: &str, words: &str) {
        let words = escaped(words);
        // The halo lies under the words as a text of its own: not every program paints a stroke before its fill.
        if let Some(bare) = without_halo(class) {
            self.put(format_args!(
                "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{class}\" aria-hidden=\"true\">{words}</text><text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{bare}\">{words}</text>"
            ));
            return;
        }
        self.put(format_args!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\" class=\"{class}\">{words}</text>"
        ));
    }

    /// A line through points; a gap where one is not finite.
    pub(super) fn line(&mut self, class: &str, points: impl IntoIterator<Item = [f64; 2]>) {
        let path = path(points);
        if !path.is_empty() {
            self.put(format_args!("<path class=\"{class}\" d=\"{path}\"/>"));
        }
    }

    /// A closed shape.
    pub(super) fn shape(&mut self, class: &str, points: impl IntoIterator<Item = [f64; 2]>) {
        let path = path(points);
        if !path.is_empty() {
            self.put(format_args!("<path class=\"{class}\" d=\"{path}Z\"/>"));
        }
    }

    /// A rectangle with a tone of its own.
    pub(super) fn block(&mut self, [x, y]: [f64; 2], [width, height]: [f64; 2], fill: &str) {
        if width > 0.0 && height > 0.0 {
            self.put(format_args!(
                "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\" style=\"fill:{fill}\"/>"
            ));
        }
    }

    /// Moves what `draw` draws right and down.
    pub(super) fn moved(&mut self, [right, down]: [f64; 2], draw: impl FnOnce(&mut Self)) {
        self.put(format_args!("<g transform=\"translate({right:.1} {down:.1})\">"));
        draw(self);
        self.text.push_str("</g>");
    }

    /// Keeps what `draw` draws inside a rectangle. `name` is unique in the sheet.
    pub(super) fn clipped(
        &mut self,
        name: &str,
        [x, y]: [f64; 2],
        [width, height]: [f64; 2],
        draw: impl FnOnce(&mut Self),
    ) {
        self.put(format_args!(
            "<clipPath id=\"{name}\"><rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" height=\"{height:.1}\"/></clipPath><g clip-path=\"url(#{name})\">"
        ));
        draw(self);
        self.text.push_str("</g>");
    }
}

/// The classes but for the halo, if it is among them.
fn without_halo(class: &str) -> Option<String> {
    let classes: Vec<&str> = class.split(' ').collect();
    let bare: Vec<&str> = classes.iter().copied().filter(|c| *c != "halo").collect();
    (bare.len() < classes.len()).then(|| bare.join(" "))
}

fn path(points: impl IntoIterator<Item = [f64; 2]>) -> String {
    let (mut path, mut pen) = (String::new(), 'M');
    for [x, y] in points {
        if x.is_finite() && y.is_finite() {
            let _ = write!(path, "{pen}{x:.1} {y:.1}");
            pen = 'L';
        } else {
            pen = 'M';
        }
    }
    path
}

/// Text made safe for markup, whoever wrote it.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// A straight scale from values to the sheet.
#[derive(Clone, Copy)]
pub(super) struct Scale {
    from: [f64; 2],
    to: [f64; 2],
}

impl Scale {
    /// `from` values lie at `to` units.
    pub(super) fn new(from: [f64; 2], to: [f64; 2]) -> Self {
        Self { from, to }
    }

    /// Where a value lies.
    pub(super) fn at(&self, value: f64) -> f64 {
        let share = (value - self.from[0]) / (self.from[1] - self.from[0]);
        self.to[0] + share * (self.to[1] - self.to[0])
    }
}

/// A time as the site's clock shows it, to the minute.
pub(super) fn clock(at: Instant, zone: &TimeZone) -> String {
    // To the nearest minute, as people round.
    let at = at.plus_seconds(30.0).timestamp().to_zoned_datetime(zone.clone());
    format!("{:02}:{:02}", at.hour(), at.minute())
}

/// The full hours of the site's clock between two instants, with what the clock shows.
pub(super) fn full_hours(from: Instant, to: Instant, zone: &TimeZone) -> Vec<(Instant, i8)> {
    let second = |at: Instant| at.timestamp().as_second();
    // Zones lie at multiples of a quarter of an hour from each other, and change at full minutes.
    let first = second(from).div_euclid(900) + 1;
    (first..=second(to).div_euclid(900))
        .filter_map(|quarter| {
            let at = jiff::Timestamp::from_second(quarter * 900).ok()?;
            let shown = at.to_zoned_datetime(zone.clone());
            (shown.minute() == 0).then(|| (Instant::from_timestamp(at), shown.hour()))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hours_are_those_of_the_clock() {
        let zone = TimeZone::get("Asia/Kathmandu").expect("in the database");
        let instant = |text: &str| text.parse::<Instant>().expect("a time");
        let hours = full_hours(
            instant("2026-11-25T16:00:00Z"),
            instant("2026-11-25T18:30:00Z"),
            &zone,
        );
        let shown: Vec<_> = hours.iter().map(|(at, h)| (at.to_string(), *h)).collect();
        assert_eq!(
            shown,
            [
                ("2026-11-25T16:15:00Z".to_owned(), 22),
                ("2026-11-25T17:15:00Z".to_owned(), 23),
                ("2026-11-25T18:15:00Z".to_owned(), 0)
            ]
        );
    }

    #[test]
    fn a_hostile_name_is_text() {
        let mut sheet = Sheet::new(10.0, 10.0, Look::Day, "<b>\"&");
        sheet.words([0.0, 0.0], "soft", "<script>");
        let svg = sheet.done();
        assert!(!svg.contains("<script>") && !svg.contains("<b>"), "{svg}");
    }

    #[test]
    fn the_red_look_holds_no_green_and_no_blue() {
        for ink in RED.split(['#', ';']).filter(|s| !s.starts_with("--")) {
            let rest = if ink.len() == 3 {
                &ink[1..]
            } else {
                ink.get(2..).unwrap_or("")
            };
            assert!(rest.chars().all(|c| c == '0'), "{ink}");
        }
    }
}
