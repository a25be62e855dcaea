//! The pole star's way round the pole, with the hours on it.

use nightloom_outing::sheet::Content;

use super::font::Face;
use super::piece::{Mark, Piece, Style};

/// Radii, points: of the rim, of the star's way, of the hours' figures.
const RIM: f32 = 58.0;
const WAY: f32 = 40.0;
const FIGURES: f32 = 50.0;
const DOT: f32 = 2.2;
const FIGURE: Style = Style {
    face: Face::Regular,
    size: 7.0,
    grey: 0.0,
};

/// A dial in the middle of a column.
pub(super) fn dial(content: &Content, width: f32) -> Piece {
    let middle = [width / 2.0, RIM + 6.0];
    let mut piece = Piece {
        height: 2.0 * RIM + 14.0,
        ..Piece::default()
    };
    let circle = |centre, radius, filled| Mark::Circle {
        centre,
        radius,
        filled,
    };
    piece.marks.push(circle(middle, RIM, false));
    for hour in 0_u8..12 {
        let inner = if hour % 3 == 0 { RIM - 7.0 } else { RIM - 4.0 };
        let angle = 30.0 * f32::from(hour);
        piece
            .marks
            .push(line(around(middle, inner, angle), around(middle, RIM, angle)));
    }
    let [x, y] = middle;
    piece.marks.push(line([x - 4.0, y], [x + 4.0, y]));
    piece.marks.push(line([x, y - 4.0], [x, y + 4.0]));
    for (at, row) in content.pole.half_hours(content.busy()) {
        let local = content.clock.short(at);
        let Some(hour) = local.strip_suffix(":00") else {
            continue;
        };
        let angle = row.clock_angle_deg as f32;
        piece.marks.push(circle(around(middle, WAY, angle), DOT, true));
        let wide = FIGURE.face.width(hour.as_bytes(), FIGURE.size);
        let [x, y] = around(middle, FIGURES, angle);
        piece.marks.push(Mark::Text {
            at: [x - wide / 2.0, y + 2.5],
            style: FIGURE,
            text: hour.as_bytes().to_vec(),
        });
    }
    piece
}

/// A place at a clock angle: 0° up, clockwise.
fn around([x, y]: [f32; 2], radius: f32, angle_deg: f32) -> [f32; 2] {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    [x + radius * sin, y - radius * cos]
}

fn line(from: [f32; 2], to: [f32; 2]) -> Mark {
    Mark::Line {
        from,
        to,
        width: 0.7,
        grey: 0.0,
    }
}
