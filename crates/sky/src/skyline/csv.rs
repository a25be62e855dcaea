//! A measured skyline: lines of azimuth and altitude.

use super::profile::Skyline;
use crate::Angle;

/// The largest gap that is bridged by a straight line. A phone's readings every 10° to 20° are usual.
const WIDEST_GAP_DEG: f64 = 30.0;
/// Points nearer than this stand at one azimuth.
const SAME_DEG: f64 = 1e-6;
/// Points of the result: 0.1°.
const POINTS: usize = 3600;
/// The most faults that are told.
const MOST_FAULTS: usize = 20;
/// The longest shown part of a line.
const SHOWN: usize = 40;

/// Which north azimuths were measured from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum North {
    /// True north.
    #[default]
    True,
    /// Magnetic north, with the declination there and then, east positive (see [`crate::magnetic`]).
    Magnetic(Angle),
}

/// Everything wrong with a measured skyline, in line order.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}", faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
pub struct CsvError {
    /// At least one.
    pub faults: Vec<CsvFault>,
}

/// One fault in a measured skyline.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CsvFault {
    /// The line, counted from 1; 0 where it is about the whole.
    pub line: usize,
    /// What was expected, what was found and what to do.
    pub message: String,
}

impl std::fmt::Display for CsvFault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.line {
            0 => write!(f, "{}", self.message),
            line => write!(f, "line {line}: {}", self.message),
        }
    }
}

/// A point with its line and, where there is a third column, the distance of the edge in metres.
#[derive(Clone, Copy)]
struct Point {
    line: usize,
    azimuth_deg: f64,
    altitude_deg: f64,
    edge_m: f64,
}

/// Reads a skyline from lines of azimuth and altitude in degrees, separated by comma, semicolon or
/// tab, in any order; lines that begin with `#` and one line of headings are passed over. A third
/// column, if any, is the edge's distance in metres, empty or 0 where it is no land.
///
/// Azimuths count from the north that `north` says, through east, 0 to 360 (360 is 0 again); altitudes are
/// as seen, refraction and all. Between points the edge is straight; gaps up to 30° are bridged so.
/// The result has a point every 0.1°.
///
/// # Errors
/// Every fault with its line: what is no number or out of range, an azimuth given twice, a gap.
pub fn read_csv(text: &str, north: North) -> Result<Skyline, CsvError> {
    let mut faults = Vec::new();
    let mut points = Vec::new();
    let mut first = true;
    for (n, raw) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = raw.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        match point(n + 1, line) {
            Ok(point) => points.push(point),
            // Headings.
            Err(_) if first && !line.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) => {}
            Err(message) => faults.push(CsvFault { line: n + 1, message }),
        }
        first = false;
    }
    points.sort_by(|a, b| a.azimuth_deg.total_cmp(&b.azimuth_deg));
    doubles(&mut points, &mut faults);
    if faults.is_empty() {
        gaps(&points, &mut faults);
    }
    if !faults.is_empty() {
        faults.sort_by_key(|f| f.line);
        faults.truncate(MOST_FAULTS);
        return Err(CsvError { faults });
    }
    let turn = match north {
        North::True => 0.0,
        North::Magnetic(declination) => declination.deg(),
    };
    Ok(resampled(&points, turn))
}

/// Writes a skyline as [`read_csv`] reads it back, every line of `about` as a comment before it.
pub fn write_csv(skyline: &Skyline, about: &[String]) -> String {
    let mut text = String::new();
    for line in about.iter().flat_map(|a| a.lines()) {
        text.push_str(&format!("# {line}\n"));
    }
    text.push_str("azimuth_deg,altitude_deg,distance_m\n");
    for (azimuth, altitude) in skyline.points() {
        let edge = skyline.edge_m(azimuth);
        let edge = edge.map(|d| format!("{d:.0}")).unwrap_or_default();
        text.push_str(&format!("{:.3},{:.4},{edge}\n", azimuth.deg(), altitude.deg()));
    }
    text
}

fn point(line: usize, text: &str) -> Result<Point, String> {
    let separator = [';', '\t', ','].into_iter().find(|s| text.contains(*s));
    let cells: Vec<&str> = text.split(separator.unwrap_or(',')).map(str::trim).collect();
    let shown: String = text.chars().take(SHOWN).collect();
    let (azimuth, altitude) = match cells[..] {
        [azimuth, altitude] | [azimuth, altitude, _] => (azimuth, altitude),
        _ => {
            return Err(format!(
                "expected azimuth, altitude in degrees, found “{shown}”; write a line as 187.5, 4.2"
            ));
        }
    };
    let azimuth_deg = number("azimuth", azimuth, 0.0, 360.0)?;
    let altitude_deg = number("altitude", altitude, -90.0, 90.0)?;
    let edge = cells.get(2).filter(|c| !c.is_empty());
    let edge_m = edge.map_or(Ok(0.0), |c| number("distance", c, 0.0, 1e6))?;
    Ok(Point {
        line,
        // A whole turn is north again.
        azimuth_deg: if azimuth_deg == 360.0 { 0.0 } else { azimuth_deg },
        altitude_deg,
        edge_m: if edge_m > 0.0 { edge_m } else { f64::INFINITY },
    })
}

fn number(what: &str, text: &str, least: f64, most: f64) -> Result<f64, String> {
    let bare = text.trim_end_matches(['°', 'm']).trim();
    let found: Option<f64> = bare.parse().ok();
    let shown: String = text.chars().take(SHOWN).collect();
    match found {
        Some(n) if (least..=most).contains(&n) => Ok(n),
        Some(_) => Err(format!(
            "expected an {what} from {least} to {most}, found {shown}; correct it"
        )),
        None => Err(format!(
            "expected a number for the {what}, found “{shown}”; write it with a decimal point, as 4.2"
        )),
    }
    .map_err(|e| e.replace("an distance", "a distance"))
}

/// One azimuth given twice: the same altitude is no harm, another is.
fn doubles(points: &mut Vec<Point>, faults: &mut Vec<CsvFault>) {
    points.dedup_by(|b, a| {
        let same = (b.azimuth_deg - a.azimuth_deg).abs() < SAME_DEG;
        if same && b.altitude_deg != a.altitude_deg {
            let (early, late) = if a.line < b.line { (*a, *b) } else { (*b, *a) };
            faults.push(CsvFault {
                line: late.line,
                message: format!(
                    "azimuth {}° has altitude {}° here and {}° in line {}; keep one",
                    late.azimuth_deg, late.altitude_deg, early.altitude_deg, early.line
                ),
            });
        }
        same
    });
}

fn gaps(points: &[Point], faults: &mut Vec<CsvFault>) {
    let Some(first) = points.first() else {
        faults.push(CsvFault {
            line: 0,
            message: "no point was found; expected lines of azimuth, altitude in degrees, as 187.5, 4.2"
                .into(),
        });
        return;
    };
    let next = points
        .iter()
        .skip(1)
        .map(|p| p.azimuth_deg)
        .chain([first.azimuth_deg + 360.0]);
    for (point, next) in points.iter().zip(next) {
        if next - point.azimuth_deg > WIDEST_GAP_DEG + SAME_DEG {
            faults.push(CsvFault {
                line: point.line,
                message: format!(
                    "nothing is given between azimuth {}° and {}°, and at most {WIDEST_GAP_DEG}° can be left out; measure there too",
                    point.azimuth_deg,
                    if next >= 360.0 { next - 360.0 } else { next }
                ),
            });
        }
    }
}

/// Equal steps from points in order of azimuth, turned clockwise by an angle.
fn resampled(points: &[Point], turn_deg: f64) -> Skyline {
    let at = |n: usize| (n as f64 * 360.0 / POINTS as f64 - turn_deg).rem_euclid(360.0);
    let places: Vec<(Angle, f64)> = (0..POINTS).map(|n| between(points, at(n))).collect();
    let (altitudes, edges): (Vec<Angle>, Vec<f64>) = places.into_iter().unzip();
    let known = edges.iter().any(|d| d.is_finite());
    // Altitudes are in range and distances above 0: `point` has seen to it.
    let skyline = Skyline::new(altitudes).unwrap_or_default();
    if known {
        skyline.clone().with_edges_m(edges).unwrap_or(skyline)
    } else {
        skyline
    }
}

/// The edge at one azimuth: altitude, and the distance of the nearer point.
fn between(points: &[Point], azimuth_deg: f64) -> (Angle, f64) {
    let after = points.partition_point(|p| p.azimuth_deg <= azimuth_deg);
    let (last, first) = (points.len() - 1, points.first());
    let from = points[if after == 0 { last } else { after - 1 }];
    let to = points.get(after).or(first).copied().unwrap_or(from);
    let span = (to.azimuth_deg - from.azimuth_deg).rem_euclid(360.0);
    let part = (azimuth_deg - from.azimuth_deg).rem_euclid(360.0) / if span == 0.0 { 360.0 } else { span };
    let altitude = from.altitude_deg + (to.altitude_deg - from.altitude_deg) * part;
    let edge_m = if part < 0.5 { from.edge_m } else { to.edge_m };
    (Angle::from_deg(altitude), edge_m)
}
