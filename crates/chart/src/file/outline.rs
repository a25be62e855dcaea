//! Outlines: straight pieces and cubic curves, read from a path's data, a rectangle, a circle or an ellipse.

use std::f64::consts::{FRAC_PI_2, TAU};

/// A piece of an outline; coordinates are units of the SVG, y down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Segment {
    Move([f64; 2]),
    Line([f64; 2]),
    /// Two handles and the end.
    Curve([[f64; 2]; 3]),
    Close,
}

impl Segment {
    pub(super) fn shift(&mut self, by: [f64; 2]) {
        let shift = |p: &mut [f64; 2]| (p[0], p[1]) = (p[0] + by[0], p[1] + by[1]);
        match self {
            Self::Move(p) | Self::Line(p) => shift(p),
            Self::Curve(points) => points.iter_mut().for_each(shift),
            Self::Close => {}
        }
    }

    /// Where it ends, if that is told by it alone.
    pub(super) fn end(&self) -> Option<[f64; 2]> {
        match self {
            Self::Move(p) | Self::Line(p) => Some(*p),
            Self::Curve([.., p]) => Some(*p),
            Self::Close => None,
        }
    }
}

pub(super) fn rectangle([x, y]: [f64; 2], [width, height]: [f64; 2]) -> Vec<Segment> {
    vec![
        Segment::Move([x, y]),
        Segment::Line([x + width, y]),
        Segment::Line([x + width, y + height]),
        Segment::Line([x, y + height]),
        Segment::Close,
    ]
}

/// An ellipse by its half axes, the first turned by an angle (radians, clockwise as seen with y down).
pub(super) fn ellipse(centre: [f64; 2], radii: [f64; 2], turn: f64) -> Vec<Segment> {
    let arc = Arc { centre, radii, turn };
    let mut out = vec![Segment::Move(arc.at(0.0))];
    arc.curves(0.0, TAU, &mut out);
    out.push(Segment::Close);
    out
}

/// A path's data (SVG 1.1, section 8.3) of the commands that charts have: M, L, H, V, A and Z, and the relative h, v and a;
/// none where it has another, or a number is missing.
pub(super) fn read(data: &str) -> Option<Vec<Segment>> {
    let mut out = Vec::new();
    let (mut pen, mut begun) = ([0.0; 2], [0.0; 2]);
    let mut rest = data.trim_start();
    while let Some(command) = rest.chars().next() {
        let body = &rest[command.len_utf8()..];
        let end = body
            .find(|c: char| c.is_ascii_alphabetic() && !matches!(c, 'e' | 'E'))
            .unwrap_or(body.len());
        let figures = numbers(&body[..end])?;
        rest = body[end..].trim_start();
        let takes = match command {
            'M' | 'L' => 2,
            'H' | 'V' | 'h' | 'v' => 1,
            'A' | 'a' => 7,
            'Z' | 'z' => 0,
            _ => return None,
        };
        if takes == 0 {
            out.push(Segment::Close);
            pen = begun;
            continue;
        }
        if figures.is_empty() || figures.len() % takes != 0 {
            return None;
        }
        for (n, f) in figures.chunks(takes).enumerate() {
            let to = match command {
                'M' | 'L' => [f[0], f[1]],
                'H' => [f[0], pen[1]],
                'h' => [pen[0] + f[0], pen[1]],
                'V' => [pen[0], f[0]],
                'v' => [pen[0], pen[1] + f[0]],
                'a' => [pen[0] + f[5], pen[1] + f[6]],
                _ => [f[5], f[6]],
            };
            match command {
                // More pairs after the first are lines.
                'M' if n == 0 => {
                    begun = to;
                    out.push(Segment::Move(to));
                }
                'A' | 'a' => arc(pen, to, f, &mut out),
                _ => out.push(Segment::Line(to)),
            }
            pen = to;
        }
    }
    Some(out)
}

/// Numbers between spaces, commas, or the sign of the next.
fn numbers(text: &str) -> Option<Vec<f64>> {
    let mut all = Vec::new();
    for piece in text.split([' ', ',']).filter(|p| !p.is_empty()) {
        let mut from = 0;
        for (at, _) in piece.match_indices('-').filter(|(at, _)| *at > 0) {
            all.push(piece[from..at].parse().ok()?);
            from = at;
        }
        all.push(piece[from..].parse().ok()?);
    }
    all.iter().all(|v: &f64| v.is_finite()).then_some(all)
}

struct Arc {
    centre: [f64; 2],
    radii: [f64; 2],
    turn: f64,
}

impl Arc {
    fn turned(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.turn.sin_cos();
        [x * cos - y * sin, x * sin + y * cos]
    }

    fn at(&self, angle: f64) -> [f64; 2] {
        let [x, y] = self.turned([self.radii[0] * angle.cos(), self.radii[1] * angle.sin()]);
        [self.centre[0] + x, self.centre[1] + y]
    }

    /// Along it from an angle by an angle, in curves of at most a quarter: handles of 4/3 tan(φ/4) keep within 0.03 % of
    /// the radius.
    fn curves(&self, from: f64, by: f64, out: &mut Vec<Segment>) {
        let pieces = (by.abs() / FRAC_PI_2 - 1e-9).ceil().max(1.0);
        let step = by / pieces;
        let reach = 4.0 / 3.0 * (step / 4.0).tan();
        for n in 0..pieces as usize {
            let (a, b) = (from + step * n as f64, from + step * (n + 1) as f64);
            let along = |angle: f64| {
                self.turned([-self.radii[0] * angle.sin(), self.radii[1] * angle.cos()])
                    .map(|v| v * reach)
            };
            let ([x0, y0], [x1, y1]) = (self.at(a), self.at(b));
            let ([ax, ay], [bx, by]) = (along(a), along(b));
            out.push(Segment::Curve([[x0 + ax, y0 + ay], [x1 - bx, y1 - by], [x1, y1]]));
        }
    }
}

/// An arc from its ends (SVG 1.1, appendix F.6.5): radii, turn, large, sweep are the first five figures.
fn arc(from: [f64; 2], to: [f64; 2], figures: &[f64], out: &mut Vec<Segment>) {
    let (mut radii, turn) = ([figures[0].abs(), figures[1].abs()], figures[2].to_radians());
    let (large, sweep) = (figures[3] != 0.0, figures[4] != 0.0);
    if radii.contains(&0.0) || from == to {
        out.push(Segment::Line(to));
        return;
    }
    let (sin, cos) = turn.sin_cos();
    let [dx, dy] = [0, 1].map(|k| (from[k] - to[k]) / 2.0);
    let (x, y) = (dx * cos + dy * sin, dy * cos - dx * sin);
    let short = (x / radii[0]).powi(2) + (y / radii[1]).powi(2);
    if short > 1.0 {
        radii = radii.map(|r| r * short.sqrt());
    }
    let ([a, b], side) = (radii, if large == sweep { -1.0 } else { 1.0 });
    let left = ((a * b).powi(2) - (a * y).powi(2) - (b * x).powi(2)).max(0.0);
    let root = side * (left / ((a * y).powi(2) + (b * x).powi(2))).sqrt();
    let (cx, cy) = (root * a * y / b, -root * b * x / a);
    let arc = Arc {
        centre: [
            cx * cos - cy * sin + (from[0] + to[0]) / 2.0,
            cx * sin + cy * cos + (from[1] + to[1]) / 2.0,
        ],
        radii,
        turn,
    };
    let start = ((y - cy) / b).atan2((x - cx) / a);
    let end = ((-y - cy) / b).atan2((-x - cx) / a);
    let by = (end - start).rem_euclid(TAU);
    arc.curves(start, if sweep { by } else { by - TAU }, out);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: [f64; 2], b: [f64; 2]) -> bool {
        (a[0] - b[0]).hypot(a[1] - b[1]) < 1e-9
    }

    #[test]
    fn commands_go_where_the_standard_says() {
        let path = read("M10 20L30 40 50 60h5v-5H1V2ZM1-2.5L.5,3").expect("a path");
        let ends: Vec<_> = path.iter().map(Segment::end).collect();
        let expected = [
            Some([10.0, 20.0]),
            Some([30.0, 40.0]),
            Some([50.0, 60.0]),
            Some([55.0, 60.0]),
            Some([55.0, 55.0]),
            Some([1.0, 55.0]),
            Some([1.0, 2.0]),
            None,
            Some([1.0, -2.5]),
            Some([0.5, 3.0]),
        ];
        assert_eq!(ends, expected);
        for wrong in ["M1", "C1 2 3 4 5 6", "M1 x", "L", "M1 2 3"] {
            assert!(read(wrong).is_none(), "{wrong}");
        }
    }

    /// Two half circles, as frames' stars are drawn: each point of the curves lies on the circle.
    #[test]
    fn arcs_lie_on_their_circle() {
        let path = read("M4 10a6 6 0 1 0 12 0a6 6 0 1 0 -12 0").expect("a path");
        let mut pen = [4.0, 10.0];
        let mut low = f64::MIN;
        for segment in &path[1..] {
            let Segment::Curve([p, q, end]) = *segment else {
                panic!("{segment:?}");
            };
            for n in 0..=8 {
                let t = f64::from(n) / 8.0;
                let u = 1.0 - t;
                let at = [0, 1].map(|k| {
                    u * u * u * pen[k] + 3.0 * u * u * t * p[k] + 3.0 * u * t * t * q[k] + t * t * t * end[k]
                });
                let off = (at[0] - 10.0).hypot(at[1] - 10.0) - 6.0;
                assert!(off.abs() < 6.0 * 3e-4, "{at:?}");
                low = low.max(at[1]);
            }
            pen = end;
        }
        assert!(close(pen, [4.0, 10.0]) && (low - 16.0).abs() < 1e-9);
        // Sweep 0 goes through the larger y first: counter-clockwise as seen.
        assert!(close(path[1].end().expect("a curve"), [10.0, 16.0]));
    }

    #[test]
    fn an_ellipse_is_turned_clockwise() {
        let turned = ellipse([0.0, 0.0], [2.0, 1.0], FRAC_PI_2);
        assert!(close(turned[0].end().expect("a move"), [0.0, 2.0]));
    }
}
