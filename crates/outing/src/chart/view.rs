//! The view from the site: the land's edge, the subject's way over it, the Milky Way, and what the lens
//! takes in.

use jiff::tz::TimeZone;
use nalgebra::{Rotation3, Unit, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::night::NightSample;
use nightloom_sky::subjects::milky_way::Arch;
use nightloom_sky::{Angle, Instant, Skyline};

use super::Look;
use super::svg::{Scale, Sheet, full_hours};

/// What the view shows.
pub struct NightView<'a> {
    /// Name or coordinates of the place.
    pub place: &'a str,
    /// Name of the subject.
    pub subject: Option<&'a str>,
    /// The land's edge.
    pub skyline: &'a Skyline,
    /// The night sampled, with the subject.
    pub samples: &'a [NightSample],
    /// The zone in whose time hours are shown.
    pub zone: &'a TimeZone,
    /// The Milky Way at `at`, if it is to be drawn.
    pub arch: Option<&'a Arch>,
    /// The moment for which the Milky Way and the subject are marked.
    pub at: Option<Instant>,
    /// What the camera is to take in.
    pub framing: Option<Framing>,
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
        ([LEFT, TOP, RIGHT, foot], [WIDTH, foot + 44.0])
    }

    fn degree(&self) -> f64 {
        (RIGHT - LEFT) / (self.azimuth_deg[1] - self.azimuth_deg[0])
    }

    fn foot(&self) -> f64 {
        TOP + (self.altitude_deg[1] - self.altitude_deg[0]) * self.degree()
    }
}

/// A camera's aim, and how many frames make the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Framing {
    /// The lens with the sensor's middle as its centre.
    pub lens: Lens,
    /// Sensor in pixels, as the camera lies: width first.
    pub size_px: [f64; 2],
    /// Camera upright.
    pub portrait: bool,
    /// Azimuth of the picture's middle.
    pub azimuth: Angle,
    /// Altitude of the picture's middle.
    pub altitude: Angle,
    /// Frames across and rows up.
    pub frames: [usize; 2],
    /// Share of a frame that it has in common with its neighbour, 0 to 0.9.
    pub overlap: f64,
}

impl Framing {
    /// Field of one frame as it is held: width and height in degrees, through the middle.
    pub fn field_deg(&self) -> [f64; 2] {
        let [w, h] = self.size_px;
        let across = |a: [f64; 2], b: [f64; 2]| match (self.lens.unproject(a), self.lens.unproject(b)) {
            (Some(a), Some(b)) => a.angle(&b).to_degrees(),
            _ => 180.0,
        };
        let wide = across([0.0, h / 2.0], [w, h / 2.0]);
        let tall = across([w / 2.0, 0.0], [w / 2.0, h]);
        if self.portrait { [tall, wide] } else { [wide, tall] }
    }

    /// Middle of each frame: azimuth and altitude, row by row from below.
    ///
    /// Rows step in altitude by a frame's height less the overlap; the frames of a row step in azimuth by a
    /// frame's width less the overlap over the cosine of the altitude at which the row is widest.
    pub fn aims(&self) -> Vec<[Angle; 2]> {
        let [wide, tall] = self.field_deg();
        let keep = 1.0 - self.overlap.clamp(0.0, 0.9);
        let [columns, rows] = self.frames.map(|n| n.max(1));
        let centred = |i: usize, n: usize, step: f64| (i as f64 - (n - 1) as f64 / 2.0) * step;
        let mut aims = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            let altitude = (self.altitude.deg() + centred(row, rows, tall * keep)).clamp(-90.0, 90.0);
            // The lowest edge of the row spans the fewest degrees of azimuth.
            let lowest = (altitude.abs() - tall / 2.0).max(0.0).to_radians();
            let step = (wide * keep / lowest.cos().max(0.1)).min(90.0);
            for column in 0..columns {
                let azimuth = (self.azimuth.deg() + centred(column, columns, step)).rem_euclid(360.0);
                aims.push([Angle::from_deg(azimuth), Angle::from_deg(altitude)]);
            }
        }
        aims
    }

    /// The border of a frame aimed so: directions in the ground frame.
    fn border(&self, [azimuth, altitude]: [Angle; 2]) -> Vec<Vector3<f64>> {
        let forward = direction(azimuth, altitude);
        let right = Vector3::new(azimuth.cos(), -azimuth.sin(), 0.0);
        let turn = if self.portrait {
            std::f64::consts::FRAC_PI_2
        } else {
            0.0
        };
        let roll = Rotation3::from_axis_angle(&Unit::new_normalize(forward), turn);
        let (right, down) = (roll * right, roll * forward.cross(&right));
        let [w, h] = self.size_px;
        let corners = [[0.0, 0.0], [w, 0.0], [w, h], [0.0, h], [0.0, 0.0]];
        let side = |pair: &[[f64; 2]]| {
            let [a, b] = [pair[0], pair[1]];
            (0..24).map(move |i| {
                let t = f64::from(i) / 24.0;
                [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
            })
        };
        let points = corners.windows(2).flat_map(side);
        points
            .filter_map(|pixel| self.lens.unproject(pixel))
            .map(|d| right * d.x + down * d.y + forward * d.z)
            .collect()
    }
}

fn direction(azimuth: Angle, altitude: Angle) -> Vector3<f64> {
    Vector3::new(
        azimuth.sin() * altitude.cos(),
        azimuth.cos() * altitude.cos(),
        altitude.sin(),
    )
}

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 44.0;
const RIGHT: f64 = 984.0;
const TOP: f64 = 44.0;

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
    let foot = window.foot();
    let title = match view.subject {
        Some(subject) => format!("{subject} over the skyline of {}", view.place),
        None => format!("The skyline of {}", view.place),
    };
    let mut sheet = Sheet::new(WIDTH, foot + 44.0, look, &title);
    sheet.words([LEFT, 26.0], "big", &title);
    let draw = Draw {
        view,
        middle: (from + to) / 2.0,
        x: Scale::new([from, to], [LEFT, RIGHT]),
        y: Scale::new([low, high], [foot, TOP]),
        bounds: [from, to, low, high],
    };
    draw.grid(&mut sheet, foot);
    sheet.clipped("view", [LEFT, TOP], [RIGHT - LEFT, foot - TOP], |sheet| {
        draw.milky_way(sheet);
        draw.land(sheet);
        draw.way(sheet);
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
    view.samples
        .iter()
        .filter(|s| s.sun_altitude_deg < -12.0)
        .filter_map(|s| s.subject.as_ref())
        .filter(|s| s.altitude_deg >= s.skyline_deg)
        .map(|s| (s.azimuth_deg, s.altitude_deg))
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
            "<g style=\"stroke:var(--paper);stroke-opacity:.35;stroke-width:{width:.1};fill:none;stroke-linecap:round\">"
        ));
        sheet.line("", middle.iter().copied());
        sheet.put(format_args!("</g>"));
        sheet.line("thin dots", middle);
        let core = arch.core();
        let [x, y] = self.at(core.azimuth.deg(), core.altitude.deg());
        if core.altitude.deg() > 0.0 {
            sheet.put(format_args!(
                "<path class=\"line\" d=\"M{:.1} {y:.1}h12M{x:.1} {:.1}v12\"/>",
                x - 6.0,
                y - 6.0
            ));
            sheet.words([x, y - 12.0], "mid small halo", "core");
        }
    }

    /// The subject's way: solid in the dark over the land, dotted otherwise, with the hours.
    fn way(&self, sheet: &mut Sheet) {
        let place = |s: &NightSample| {
            let subject = s.subject.as_ref()?;
            Some((
                self.at(subject.azimuth_deg, subject.altitude_deg),
                subject.altitude_deg >= subject.skyline_deg && s.sun_altitude_deg < -18.0,
            ))
        };
        let points: Vec<_> = self.view.samples.iter().filter_map(place).collect();
        let all = self.unwrapped(points.iter().map(|p| p.0));
        sheet.line("thin dots", all);
        let dark = points
            .iter()
            .map(|(p, dark)| if *dark { *p } else { [f64::NAN; 2] });
        sheet.line("line", self.unwrapped(dark));
        let (Some(first), Some(last)) = (self.view.samples.first(), self.view.samples.last()) else {
            return;
        };
        for (at, hour) in full_hours(first.at, last.at, self.view.zone) {
            if let Some(([x, y], true)) = self.nearest(at).and_then(place) {
                sheet.put(format_args!(
                    "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3\" class=\"fill\"/>"
                ));
                sheet.words([x + 7.0, y - 5.0], "small halo", &format!("{hour:02} h"));
            }
        }
        if let Some(([x, y], _)) = self.view.at.and_then(|at| self.nearest(at)).and_then(place) {
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"8\" class=\"line\"/>"
            ));
        }
    }

    fn nearest(&self, at: Instant) -> Option<&NightSample> {
        let away = |s: &&NightSample| s.at.seconds_since(at).abs();
        self.view
            .samples
            .iter()
            .min_by(|a, b| away(a).total_cmp(&away(b)))
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
    }
}
