//! Light made warmer or cooler, greener or more magenta.

use nightloom_raster::colour::{apply, xy_to_xyz, xyz_to_rec2020};

/// The working space's white, D65 (ITU-R BT.2020-2, table 3), and what it is called in mired.
const D65_XY: [f64; 2] = [0.3127, 0.3290];
const D65_MIRED: f64 = 1e6 / 6504.0;

/// Factors on red, green and blue, of luminance 1, that show white as light would be that lies `mired` further along the
/// black bodies' line (positive is warmer) and `tint` thousandths of Duv over it (positive is greener, ANSI C78.377).
///
/// The line is Krystek's (1985, “An algorithm to calculate correlated colour temperature”, Color Research and Application
/// 10, 38), the coefficients from memory; 1000 to 15 000 K.
pub(super) fn gains(mired: f64, tint: f64) -> [f32; 3] {
    if mired == 0.0 && tint == 0.0 {
        return [1.0; 3];
    }
    let here = black_body(D65_MIRED);
    let there = black_body(D65_MIRED + mired);
    let along = (
        black_body(D65_MIRED + mired + 1.0),
        black_body(D65_MIRED + mired - 1.0),
    );
    let way = [along.0[0] - along.1[0], along.0[1] - along.1[1]];
    let length = way[0].hypot(way[1]);
    // The normal that points to larger v, where greens are.
    let mut normal = [-way[1] / length, way[0] / length];
    if normal[1] < 0.0 {
        normal = normal.map(|n| -n);
    }
    let white = uv_of(D65_XY);
    let moved: [f64; 2] = std::array::from_fn(|i| white[i] + there[i] - here[i] + 1e-3 * tint * normal[i]);
    let rgb = apply(&xyz_to_rec2020(), xy_to_xyz(xy_of(moved)));
    rgb.map(|v| v.max(0.02) as f32)
}

/// CIE 1960 chromaticity of a black body.
fn black_body(mired: f64) -> [f64; 2] {
    let t = 1e6 / mired.clamp(1e6 / 15_000.0, 1000.0);
    let u = (0.860_117_757 + 1.541_182_54e-4 * t + 1.286_412_12e-7 * t * t)
        / (1.0 + 8.424_202_35e-4 * t + 7.081_451_63e-7 * t * t);
    let v = (0.317_398_726 + 4.228_062_45e-5 * t + 4.204_816_91e-8 * t * t)
        / (1.0 - 2.897_418_16e-5 * t + 1.614_560_53e-7 * t * t);
    [u, v]
}

fn uv_of([x, y]: [f64; 2]) -> [f64; 2] {
    let d = -2.0 * x + 12.0 * y + 3.0;
    [4.0 * x / d, 6.0 * y / d]
}

fn xy_of([u, v]: [f64; 2]) -> [f64; 2] {
    let d = 2.0 * u - 8.0 * v + 4.0;
    [3.0 * u / d, 2.0 * v / d]
}

#[cfg(test)]
mod tests {
    use nightloom_raster::colour::luminance;

    use super::*;

    #[test]
    fn the_line_is_where_illuminants_say() {
        // CIE 15: illuminant A is a black body of 2856 K at x = 0.44758, y = 0.40745.
        let [x, y] = xy_of(black_body(1e6 / 2856.0));
        assert!(
            (x - 0.44758).abs() < 1e-3 && (y - 0.40745).abs() < 1e-3,
            "{x} {y}"
        );
    }

    #[test]
    fn warmer_is_redder_greener_is_greener_and_luminance_stays() {
        assert_eq!(gains(0.0, 0.0), [1.0; 3]);
        let warm = gains(50.0, 0.0);
        assert!(warm[0] > 1.05 && warm[2] < 0.9, "{warm:?}");
        let cold = gains(-50.0, 0.0);
        assert!(cold[0] < 0.98 && cold[2] > 1.1, "{cold:?}");
        let green = gains(0.0, 10.0);
        assert!(green[1] > green[0] && green[1] > green[2], "{green:?}");
        for g in [warm, cold, green, gains(100.0, -20.0)] {
            assert!((luminance(g) - 1.0).abs() < 2e-3, "{g:?}");
        }
    }
}
