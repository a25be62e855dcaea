//! One frame's measurements over the frame: the stars' shape, the sky's brightness, land, streaks, how far
//! the identified stars stand from where they should.

use nightloom_fit::{median_of, quantile};
use nightloom_stars::Star;

use super::Look;
use super::contour::contour;
use super::labels::{Side, Taken, rect, round_step, two_figures};
use super::svg::{Scale, Sheet};
use nightloom_frames::FramePicture;
use nightloom_outing::short;

const WIDTH: f64 = 1000.0;
const LEFT: f64 = 60.0;
const RIGHT: f64 = 940.0;
const TOP: f64 = 84.0;
/// The frame is no taller than this, whatever its shape.
const TALLEST: f64 = 640.0;
/// Cells of the stars' shape along the longer side: at most, at least, and stars that a cell should hold.
const CELLS: [f64; 2] = [12.0, 4.0];
const WANTED: f64 = 5.0;
/// A cell with fewer stars shows no shape.
const LEAST: usize = 3;
/// Width of the median shape over the cell's.
const FILLED: f64 = 0.42;
/// Length of the ticks that show an ellipse's long axis, sheet units.
const TICK: f64 = 5.0;
/// From one line over the land to the next, across, sheet units.
const HATCH: f64 = 9.9;
/// Single stars drawn, brightest first, and the radius of the brightest, sheet units.
const DOTS: usize = 350;
const LARGEST_DOT: f64 = 3.4;
/// Lines of equal brightness, at most.
const LEVELS: f64 = 6.0;
/// Finest steps of brightness that are worth a line.
const LEAST_STEP: f64 = 0.05;
/// Names written, brightest stars first.
const NAMES: usize = 14;

/// Draws what was measured in one frame.
pub fn frame_map(picture: &FramePicture, look: Look) -> String {
    let draw = Draw::new(picture);
    let title = draw.title();
    let mut sheet = Sheet::new(WIDTH, draw.foot + 92.0, look, &title);
    sheet.words([LEFT, 26.0], "big", &picture.name);
    sheet.words([LEFT, 46.0], "soft", &title);
    draw.where_it_looks(&mut sheet);
    let (corner, size) = ([draw.left, TOP], [draw.right - draw.left, draw.foot - TOP]);
    let mut taken = Taken::default();
    let levels = draw.levels();
    let residuals = draw.residuals();
    sheet.clipped("frame", corner, size, |sheet| {
        draw.contours(sheet, &levels);
        draw.land(sheet);
        draw.dots(sheet);
        draw.streaks(sheet);
        draw.shapes(sheet, &mut taken);
        draw.strokes(sheet, &residuals);
    });
    draw.names(&mut sheet, &mut taken);
    draw.names_of_contours(&mut sheet, &levels, &mut taken);
    let frame = [
        corner,
        [draw.right, TOP],
        [draw.right, draw.foot],
        [draw.left, draw.foot],
    ];
    sheet.shape("thin", frame);
    draw.key(&mut sheet, &residuals);
    sheet.done()
}

/// A line of equal brightness.
struct Level {
    words: String,
    pieces: Vec<[[f64; 2]; 2]>,
}

/// The stars of a cell: where, and the median of their shapes.
struct Cell {
    at: [f64; 2],
    fwhm_px: f64,
    elongation: f64,
    /// Direction of the long axis, radians from right towards down.
    angle: f64,
}

/// Mean residuals of cells, and how many times larger than the frame they are drawn.
struct Residuals {
    cells: Vec<([f64; 2], [f64; 2])>,
    times: f64,
}

struct Draw<'a> {
    picture: &'a FramePicture,
    left: f64,
    right: f64,
    foot: f64,
    x: Scale,
    y: Scale,
    /// Sheet units to a pixel of the frame.
    unit: f64,
    /// Side of a cell, sheet units.
    cell: f64,
    cells: Vec<Cell>,
    /// How many times larger than the frame shapes are drawn.
    times: f64,
}

impl<'a> Draw<'a> {
    fn new(picture: &'a FramePicture) -> Self {
        let [wide, tall] = picture.size_px.map(|n| n.max(1) as f64);
        let unit = ((RIGHT - LEFT) / wide).min(TALLEST / tall);
        let left = (LEFT + RIGHT - wide * unit) / 2.0;
        let (right, foot) = (left + wide * unit, TOP + tall * unit);
        let good = picture.stars.iter().filter(|s| is_good(s)).count() as f64;
        let [most, least] = CELLS;
        let cells = (good / WANTED * wide.max(tall) / wide.min(tall))
            .sqrt()
            .floor()
            .clamp(least, most);
        let cell = (right - left).max(foot - TOP) / cells;
        let mut draw = Self {
            picture,
            left,
            right,
            foot,
            x: Scale::new([-0.5, wide - 0.5], [left, right]),
            y: Scale::new([-0.5, tall - 0.5], [TOP, foot]),
            unit,
            cell,
            cells: Vec::new(),
            times: 1.0,
        };
        draw.cells = draw.in_cells(&picture.stars);
        let widths = draw.cells.iter().map(|c| c.fwhm_px);
        let typical = median_of(widths).unwrap_or(1.0).max(0.1);
        draw.times = two_figures(FILLED * cell / (typical * unit));
        draw
    }

    fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.x.at(x), self.y.at(y)]
    }

    /// Columns and rows of cells, and the cell of a place on the sheet.
    fn grid(&self) -> [usize; 2] {
        [self.right - self.left, self.foot - TOP].map(|n| (n / self.cell).round().max(1.0) as usize)
    }

    fn cell_of(&self, [x, y]: [f64; 2]) -> usize {
        let [columns, rows] = self.grid();
        let column = ((x - self.left) / (self.right - self.left) * columns as f64) as usize;
        let row = ((y - TOP) / (self.foot - TOP) * rows as f64) as usize;
        row.min(rows - 1) * columns + column.min(columns - 1)
    }

    fn middle_of(&self, cell: usize) -> [f64; 2] {
        let [columns, rows] = self.grid();
        let (column, row) = ((cell % columns) as f64 + 0.5, (cell / columns) as f64 + 0.5);
        [
            self.left + column / columns as f64 * (self.right - self.left),
            TOP + row / rows as f64 * (self.foot - TOP),
        ]
    }

    fn in_cells(&self, stars: &[Star]) -> Vec<Cell> {
        let [columns, rows] = self.grid();
        let mut of: Vec<Vec<&Star>> = vec![Vec::new(); columns * rows];
        for star in stars
            .iter()
            .filter(|s| !s.saturated && s.snr > 8.0 && s.fwhm_px > 0.0)
        {
            of[self.cell_of(self.at([star.x, star.y]))].push(star);
        }
        of.iter()
            .enumerate()
            .filter(|(_, stars)| stars.len() >= LEAST)
            .map(|(i, stars)| shape(self.middle_of(i), stars))
            .collect()
    }

    fn title(&self) -> String {
        let p = self.picture;
        let stars = match p.stars.len() {
            0 => return "no stars found".into(),
            1 => "1 star".to_owned(),
            n => format!("{n} stars"),
        };
        let drawn = if p.trail_px > 0.0 {
            format!("trails of {:.1} px, {:.1} px across", p.trail_px, p.fwhm_px)
        } else {
            format!(
                "{:.2} px wide at half maximum, long over short {:.2}",
                p.fwhm_px, p.elongation
            )
        };
        format!("{stars}, {drawn}")
    }

    fn where_it_looks(&self, sheet: &mut Sheet) {
        let report = &self.picture.identified;
        let Some((centre, field)) = report.centre.zip(report.field_deg) else {
            sheet.words([RIGHT, 26.0], "end soft", "not identified");
            return;
        };
        let minutes = (centre.ra_deg * 4.0).round() as i64;
        let words = format!(
            "middle {:02} h {:02} min, {:+.1}° · field {:.1}° × {:.1}°",
            minutes / 60 % 24,
            minutes % 60,
            centre.dec_deg,
            field[0],
            field[1]
        );
        sheet.words([RIGHT, 26.0], "end", &words.replace('-', "−"));
        let Some(light) = &report.light else { return };
        if let Some((mag, sigma)) = light.sky_mag_arcsec2.zip(light.sky_sigma) {
            let limit = light
                .limiting_mag
                .map_or_else(String::new, |m| format!(" · faintest star {m:.1}"));
            sheet.words(
                [RIGHT, 46.0],
                "end soft",
                &format!("sky {mag:.2} ± {sigma:.2} mag/arcsec²{limit}"),
            );
        }
    }

    /// Runs of land cells, row by row, as one path.
    fn land(&self, sheet: &mut Sheet) {
        let land = &self.picture.land;
        let side = land.cell_px as f64;
        let mut path = String::new();
        for row in 0..land.rows {
            let cells = &land.land[row * land.columns..(row + 1) * land.columns];
            let mut from = 0;
            while from < cells.len() {
                let run = cells[from..].iter().take_while(|&&c| c).count();
                if run > 0 {
                    let edge = |column: usize, row: usize| {
                        self.at([column as f64 * side - 0.5, row as f64 * side - 0.5])
                    };
                    let ([x, y], [right, low]) = (edge(from, row), edge(from + run, row + 1));
                    path += &format!("M{x:.1} {y:.1}H{right:.1}V{low:.1}H{x:.1}Z");
                }
                from += run.max(1);
            }
        }
        if !path.is_empty() {
            sheet.put(format_args!("<path d=\"{path}\" class=\"paper\"/>"));
            self.hatch(sheet, &path);
        }
    }

    /// Slanting lines inside an outline: no pattern, which not every program that shows an SVG turns alike.
    fn hatch(&self, sheet: &mut Sheet, outline: &str) {
        let tall = self.foot - TOP;
        let mut lines = String::new();
        let mut x = self.left - tall;
        while x < self.right {
            lines += &format!("M{x:.1} {:.1}L{:.1} {TOP:.1}", self.foot, x + tall);
            x += HATCH;
        }
        sheet.put(format_args!(
            "<clipPath id=\"land\"><path d=\"{outline}\"/></clipPath><g clip-path=\"url(#land)\"><path class=\"thin\" d=\"{lines}\"/></g>"
        ));
    }

    /// Single stars by their light.
    fn dots(&self, sheet: &mut Sheet) {
        let stars = &self.picture.stars;
        let Some(brightest) = stars.first().map(|s| f64::from(s.flux.max(1e-9))) else {
            return;
        };
        let mut path = String::new();
        for star in stars.iter().take(DOTS) {
            let [x, y] = self.at([star.x, star.y]);
            let magnitudes = -2.5 * (f64::from(star.flux.max(1e-9)) / brightest).log10();
            let r = (LARGEST_DOT * 10f64.powf(-0.1 * magnitudes)).max(0.7);
            path += &format!(
                "M{:.1} {y:.1}a{r:.1} {r:.1} 0 1 0 {d:.1} 0a{r:.1} {r:.1} 0 1 0 -{d:.1} 0",
                x - r,
                d = 2.0 * r
            );
        }
        sheet.put(format_args!(
            "<path d=\"{path}\" class=\"fill\" style=\"opacity:.75\"/>"
        ));
    }

    fn streaks(&self, sheet: &mut Sheet) {
        for [a, b] in &self.picture.streaks {
            sheet.line("line dash", [self.at(*a), self.at(*b)]);
        }
    }

    /// Each cell's median shape, with its long axis where it is not round.
    fn shapes(&self, sheet: &mut Sheet, taken: &mut Taken) {
        for cell in &self.cells {
            let [x, y] = cell.at;
            let half = 0.5 * cell.fwhm_px * self.unit * self.times;
            let (long, narrow) = (half * cell.elongation.sqrt(), half / cell.elongation.sqrt());
            // A smeared cell does not fill its neighbours.
            let fit = (0.62 * self.cell / long).min(1.0);
            let (long, narrow) = (long * fit, narrow * fit);
            let degrees = cell.angle.to_degrees();
            sheet.put(format_args!(
                "<ellipse cx=\"{x:.1}\" cy=\"{y:.1}\" rx=\"{long:.1}\" ry=\"{narrow:.1}\" transform=\"rotate({degrees:.1} {x:.1} {y:.1})\" class=\"ink\" style=\"fill:none;stroke-width:1.6\"/>"
            ));
            if cell.elongation > 1.1 {
                // Ticks on the long axis, outside, where no stroke runs.
                let (s, c) = cell.angle.sin_cos();
                let gap = [f64::NAN; 2];
                let out = |r: f64| [x + r * c, y + r * s];
                sheet.line(
                    "ink",
                    [out(long), out(long + TICK), gap, out(-long), out(-long - TICK)],
                );
            }
            taken.keep([x - long, y - long, x + long, y + long]);
        }
    }

    fn residuals(&self) -> Residuals {
        let [columns, rows] = self.grid();
        let mut of = vec![(0.0, [0.0; 2]); columns * rows];
        for [at, off] in &self.picture.residuals {
            let cell = &mut of[self.cell_of(self.at(*at))];
            cell.0 += 1.0;
            cell.1[0] += off[0];
            cell.1[1] += off[1];
        }
        let cells: Vec<([f64; 2], [f64; 2])> = of
            .iter()
            .enumerate()
            .filter(|(_, c)| c.0 >= LEAST as f64)
            .map(|(i, c)| (self.middle_of(i), c.1.map(|v| v / c.0)))
            .collect();
        let largest = cells.iter().map(|c| c.1[0].hypot(c.1[1])).fold(0.0, f64::max);
        Residuals {
            cells,
            times: two_figures(0.45 * self.cell / (largest * self.unit)),
        }
    }

    /// From a dot to where the stars are seen too far out.
    fn strokes(&self, sheet: &mut Sheet, residuals: &Residuals) {
        for ([x, y], off) in &residuals.cells {
            let tip = off.map(|v| v * self.unit * residuals.times);
            sheet.line("thin", [[*x, *y], [x + tip[0], y + tip[1]]]);
            sheet.put(format_args!(
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.6\" class=\"fill\"/>"
            ));
        }
    }

    fn levels(&self) -> Vec<Level> {
        let map = &self.picture.sky.map;
        let values: Vec<f64> = map.mag_arcsec2.iter().map(|v| v.unwrap_or(f64::NAN)).collect();
        let mut finite = values.clone();
        let (Some(first), Some(last)) = (quantile(&mut finite, 0.02), quantile(&mut finite, 0.98)) else {
            return Vec::new();
        };
        let step = round_step(last - first, LEVELS).max(LEAST_STEP);
        let [wide, tall] = self.picture.size_px;
        let side = wide.max(tall).div_ceil(map.columns.max(map.rows).max(1));
        let middle = |i: usize, n: usize| 0.5 * ((i * side) as f64 + ((i + 1) * side).min(n) as f64 - 1.0);
        let at: Vec<[f64; 2]> = (0..values.len())
            .map(|i| self.at([middle(i % map.columns, wide), middle(i / map.columns, tall)]))
            .collect();
        let from = (first / step).ceil() as i64;
        (from..=(last / step).floor() as i64)
            .map(|n| n as f64 * step)
            .map(|level| Level {
                words: if self.picture.sky.in_magnitudes {
                    format!("{level:.2}")
                        .trim_end_matches('0')
                        .trim_end_matches('.')
                        .to_owned()
                } else {
                    format!("{level:+.2}").replace('-', "−")
                },
                pieces: contour(map.columns, &at, &values, level),
            })
            .collect()
    }

    fn contours(&self, sheet: &mut Sheet, levels: &[Level]) {
        for level in levels {
            let gap = [f64::NAN; 2];
            sheet.line("thin dots", level.pieces.iter().flat_map(|[a, b]| [*a, *b, gap]));
        }
    }

    fn names_of_contours(&self, sheet: &mut Sheet, levels: &[Level], taken: &mut Taken) {
        let mut named: Vec<[f64; 2]> = Vec::new();
        for level in levels {
            let middle = |piece: &[[f64; 2]; 2]| [0, 1].map(|k| (piece[0][k] + piece[1][k]) / 2.0);
            let lonely = |at: &[f64; 2]| {
                named
                    .iter()
                    .map(|o| (at[0] - o[0]).hypot(at[1] - o[1]))
                    .fold(1e4, f64::min)
            };
            let place = level
                .pieces
                .iter()
                .map(middle)
                .filter(|at| {
                    let rect = rect([at[0], at[1] + 4.0], Side::Middle, &level.words);
                    self.holds(rect) && taken.free(rect)
                })
                .max_by(|a, b| lonely(a).total_cmp(&lonely(b)));
            if let Some(at) = place
                && taken.write(sheet, [at[0], at[1] + 4.0], Side::Middle, &level.words)
            {
                named.push(at);
            }
        }
    }

    fn holds(&self, [left, top, right, bottom]: [f64; 4]) -> bool {
        left > self.left + 3.0 && right < self.right - 3.0 && top > TOP + 3.0 && bottom < self.foot - 3.0
    }

    /// Names of bright stars beside them, where there is room.
    fn names(&self, sheet: &mut Sheet, taken: &mut Taken) {
        for (name, _, pixel) in self.picture.names.iter().take(NAMES) {
            let [x, y] = self.at(*pixel);
            let places = [
                ([x + 7.0, y + 4.0], Side::Start),
                ([x - 7.0, y + 4.0], Side::End),
                ([x, y - 8.0], Side::Middle),
                ([x, y + 17.0], Side::Middle),
            ];
            for (at, side) in places {
                if self.holds(rect(at, side, name)) && taken.write(sheet, at, side, name) {
                    break;
                }
            }
        }
    }

    fn key(&self, sheet: &mut Sheet, residuals: &Residuals) {
        let mut y = self.foot + 26.0;
        let mut say = |sheet: &mut Sheet, words: &str| {
            sheet.words([LEFT + 54.0, y], "soft small", words);
            y += 18.0;
            y - 18.0
        };
        if !self.cells.is_empty() {
            let words = format!(
                "rings: the stars' width and shape at half maximum, median of a cell, {} times as large, with ticks on the long axis; this one is {:.2} px",
                short(self.times),
                self.picture.fwhm_px
            );
            let y = say(sheet, &words);
            let r = (0.5 * f64::from(self.picture.fwhm_px) * self.unit * self.times).min(8.0);
            sheet.put(format_args!(
                "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"{r:.1}\" class=\"ink\" style=\"fill:none;stroke-width:1.6\"/>",
                LEFT + 24.0,
                y - 4.0
            ));
        }
        if !residuals.cells.is_empty() && residuals.times > 0.0 {
            let px = round_step(40.0 / (residuals.times * self.unit), 1.6);
            let long = (px * residuals.times * self.unit).min(46.0);
            let words = format!(
                "strokes: from where the catalogue and the lens put the stars to where they are seen, {} times as long; this one is {} px",
                short(residuals.times),
                short(long / (residuals.times * self.unit))
            );
            let y = say(sheet, &words);
            sheet.line("thin", [[LEFT, y - 4.0], [LEFT + long, y - 4.0]]);
            sheet.put(format_args!(
                "<circle cx=\"{LEFT:.1}\" cy=\"{:.1}\" r=\"1.6\" class=\"fill\"/>",
                y - 4.0
            ));
        }
        let words = if self.picture.sky.in_magnitudes {
            "dotted: equal brightness of the sky, V magnitudes per square arcsecond; larger is darker"
        } else {
            "dotted: equal brightness of the background, stops above its median"
        };
        let y = say(sheet, &format!("{words}; hatched: land"));
        sheet.line("thin dots", [[LEFT, y - 4.0], [LEFT + 46.0, y - 4.0]]);
        if !self.picture.streaks.is_empty() {
            let y = say(sheet, "dashed: streaks of satellites, aircraft or meteors");
            sheet.line("line dash", [[LEFT, y - 4.0], [LEFT + 46.0, y - 4.0]]);
        }
    }
}

/// Whether a star's shape can be trusted.
fn is_good(star: &Star) -> bool {
    !star.saturated && star.snr > 8.0 && star.fwhm_px > 0.0
}

/// Medians of a cell's stars; the angle by the mean of doubled angles.
fn shape(at: [f64; 2], stars: &[&Star]) -> Cell {
    // As vectors, so that noise in every direction leaves a round star.
    let (mut c, mut s) = (0.0, 0.0);
    for star in stars {
        let e = f64::from(star.elongation.max(1.0)).ln();
        c += e * (2.0 * star.angle.rad()).cos();
        s += e * (2.0 * star.angle.rad()).sin();
    }
    let n = stars.len() as f64;
    Cell {
        at,
        fwhm_px: median_of(stars.iter().map(|s| f64::from(s.fwhm_px))).unwrap_or(0.0),
        elongation: (s.hypot(c) / n).exp(),
        angle: 0.5 * s.atan2(c),
    }
}
