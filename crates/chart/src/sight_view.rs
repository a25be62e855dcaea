//! The view through a sight at the pole: where the pole star should stand, where it stands, and what is good
//! enough.
//!
//! The middle is where the tracker's axis points. Straight up is up, as the eye sees it; an optic that turns or
//! mirrors the picture gets its own.

use jiff::tz::TimeZone;
use nightloom_sky::{Angle, Instant, PoleOffset};

use super::Look;
use super::labels::{Side, Taken, rect, round_step};
use super::svg::{Sheet, clock};

/// What an optic does to the picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Flip {
    /// Nothing: the eye, a sighting tube.
    #[default]
    Eye,
    /// Upside down: turned by half a turn.
    Inverted,
    /// Left and right exchanged.
    Mirrored,
}

/// What the view shows. Offsets are from the pole as the air shows it.
pub struct SightView<'a> {
    /// Name of the star to aim by.
    pub star: &'a str,
    /// Where and when, in words.
    pub place: &'a str,
    /// The star now.
    pub now: PoleOffset,
    /// The moment of `now`.
    pub at: Instant,
    /// The star's way over the coming hours, at even steps.
    pub path: &'a [(Instant, PoleOffset)],
    /// Other stars near the pole, their magnitudes, and the letters of those that make a figure.
    pub others: &'a [(PoleOffset, f32, Option<&'static str>)],
    /// How far the axis may be off for the exposure planned.
    pub tolerance: Option<Angle>,
    /// The axis against the pole: up, and right as one faces the pole.
    pub error: Option<[Angle; 2]>,
    /// The same before the last adjustment.
    pub before: Option<[Angle; 2]>,
    /// What the sight does.
    pub flip: Flip,
    /// The zone in whose time hours are shown.
    pub zone: &'a TimeZone,
    /// Sentences below.
    pub notes: &'a [String],
}

const WIDTH: f64 = 720.0;
const MIDDLE: [f64; 2] = [360.0, 362.0];
const RADIUS: f64 = 270.0;
/// Smallest radius shown, arcminutes.
const LEAST_ARCMIN: f64 = 10.0;

/// Draws the view.
pub fn sight_view(view: &SightView<'_>, look: Look) -> String {
    let lines: Vec<String> = view.notes.iter().flat_map(|n| wrapped(n, 104)).collect();
    let height = 716.0 + 16.0 * lines.len() as f64;
    let title = format!("{} in the sight", view.star);
    let mut sheet = Sheet::new(WIDTH, height, look, &title);
    let draw = Draw::new(view);
    sheet.words([28.0, 32.0], "big", &title);
    sheet.words([28.0, 50.0], "soft", view.place);
    let kind = match view.flip {
        Flip::Eye => "as the eye sees it",
        Flip::Inverted => "in a sight that turns the picture upside down",
        Flip::Mirrored => "in a sight that mirrors left and right",
    };
    sheet.words([WIDTH - 28.0, 32.0], "end soft", kind);
    draw.dial(&mut sheet);
    draw.others(&mut sheet);
    draw.way(&mut sheet);
    draw.marks(&mut sheet);
    draw.legend(&mut sheet);
    for (n, line) in lines.iter().enumerate() {
        sheet.words([28.0, 712.0 + 16.0 * n as f64], "soft", line);
    }
    sheet.done()
}

/// Words in lines of at most so many characters.
/// Between the rings, arcminutes: whole degrees where they are far apart.
fn ring_step(reach: f64) -> f64 {
    let step = round_step(reach, 5.0);
    if step < 60.0 {
        step
    } else {
        60.0 * round_step(reach / 60.0, 5.0).max(1.0)
    }
}

fn ring_words(ring: f64, step: f64) -> String {
    if step >= 60.0 {
        format!("{:.0}°", ring / 60.0)
    } else {
        format!("{ring:.0}′")
    }
}

fn wrapped(text: &str, most: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + 1 + word.chars().count() > most {
            lines.push(word.to_owned());
        } else {
            let gap = if lines[last].is_empty() { "" } else { " " };
            lines[last] += &format!("{gap}{word}");
        }
    }
    lines
}

struct Draw<'a> {
    view: &'a SightView<'a>,
    /// Units of the sheet an arcminute.
    scale: f64,
    /// Radius shown, arcminutes.
    reach: f64,
    taken: std::cell::RefCell<Taken>,
}

/// Right and up, arcminutes, of an offset from the pole.
fn offset([separation, clock]: [Angle; 2]) -> [f64; 2] {
    [
        separation.arcmin() * clock.sin(),
        separation.arcmin() * clock.cos(),
    ]
}

fn place(p: &PoleOffset) -> [f64; 2] {
    offset([p.separation, p.clock_angle])
}

impl<'a> Draw<'a> {
    fn new(view: &'a SightView<'a>) -> Self {
        let error = |e: Option<[Angle; 2]>| e.map_or([0.0; 2], |[up, right]| [right.arcmin(), up.arcmin()]);
        let goal = place(&view.now);
        let is = |e: [f64; 2]| (goal[0] - e[0]).hypot(goal[1] - e[1]);
        let figure = view
            .others
            .iter()
            .filter(|o| o.2.is_some() && view.error.is_none());
        let reach = [
            figure.map(|o| 0.92 * o.0.separation.arcmin()).fold(0.0, f64::max),
            goal[0].hypot(goal[1]),
            is(error(view.error)),
            is(error(view.before)),
            LEAST_ARCMIN,
        ];
        let reach = 1.28 * reach.into_iter().fold(0.0, f64::max);
        let mut taken = Taken::default();
        // The names of the directions.
        for way in 0..4 {
            let a = std::f64::consts::FRAC_PI_2 * f64::from(way);
            let [x, y] = [
                MIDDLE[0] + (RADIUS + 18.0) * a.sin(),
                MIDDLE[1] - (RADIUS + 18.0) * a.cos(),
            ];
            taken.keep([x - 30.0, y - 12.0, x + 30.0, y + 8.0]);
        }
        Self {
            view,
            scale: RADIUS / reach,
            reach,
            taken: taken.into(),
        }
    }

    /// Where a point right and up of the middle falls on the sheet.
    fn at(&self, [right, up]: [f64; 2]) -> [f64; 2] {
        let [right, up] = match self.view.flip {
            Flip::Eye => [right, up],
            Flip::Inverted => [-right, -up],
            Flip::Mirrored => [-right, up],
        };
        [MIDDLE[0] + right * self.scale, MIDDLE[1] - up * self.scale]
    }

    fn circle(sheet: &mut Sheet, [x, y]: [f64; 2], radius: f64, class: &str) {
        sheet.put(format_args!(
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" class=\"{class}\"/>"
        ));
    }

    /// Rings of distance, the clock's marks, the cross of the axis.
    fn dial(&self, sheet: &mut Sheet) {
        Self::circle(sheet, MIDDLE, RADIUS, "thin");
        let step = ring_step(self.reach);
        let mut ring = step;
        while ring < self.reach * 0.97 {
            Self::circle(sheet, MIDDLE, ring * self.scale, "rule");
            let words = ring_words(ring, step);
            let at = [MIDDLE[0] + 4.0, MIDDLE[1] + ring * self.scale - 3.0];
            let mut taken = self.taken.borrow_mut();
            if taken.free(rect(at, Side::Start, &words)) {
                taken.keep(rect(at, Side::Start, &words));
                sheet.words(at, "soft small halo", &words);
            }
            ring += step;
        }
        for n in 0..72 {
            let a = std::f64::consts::TAU * f64::from(n) / 72.0;
            let length = if n % 6 == 0 { 12.0 } else { 5.0 };
            let at = |r: f64| [MIDDLE[0] + r * a.sin(), MIDDLE[1] - r * a.cos()];
            sheet.line("thin", [at(RADIUS), at(RADIUS - length)]);
        }
        for clock_deg in [0.0, 90.0, 180.0, 270.0] {
            let rim = offset([Angle::from_arcmin(self.reach), Angle::from_deg(clock_deg)]);
            let [x, y] = self.at(rim);
            let (dx, dy) = ((x - MIDDLE[0]) / RADIUS, (y - MIDDLE[1]) / RADIUS);
            let words = if clock_deg == 0.0 {
                "0° up".to_owned()
            } else {
                format!("{clock_deg:.0}°")
            };
            sheet.words([x + 22.0 * dx, y + 18.0 * dy + 4.0], "mid soft", &words);
        }
        for [dx, dy] in [[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]] {
            let at = |r: f64| [MIDDLE[0] + r * dx, MIDDLE[1] + r * dy];
            sheet.line("ink", [at(5.0), at(16.0)]);
        }
    }

    /// Where a star stands in the sight whose axis is off by `error`; in front of the pole itself without one.
    fn in_sight(&self, p: &PoleOffset, error: Option<[Angle; 2]>) -> [f64; 2] {
        let [right, up] = place(p);
        let [e_up, e_right] = error.unwrap_or_default();
        self.at([right - e_right.arcmin(), up - e_up.arcmin()])
    }

    fn others(&self, sheet: &mut Sheet) {
        sheet.put(format_args!(
            "<clipPath id=\"dial\"><circle cx=\"{}\" cy=\"{}\" r=\"{}\"/></clipPath><g clip-path=\"url(#dial)\">",
            MIDDLE[0], MIDDLE[1], RADIUS
        ));
        for (p, magnitude, letter) in self.view.others {
            let radius = f64::from(6.6 - 0.64 * magnitude).max(1.4);
            let [x, y] = self.in_sight(p, None);
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\" style=\"fill:var(--soft)\"/>"
            ));
            if let Some(letter) = letter {
                sheet.words([x + 8.0, y + 4.0], "halo", letter);
            }
        }
        sheet.put(format_args!("</g>"));
    }

    /// The star's way over the coming hours.
    fn way(&self, sheet: &mut Sheet) {
        let separation = self.view.now.separation.arcmin();
        Self::circle(sheet, MIDDLE, separation * self.scale, "rule dash");
        sheet.line("line", self.view.path.iter().map(|(_, p)| self.in_sight(p, None)));
        let step = self.view.path.len().saturating_sub(1).max(1);
        let hours = self
            .view
            .path
            .iter()
            .enumerate()
            .filter(|(n, _)| n * 6 % step < 6);
        let mut hour = 0;
        for (_, (at, p)) in hours {
            let since = at.seconds_since(self.view.at) / 3600.0;
            if since < f64::from(hour) + 0.99 {
                continue;
            }
            hour += 1;
            let [x, y] = self.in_sight(p, None);
            let (dx, dy) = (x - MIDDLE[0], y - MIDDLE[1]);
            let far = dx.hypot(dy).max(1.0);
            let out = |r: f64| [x + dx / far * r, y + dy / far * r];
            sheet.line("ink", [out(-4.0), out(4.0)]);
            let words = clock(*at, self.view.zone);
            let [tx, ty] = out(17.0);
            let side = if dx > 0.3 * far {
                Side::Start
            } else if dx < -0.3 * far {
                Side::End
            } else {
                Side::Middle
            };
            self.taken.borrow_mut().write(sheet, [tx, ty + 4.0], side, &words);
        }
    }

    /// Where the star should be, the tolerance about it, and where it is.
    fn marks(&self, sheet: &mut Sheet) {
        let goal = self.in_sight(&self.view.now, None);
        if let Some(tolerance) = self.view.tolerance {
            let radius = tolerance.arcmin() * self.scale;
            if radius < 2.0 * RADIUS {
                sheet.put(format_args!("<g clip-path=\"url(#dial)\">"));
                Self::circle(sheet, goal, radius, "line dots");
                sheet.put(format_args!("</g>"));
            }
        }
        if let Some(error) = self.view.before {
            let was = self.in_sight(&self.view.now, Some(error));
            cross(sheet, was, 5.0, "thin");
        }
        if let Some(error) = self.view.error {
            let is = self.in_sight(&self.view.now, Some(error));
            arrow(sheet, is, goal);
            cross(sheet, is, 7.0, "line");
        }
        Self::circle(sheet, goal, 9.0, "line");
        Self::circle(sheet, goal, 4.5, "fill");
    }

    fn legend(&self, sheet: &mut Sheet) {
        let mut x = 40.0;
        let mut put = |sheet: &mut Sheet, draw: &dyn Fn(&mut Sheet, f64), words: &str| {
            draw(sheet, x);
            sheet.words([x + 18.0, 688.0], "small", words);
            x += 34.0 + 5.9 * words.chars().count() as f64;
        };
        let now = clock(self.view.at, self.view.zone);
        put(
            sheet,
            &|s, x| {
                Self::circle(s, [x, 684.0], 8.0, "line");
                Self::circle(s, [x, 684.0], 4.0, "fill");
            },
            &format!("{} belongs here at {now}", self.view.star),
        );
        if self.view.error.is_some() {
            put(sheet, &|s, x| cross(s, [x, 684.0], 6.0, "line"), "there it is");
        }
        if self.view.before.is_some() {
            put(sheet, &|s, x| cross(s, [x, 684.0], 5.0, "thin"), "there it was");
        }
        if let Some(tolerance) = self.view.tolerance {
            let words = format!("good enough: {:.0}′", tolerance.arcmin());
            put(
                sheet,
                &|s, x| Self::circle(s, [x, 684.0], 8.0, "line dots"),
                &words,
            );
        }
    }
}

fn cross(sheet: &mut Sheet, [x, y]: [f64; 2], size: f64, class: &str) {
    sheet.line(class, [[x - size, y - size], [x + size, y + size]]);
    sheet.line(class, [[x - size, y + size], [x + size, y - size]]);
}

/// From where the star is to where it belongs, short of both marks.
fn arrow(sheet: &mut Sheet, from: [f64; 2], to: [f64; 2]) {
    let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
    let far = dx.hypot(dy);
    if far < 34.0 {
        return;
    }
    let (ux, uy) = (dx / far, dy / far);
    let tip = [to[0] - 13.0 * ux, to[1] - 13.0 * uy];
    sheet.line("ink", [[from[0] + 12.0 * ux, from[1] + 12.0 * uy], tip]);
    let barb = |side: f64| {
        [
            tip[0] - 9.0 * ux + side * 4.0 * uy,
            tip[1] - 9.0 * uy - side * 4.0 * ux,
        ]
    };
    sheet.shape("fill", [tip, barb(1.0), barb(-1.0)]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rings_are_named_by_their_distance() {
        for reach in [4.0, 40.0, 90.0, 150.0, 240.0, 310.0, 420.0, 700.0, 1500.0] {
            let step = ring_step(reach);
            for n in 1..=(reach / step) as usize {
                let ring = n as f64 * step;
                let words = ring_words(ring, step);
                let arcmin = match (words.strip_suffix('°'), words.strip_suffix('′')) {
                    (Some(degrees), _) => 60.0 * degrees.parse::<f64>().unwrap(),
                    (_, Some(arcmin)) => arcmin.parse().unwrap(),
                    _ => panic!("{words}"),
                };
                assert!((arcmin - ring).abs() <= 0.5, "{ring}′ is told as {words}");
            }
        }
    }
}
