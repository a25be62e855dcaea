//! Trails over the frame: strokes for their direction, numbers for their length, lines of equal length.

use nightloom_optics::{Shot, Trail, Trailing};

use super::Look;
use super::contour::contour;
use super::labels::{Side, Taken, rect, round_step, time, two_figures};
use super::svg::{Scale, Sheet};
use nightloom_outing::short;

/// What the map shows.
#[derive(Clone, Copy, Debug)]
pub struct TrailPicture {
    /// The exposure.
    pub shot: Shot,
    /// Longest trail that is still a point, pixels: its line is drawn thick.
    pub tolerance_px: f64,
}

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 84.0;
const RIGHT: f64 = 916.0;
const TOP: f64 = 84.0;
/// The frame is no taller than this, whatever its shape.
const TALLEST: f64 = 620.0;
/// Strokes across the longer side.
const STROKES: f64 = 15.0;
/// Places of the grid for the lines of equal length, across and down.
const FINE: [usize; 2] = [97, 65];
/// The longest stroke over the distance of neighbours.
const FILLED: f64 = 0.72;
/// Lines of equal length, at most.
const LEVELS: f64 = 6.0;
/// Differences below that are of no use to anyone.
const LEAST_STEP_PX: f64 = 0.05;

/// Draws how stars trail over the frame, as the scene is seen.
pub fn trail_map(picture: &TrailPicture, look: Look) -> String {
    let shot = &picture.shot;
    let draw = Draw::new(picture);
    let kind = if shot.tracker.is_some() {
        "tracked"
    } else {
        "fixed camera"
    };
    let title = format!(
        "Trails in {}, {} mm, {kind}",
        time(shot.seconds),
        short(shot.camera.focal_mm())
    );
    let mut sheet = Sheet::new(WIDTH, draw.foot + 78.0, look, &title);
    sheet.words([LEFT, 26.0], "big", &title);
    sheet.words([RIGHT, 26.0], "end soft", &draw.where_it_looks());
    let mut taken = Taken::default();
    draw.numbers(&mut sheet, &mut taken);
    let (corner, size) = ([draw.left, TOP], [draw.right - draw.left, draw.foot - TOP]);
    let levels = draw.levels();
    sheet.clipped("frame", corner, size, |sheet| draw.contours(sheet, &levels));
    draw.names_of_contours(&mut sheet, &levels, &mut taken);
    draw.strokes(&mut sheet, &taken);
    sheet.shape(
        "thin",
        [
            corner,
            [draw.right, TOP],
            [draw.right, draw.foot],
            [draw.left, draw.foot],
        ],
    );
    draw.key(&mut sheet);
    sheet.done()
}

/// A line of equal length: its pieces on the sheet.
struct Level {
    px: f64,
    tolerance: bool,
    pieces: Vec<[[f64; 2]; 2]>,
}

struct Draw<'a> {
    picture: &'a TrailPicture,
    /// The frame on the sheet.
    left: f64,
    right: f64,
    foot: f64,
    x: Scale,
    y: Scale,
    /// Places on the fine grid, and the lengths there; NaN where there is none.
    fine_at: Vec<[f64; 2]>,
    fine_px: Vec<f64>,
    /// Where strokes stand, with their trails.
    strokes: Vec<([f64; 2], Trail)>,
    /// Sheet units to a pixel of the frame.
    unit: f64,
    /// How many times longer than the frame the strokes are drawn; 0 where no star moves.
    times: f64,
    cell: f64,
}

impl<'a> Draw<'a> {
    fn new(picture: &'a TrailPicture) -> Self {
        let camera = &picture.shot.camera;
        let (wide, tall) = (camera.width_px, camera.height_px);
        let unit = ((RIGHT - LEFT) / wide).min(TALLEST / tall);
        let left = (LEFT + RIGHT - wide * unit) / 2.0;
        let (right, foot) = (left + wide * unit, TOP + tall * unit);
        let x = Scale::new([-0.5, wide - 0.5], [left, right]);
        let y = Scale::new([-0.5, tall - 0.5], [TOP, foot]);
        let map = picture.shot.trail_map(FINE[0], FINE[1], Trailing::Sky);
        let place = |px: &[f64; 2]| [x.at(px[0]), y.at(px[1])];
        let cell = (right - left).max(foot - TOP) / STROKES;
        let strokes = strokes(picture, [(right - left) / cell, (foot - TOP) / cell]);
        let longest = strokes.iter().map(|s| s.1.extent_px).fold(0.0, f64::max);
        Self {
            picture,
            left,
            right,
            foot,
            x,
            y,
            fine_at: map.at_px.iter().map(place).collect(),
            fine_px: map
                .trails
                .iter()
                .map(|t| t.map_or(f64::NAN, |t| t.length_px))
                .collect(),
            strokes,
            times: two_figures(FILLED * cell / longest / unit),
            unit,
            cell,
        }
    }

    fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.x.at(x), self.y.at(y)]
    }

    fn where_it_looks(&self) -> String {
        let shot = &self.picture.shot;
        let axis = match shot.tracker {
            Some(tracker) => {
                let off = tracker.axis_error(&shot.scene.north_pole());
                format!("axis {:.1}′ off the pole · ", off.arcmin())
            }
            None => String::new(),
        };
        format!(
            "{axis}latitude {:.1}° · the middle {:.1}° high",
            shot.scene.latitude().deg(),
            shot.scene.altitude().deg()
        )
        .replace('-', "−")
    }

    /// Lengths at the corners, the middles of the edges and the middle.
    fn numbers(&self, sheet: &mut Sheet, taken: &mut Taken) {
        let trails = self.picture.shot.frame_trails(Trailing::Sky);
        let px = |trail: &Option<Trail>| trail.map_or("leaves".to_owned(), |t| format!("{:.2}", t.length_px));
        let (middle, half) = ((self.left + self.right) / 2.0, (TOP + self.foot) / 2.0);
        let (above, below) = (TOP - 9.0, self.foot + 18.0);
        let corners = [
            ([self.left, above], ""),
            ([self.right, above], "end"),
            ([self.left, below], ""),
            ([self.right, below], "end"),
        ];
        for ((at, class), trail) in corners.into_iter().zip(&trails.corners) {
            sheet.words(at, class, &format!("{} px", px(trail)));
        }
        let edges = [
            ([self.left - 9.0, half + 4.0], "end"),
            ([self.right + 9.0, half + 4.0], ""),
            ([middle, above], "mid"),
            ([middle, below], "mid"),
        ];
        for ((at, class), trail) in edges.into_iter().zip(&trails.edges) {
            sheet.words(at, class, &px(trail));
        }
        let centre = self.at(self.picture.shot.camera.lens.centre_px);
        let words = format!("{} px", px(&trails.centre));
        let at = [centre[0], centre[1] + 5.0];
        let [left, top, right, bottom] = rect(at, Side::Middle, &words);
        // It is larger than the others.
        taken.keep([left - 14.0, top - 5.0, right + 14.0, bottom + 4.0]);
        sheet.words(at, "mid big halo", &words);
    }

    /// The lines of equal length, the tolerance among them.
    fn levels(&self) -> Vec<Level> {
        let finite = || self.fine_px.iter().copied().filter(|v| v.is_finite());
        let (least, most) = (finite().fold(f64::MAX, f64::min), finite().fold(0.0, f64::max));
        if least >= most {
            return Vec::new();
        }
        let step = round_step(most - least, LEVELS).max(LEAST_STEP_PX);
        let first = (least / step).ceil() as u32;
        let mut all: Vec<(f64, bool)> = (first..first + 2 * LEVELS as u32)
            .map(|n| (f64::from(n) * step, false))
            .filter(|(px, _)| *px < most && *px > 0.0)
            .collect();
        let tolerance = self.picture.tolerance_px;
        if (least..most).contains(&tolerance) {
            all.retain(|(px, _)| (px - tolerance).abs() > 0.2 * step);
            all.push((tolerance, true));
        }
        all.into_iter()
            .map(|(px, tolerance)| Level {
                px,
                tolerance,
                pieces: contour(FINE[0], &self.fine_at, &self.fine_px, px),
            })
            .collect()
    }

    fn contours(&self, sheet: &mut Sheet, levels: &[Level]) {
        for level in levels {
            let class = if level.tolerance { "line" } else { "thin" };
            let gap = [f64::NAN; 2];
            sheet.line(class, level.pieces.iter().flat_map(|[a, b]| [*a, *b, gap]));
        }
    }

    /// Each line's length, on the line, as far from other words as can be.
    fn names_of_contours(&self, sheet: &mut Sheet, levels: &[Level], taken: &mut Taken) {
        let mut named: Vec<[f64; 2]> = vec![self.at(self.picture.shot.camera.lens.centre_px)];
        for level in levels {
            let words = if level.tolerance {
                format!("{} px, still a point", short(level.px))
            } else {
                short(level.px)
            };
            let middle = |piece: &[[f64; 2]; 2]| [0, 1].map(|k| (piece[0][k] + piece[1][k]) / 2.0);
            let lonely = |at: &[f64; 2]| {
                let away = |other: &[f64; 2]| (at[0] - other[0]).hypot(at[1] - other[1]);
                named.iter().map(away).fold(f64::MAX, f64::min)
            };
            let places = level.pieces.iter().map(middle).filter(|at| {
                let [left, top, right, bottom] = rect([at[0], at[1] + 4.0], Side::Middle, &words);
                left > self.left + 4.0
                    && right < self.right - 4.0
                    && top > TOP + 4.0
                    && bottom < self.foot - 4.0
            });
            let Some(at) = places.max_by(|a, b| lonely(a).total_cmp(&lonely(b))) else {
                continue;
            };
            if taken.write(sheet, [at[0], at[1] + 4.0], Side::Middle, &words) {
                named.push(at);
            }
        }
    }

    /// Each stroke is centred on its place and begins with a dot.
    fn strokes(&self, sheet: &mut Sheet, taken: &Taken) {
        for (pixel, trail) in &self.strokes {
            let [x, y] = self.at(*pixel);
            let long = trail.shift_px[0].hypot(trail.shift_px[1]);
            let half = if long > 0.0 {
                trail
                    .shift_px
                    .map(|s| s / long * trail.extent_px * self.times * self.unit / 2.0)
            } else {
                [0.0; 2]
            };
            let reach = [half[0].abs() + 2.0, half[1].abs() + 2.0];
            if !taken.free([x - reach[0], y - reach[1], x + reach[0], y + reach[1]]) {
                continue;
            }
            let begin = [x - half[0], y - half[1]];
            sheet.line("ink", [begin, [x + half[0], y + half[1]]]);
            sheet.put(format_args!(
                "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"2\" class=\"fill\"/>",
                begin[0], begin[1]
            ));
        }
    }

    /// What the strokes mean, with one of a round length.
    fn key(&self, sheet: &mut Sheet) {
        let y = self.foot + 46.0;
        let mut x = LEFT;
        if self.times > 0.0 {
            let px = round_step(self.cell / (self.times * self.unit), 1.6);
            let long = px * self.times * self.unit;
            sheet.line("ink", [[x, y - 4.0], [x + long, y - 4.0]]);
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{:.1}\" r=\"2\" class=\"fill\"/>",
                y - 4.0
            ));
            let words = format!("{} px", short(px));
            sheet.words([x + long + 8.0, y], "small", &words);
            x += long + 24.0 + 6.0 * words.chars().count() as f64;
        }
        let words = if self.times > 0.0 {
            format!(
                "strokes: where stars move, from the dot on, {} times as long; lines: equal length, in px",
                short(self.times)
            )
        } else {
            "no star moves".to_owned()
        };
        sheet.words([x, y], "soft small", &words);
        if let Some(worst) = self.picture.shot.worst(Trailing::Sky) {
            let words = format!("longest in the frame {:.2} px", worst.length_px);
            sheet.words([RIGHT, y], "end small", &words);
        }
        let shot = &self.picture.shot;
        let land = shot
            .tracker
            .and_then(|_| shot.trail(shot.camera.lens.centre_px, Trailing::Land));
        if let Some(land) = land {
            let words = format!("the land moves {:.1} px at the middle", land.length_px);
            sheet.words([RIGHT, y + 16.0], "end small", &words);
        }
    }
}

/// Trails in the middles of square cells that fill the frame.
fn strokes(picture: &TrailPicture, cells: [f64; 2]) -> Vec<([f64; 2], Trail)> {
    let [columns, rows] = cells.map(|n| n.round().max(1.0) as u32);
    let shot = &picture.shot;
    let share = |n: u32, of: u32| (f64::from(n) + 0.5) / f64::from(of);
    (0..rows)
        .flat_map(|row| (0..columns).map(move |column| [share(column, columns), share(row, rows)]))
        .map(|[x, y]| shot.camera.at(x, y))
        .filter_map(|pixel| Some((pixel, shot.trail(pixel, Trailing::Sky)?)))
        .collect()
}
