//! The view from the site: the land's edge, the subject's way over it, the Milky Way, and what the lens
//! takes in.

use jiff::tz::TimeZone;
use nalgebra::Vector3;
use nightloom_sky::night::NightSample;
use nightloom_sky::subjects::milky_way::Arch;
use nightloom_sky::subjects::proper_name;
use nightloom_sky::{Angle, Instant, Skyline};

use super::labels::{Side, Taken, rect};
use super::svg::{Scale, Sheet, full_hours};
use super::{Look, StarsOver, SubjectWay};
use nightloom_outing::framing::Framing;

/// What the view shows.
pub struct NightView<'a> {
    /// Name or coordinates of the place.
    pub place: &'a str,
    /// The subjects, the first most of all.
    pub subjects: &'a [SubjectWay<'a>],
    /// The land's edge.
    pub skyline: &'a Skyline,
    /// The zone in whose time hours are shown.
    pub zone: &'a TimeZone,
    /// The Milky Way at `at`, if it is to be drawn.
    pub arch: Option<&'a Arch>,
    /// The stars at `at`, if they are to be drawn.
    pub stars: Option<&'a StarsOver>,
    /// The moment for which the Milky Way and the subject are marked.
    pub at: Option<Instant>,
    /// What the camera is to take in.
    pub framing: Option<Framing>,
    /// How well it does, in words under the view; none for nothing to say.
    pub note: Option<&'a str>,
    /// What is to be shown; found from what is to be seen when not given.
    pub window: Option<ViewWindow>,
}

/// The part of the sky that a view shows, and where on the sheet it lies.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct ViewWindow {
    /// First and last azimuth, degrees; the first from 0 to 360, the last up to 360 beyond it.
    pub azimuth_deg: [f64; 2],
    /// Lowest and highest altitude, degrees.
    pub altitude_deg: [f64; 2],
}

impl ViewWindow {
    /// Left, top, right and foot of the view on its sheet, and the sheet's width and height, units of the SVG.
    pub fn on_sheet(&self) -> ([f64; 4], [f64; 2]) {
        let foot = self.foot();
        ([LEFT, TOP, RIGHT, foot], [WIDTH, foot + 62.0])
    }

    fn degree(&self) -> f64 {
        (RIGHT - LEFT) / (self.azimuth_deg[1] - self.azimuth_deg[0])
    }

    fn foot(&self) -> f64 {
        TOP + (self.altitude_deg[1] - self.altitude_deg[0]) * self.degree()
    }
}

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 44.0;
const RIGHT: f64 = 984.0;
const TOP: f64 = 44.0;
/// Stars down to this V are named.
const NAMED: f32 = 2.1;

/// What a view shows where nobody holds it still.
pub fn view_window(view: &NightView<'_>) -> ViewWindow {
    let [from, to] = azimuths(view);
    let degree = (RIGHT - LEFT) / (to - from);
    let high = top_altitude(view).min(420.0 / degree).max(12.0);
    let low = (view.skyline.lowest().1.deg() - 3.0).max(-6.0);
    ViewWindow {
        azimuth_deg: [from, to],
        altitude_deg: [low, high],
    }
}

/// Draws the view: azimuth across, altitude up, one degree as long in both.
pub fn night_view(view: &NightView<'_>, look: Look) -> String {
    let window = view.window.unwrap_or_else(|| view_window(view));
    let ([from, to], [low, high]) = (window.azimuth_deg, window.altitude_deg);
    let names: Vec<&str> = view.subjects.iter().map(|s| s.name).collect();
    let title = match &names[..] {
        [] => format!("The skyline of {}", view.place),
        names => format!("{} over the skyline of {}", names.join(", "), view.place),
    };
    let ([.., foot], [_, height]) = window.on_sheet();
    let mut sheet = Sheet::new(WIDTH, height, look, &title);
    sheet.words([LEFT, 26.0], "big", &title);
    if let Some(at) = view.at {
        let shown = view.zone.to_datetime(at.plus_seconds(30.0).timestamp());
        sheet.words(
            [RIGHT, 26.0],
            "end soft",
            &format!("at {}", shown.strftime("%H:%M")),
        );
    }
    let draw = Draw {
        view,
        middle: (from + to) / 2.0,
        x: Scale::new([from, to], [LEFT, RIGHT]),
        y: Scale::new([low, high], [foot, TOP]),
        bounds: [from, to, low, high],
    };
    draw.grid(&mut sheet, foot);
    sheet.clipped("view", [LEFT, TOP], [RIGHT - LEFT, foot - TOP], |sheet| {
        let mut taken = Taken::default();
        draw.milky_way(sheet);
        draw.stars(sheet);
        draw.land(sheet);
        draw.keep_frames(&mut taken);
        for subject in view.subjects {
            draw.way(sheet, subject, &mut taken);
        }
        for subject in view.subjects {
            draw.hours(sheet, subject, &mut taken);
        }
        draw.core(sheet, &mut taken);
        draw.star_names(sheet, &mut taken);
        draw.frames(sheet);
    });
    draw.framing_note(&mut sheet, foot);
    sheet.done()
}

/// First and last azimuth shown, the first from 0° to 360°.
fn azimuths(view: &NightView<'_>) -> [f64; 2] {
    const LEAST: f64 = 60.0;
    let (mut points, mut margin) = (Vec::new(), 12.0);
    if let Some(framing) = &view.framing {
        let aims = framing.aims();
        points.extend(aims.iter().map(|aim| aim[0].deg()));
        margin += framing.field_deg()[0] / 2.0 / framing.altitude.cos().abs().max(0.3);
    }
    if points.is_empty() {
        points.extend(over(view).map(|s| s.0));
    }
    let Some(first) = points.first().copied() else {
        return [0.0, 360.0];
    };
    let near = |azimuth: &f64| first + (azimuth - first + 180.0).rem_euclid(360.0) - 180.0;
    let least = points.iter().map(near).fold(f64::MAX, f64::min) - margin;
    let most = points.iter().map(near).fold(f64::MIN, f64::max) + margin;
    let half = ((most - least).clamp(LEAST, 360.0)) / 2.0;
    let middle = (least + most) / 2.0;
    let from = (middle - half).rem_euclid(360.0);
    [from, from + 2.0 * half]
}

fn top_altitude(view: &NightView<'_>) -> f64 {
    let subject = over(view).map(|s| s.1).fold(30.0, f64::max);
    let frames = view.framing.map_or(0.0, |framing| {
        let half = framing.field_deg()[1] / 2.0;
        framing
            .aims()
            .iter()
            .map(|aim| aim[1].deg() + half)
            .fold(0.0, f64::max)
    });
    (subject.max(frames) + 5.0).min(90.0)
}

/// Where the subject is over the land in the dark: azimuth and altitude.
fn over<'a>(view: &'a NightView<'_>) -> impl Iterator<Item = (f64, f64)> + 'a {
    view.subjects
        .iter()
        .flat_map(|subject| subject.samples)
        .filter(|s| s.sun_altitude_deg < -12.0)
        .filter_map(|s| s.subject.as_ref())
        .filter(|s| s.altitude_deg >= s.skyline_deg)
        .map(|s| (s.azimuth_deg, s.altitude_deg))
}

fn nearest(samples: &[NightSample], at: Instant) -> Option<&NightSample> {
    let away = |s: &&NightSample| s.at.seconds_since(at).abs();
    samples.iter().min_by(|a, b| away(a).total_cmp(&away(b)))
}

struct Draw<'a> {
    view: &'a NightView<'a>,
    middle: f64,
    x: Scale,
    y: Scale,
    /// First and last azimuth, lowest and highest altitude.
    bounds: [f64; 4],
}

impl Draw<'_> {
    /// An azimuth as it lies nearest to the middle.
    fn along(&self, azimuth: f64) -> f64 {
        self.middle + (azimuth - self.middle + 180.0).rem_euclid(360.0) - 180.0
    }

    fn at(&self, azimuth: f64, altitude: f64) -> [f64; 2] {
        [self.x.at(self.along(azimuth)), self.y.at(altitude)]
    }

    fn towards(&self, d: &Vector3<f64>) -> [f64; 2] {
        let altitude = d.z.atan2(d.x.hypot(d.y)).to_degrees();
        self.at(d.x.atan2(d.y).to_degrees(), altitude)
    }

    /// Breaks a line where it leaves on one side and comes back on the other.
    fn unwrapped(&self, points: impl IntoIterator<Item = [f64; 2]>) -> Vec<[f64; 2]> {
        let mut out: Vec<[f64; 2]> = Vec::new();
        for point in points {
            if out
                .last()
                .is_some_and(|last| (last[0] - point[0]).abs() > 0.4 * (RIGHT - LEFT))
            {
                out.push([f64::NAN; 2]);
            }
            out.push(point);
        }
        out
    }

    fn grid(&self, sheet: &mut Sheet, foot: f64) {
        let [from, to, low, high] = self.bounds;
        sheet.block([LEFT, TOP], [RIGHT - LEFT, foot - TOP], "var(--night)");
        let step = if to - from > 200.0 { 30 } else { 10 };
        for azimuth in (from.ceil() as i32..=to as i32).filter(|a| a % step == 0) {
            let x = self.x.at(f64::from(azimuth));
            sheet.line("rule", [[x, TOP], [x, foot]]);
            let shown = azimuth.rem_euclid(360);
            let words = match shown {
                0 => "N".to_owned(),
                90 => "E".to_owned(),
                180 => "S".to_owned(),
                270 => "W".to_owned(),
                other => format!("{other}°"),
            };
            sheet.words([x, foot + 18.0], "mid soft", &words);
        }
        for altitude in (0..=high as i32).step_by(10) {
            let y = self.y.at(f64::from(altitude));
            if f64::from(altitude) >= low {
                sheet.line("rule", [[LEFT, y], [RIGHT, y]]);
                sheet.words([LEFT - 6.0, y + 4.0], "end soft small", &format!("{altitude}°"));
            }
        }
    }

    fn land(&self, sheet: &mut Sheet) {
        let [from, to, ..] = self.bounds;
        let steps = ((to - from) / 0.1).ceil() as usize;
        let edge = (0..=steps).map(|i| {
            let azimuth = from + (to - from) * i as f64 / steps as f64;
            let altitude = self
                .view
                .skyline
                .altitude(Angle::from_deg(azimuth.rem_euclid(360.0)));
            [self.x.at(azimuth), self.y.at(altitude.deg())]
        });
        let foot = self.y.at(self.bounds[2]) + 4.0;
        sheet.shape("land", edge.chain([[RIGHT + 4.0, foot], [LEFT - 4.0, foot]]));
    }

    fn milky_way(&self, sheet: &mut Sheet) {
        let Some(arch) = self.view.arch else {
            return;
        };
        let middle = arch
            .points(361)
            .map(|p| self.at(p.azimuth.deg(), p.altitude.deg()));
        let middle = self.unwrapped(middle);
        let width = 9.0 * (RIGHT - LEFT) / (self.bounds[1] - self.bounds[0]);
        sheet.put(format_args!(
            "<g style=\"stroke:var(--band);stroke-opacity:.35;stroke-width:{width:.1};fill:none;stroke-linecap:round\">"
        ));
        sheet.line("", middle.iter().copied());
        sheet.put(format_args!("</g>"));
        sheet.line("thin dots", middle);
    }

    /// Figures and stars, the brighter the larger.
    fn stars(&self, sheet: &mut Sheet) {
        let Some(stars) = self.view.stars else {
            return;
        };
        for line in &stars.lines {
            let points = line
                .iter()
                .map(|[azimuth, altitude]| self.at(*azimuth, *altitude));
            sheet.line("figure", self.unwrapped(points));
        }
        for star in &stars.stars {
            let [x, y] = self.at(star.place[0], star.place[1]);
            if self.is_in_view([x, y]) {
                let r = (2.6 - 0.45 * f64::from(star.v_mag)).clamp(0.6, 3.2);
                sheet.put(format_args!(
                    "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" class=\"star\"/>"
                ));
            }
        }
    }

    /// Whether words lie wholly in the view.
    fn holds(&self, at: [f64; 2], side: Side, words: &str) -> bool {
        let [left, top, right, bottom] = rect(at, side, words);
        left >= LEFT && right <= RIGHT && top >= TOP && bottom <= self.y.at(self.bounds[2])
    }

    fn is_in_view(&self, [x, y]: [f64; 2]) -> bool {
        (LEFT..=RIGHT).contains(&x) && (TOP..=self.y.at(self.bounds[2])).contains(&y)
    }

    /// The names of the brightest stars, then of constellations, where there is room and sky.
    fn star_names(&self, sheet: &mut Sheet, taken: &mut Taken) {
        let Some(stars) = self.view.stars else {
            return;
        };
        let over_land = |[azimuth, altitude]: [f64; 2]| {
            altitude > self.view.skyline.altitude(Angle::from_deg(azimuth)).deg()
        };
        let mut write = |place: [f64; 2], down: f64, name: &str| {
            let [x, y] = self.at(place[0], place[1]);
            let at = [x, y + down];
            if over_land(place) && self.holds(at, Side::Middle, name) {
                taken.write(sheet, at, Side::Middle, name);
            }
        };
        for star in stars.stars.iter().filter(|s| s.v_mag <= NAMED) {
            if let Some(name) = proper_name(star.hip) {
                write(star.place, -6.0, name);
            }
        }
        for (name, place) in &stars.constellations {
            write(*place, 4.0, &name.to_uppercase());
        }
    }

    /// Where the Milky Way's core is.
    fn core(&self, sheet: &mut Sheet, taken: &mut Taken) {
        let Some(arch) = self.view.arch else {
            return;
        };
        let core = arch.core();
        let [x, y] = self.at(core.azimuth.deg(), core.altitude.deg());
        if core.altitude.deg() > 0.0 {
            sheet.put(format_args!(
                "<path class=\"line\" d=\"M{:.1} {y:.1}h12M{x:.1} {:.1}v12\"/>",
                x - 6.0,
                y - 6.0
            ));
            taken.write(sheet, [x, y - 12.0], Side::Middle, "core");
        }
    }

    /// Where the subject is, and whether it is over the land in the dark.
    fn place(&self, s: &NightSample) -> Option<([f64; 2], bool)> {
        let subject = s.subject.as_ref()?;
        Some((
            self.at(subject.azimuth_deg, subject.altitude_deg),
            subject.altitude_deg >= subject.skyline_deg && s.sun_altitude_deg < -18.0,
        ))
    }

    /// The subject's way: solid in the dark over the land, dotted otherwise; a ring where it is at the moment.
    fn way(&self, sheet: &mut Sheet, subject: &SubjectWay<'_>, taken: &mut Taken) {
        let place = |s: &NightSample| self.place(s);
        let points: Vec<_> = subject.samples.iter().filter_map(place).collect();
        let all = self.unwrapped(points.iter().map(|p| p.0));
        sheet.line("thin dots", all);
        let dark = points
            .iter()
            .map(|(p, dark)| if *dark { *p } else { [f64::NAN; 2] });
        sheet.line("line", self.unwrapped(dark));
        let now = self.view.at.and_then(|at| nearest(subject.samples, at));
        if let Some(([x, y], _)) = now.and_then(place) {
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"8\" class=\"line\"/>"
            ));
            if self.view.subjects.len() > 1 {
                taken.write(sheet, [x, y + 20.0], Side::Middle, subject.name);
            }
        }
    }

    /// The hours along the subject's way, each named where there is room.
    fn hours(&self, sheet: &mut Sheet, subject: &SubjectWay<'_>, taken: &mut Taken) {
        let (Some(first), Some(last)) = (subject.samples.first(), subject.samples.last()) else {
            return;
        };
        for (at, hour) in full_hours(first.at, last.at, self.view.zone) {
            if let Some(([x, y], true)) = nearest(subject.samples, at).and_then(|s| self.place(s)) {
                if !(LEFT..=RIGHT).contains(&x) {
                    continue;
                }
                sheet.put(format_args!(
                    "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3\" class=\"fill\"/>"
                ));
                let words = format!("{hour:02} h");
                // Beside its point on whichever side is free and in the view.
                let sides = [
                    ([x + 7.0, y - 5.0], Side::Start),
                    ([x - 7.0, y - 5.0], Side::End),
                    ([x + 7.0, y + 14.0], Side::Start),
                    ([x - 7.0, y + 14.0], Side::End),
                ];
                let mut sides = sides
                    .into_iter()
                    .filter(|(at, side)| self.holds(*at, *side, &words));
                sides.any(|(at, side)| taken.write(sheet, at, side, &words));
            }
        }
    }

    /// Nothing is written on the frames' borders, nor on the marks of the moment.
    fn keep_frames(&self, taken: &mut Taken) {
        const ROUND: f64 = 3.0;
        let aims = self.view.framing.iter().flat_map(|f| {
            let of = |aim| f.border(aim).iter().map(|d| self.towards(d)).collect::<Vec<_>>();
            f.aims().into_iter().map(of).collect::<Vec<_>>()
        });
        for border in aims {
            let next = border.iter().skip(1).chain(border.first());
            for ([x0, y0], [x1, y1]) in border.iter().zip(next) {
                // In pieces, as a slanting side's box covers much that is free.
                let pieces = ((x1 - x0).hypot(y1 - y0) / 12.0).ceil().clamp(1.0, 40.0);
                for k in 0..=pieces as usize {
                    let part = k as f64 / pieces;
                    let (x, y) = (x0 + part * (x1 - x0), y0 + part * (y1 - y0));
                    taken.keep([x - ROUND, y - ROUND, x + ROUND, y + ROUND]);
                }
            }
        }
        for subject in self.view.subjects {
            let now = self.view.at.and_then(|at| nearest(subject.samples, at));
            if let Some(([x, y], _)) = now.and_then(|s| self.place(s)) {
                taken.keep([x - 9.0, y - 9.0, x + 9.0, y + 9.0]);
            }
        }
    }

    fn frames(&self, sheet: &mut Sheet) {
        let Some(framing) = &self.view.framing else {
            return;
        };
        for aim in framing.aims() {
            let border = framing.border(aim);
            let points = self.unwrapped(border.iter().map(|d| self.towards(d)));
            let closed = points.first().copied();
            sheet.line("line dash", points.into_iter().chain(closed));
        }
    }

    fn framing_note(&self, sheet: &mut Sheet, foot: f64) {
        let Some(framing) = &self.view.framing else {
            return;
        };
        let [wide, tall] = framing.field_deg();
        let [columns, rows] = framing.frames;
        let count = match columns * rows {
            1 => "one frame".to_owned(),
            n => format!(
                "{n} frames ({columns} × {rows}), {:.0} % overlap",
                framing.overlap * 100.0
            ),
        };
        let words = format!(
            "{count} of {wide:.1}° × {tall:.1}°, aimed at azimuth {:.1}°, altitude {:.1}°",
            framing.azimuth.deg(),
            framing.altitude.deg()
        );
        sheet.words([LEFT, foot + 36.0], "soft small", &words);
        if let Some(note) = self.view.note {
            sheet.words([LEFT, foot + 52.0], "soft small", note);
        }
    }
}
