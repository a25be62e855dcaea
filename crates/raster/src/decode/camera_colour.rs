//! From camera colour to the working space, by the maker's colour matrix.

use crate::CameraColour;

type M3 = [[f64; 3]; 3];

/// From linear Rec. 2020 to CIE XYZ, both D65 (ITU-R BT.2020-2, Table 3: primaries and white;
/// the matrix follows by SMPTE RP 177-1993).
const WORKING_TO_XYZ: M3 = [
    [
        0.636_958_048_301_291,
        0.144_616_903_586_208,
        0.168_880_975_164_172,
    ],
    [
        0.262_700_212_011_267,
        0.677_998_071_518_871,
        0.059_301_716_469_862,
    ],
    [0.0, 0.028_072_693_049_087, 1.060_985_057_710_791],
];

/// Bradford cone responses (Lam 1985, as in ICC.1:2022 annex E.3).
const BRADFORD: M3 = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// Chromaticity of D65 (CIE 15:2018).
pub(crate) const D65: [f64; 2] = [0.3127, 0.3290];

/// Chromaticity of D50, the white of ICC profiles (CIE 15:2018).
pub(crate) const D50: [f64; 2] = [0.3457, 0.3585];

/// The colour of a camera whose matrix takes XYZ under a light of chromaticity `white` to camera
/// RGB; `balance` are the factors as shot, if the file has usable ones.
///
/// The matrix from balanced camera RGB to the working space is (C · A · W)⁻¹ with the rows of
/// C · A · W scaled to sum 1, so that balanced neutral stays neutral exactly (C the maker's
/// matrix, A the Bradford adaptation from D65 to `white`, W Rec. 2020 to XYZ). Without a usable
/// balance the camera's neutral under `white` is taken.
pub(crate) fn camera_colour(
    xyz_to_camera: Option<(M3, [f64; 2])>,
    balance: Option<[f64; 3]>,
) -> CameraColour {
    let rows = xyz_to_camera.map(|(m, white)| multiply(&multiply(&m, &adapt(D65, white)), &WORKING_TO_XYZ));
    let normal = rows.as_ref().and_then(|rows| {
        let sums = rows.map(|r| r.iter().sum::<f64>());
        let usable = sums.iter().all(|s| s.is_finite() && *s > 1.0e-6);
        usable.then(|| (sums, [0, 1, 2].map(|i| rows[i].map(|v| v / sums[i]))))
    });
    let (neutral, to_working) = match normal.and_then(|(sums, m)| Some((sums, invert(&m)?))) {
        Some((sums, inverse)) => (
            [sums[1] / sums[0], 1.0, sums[1] / sums[2]],
            inverse.map(|r| r.map(|v| v as f32)),
        ),
        // Common practice, no source: a camera of unknown matrix is taken for sRGB primaries.
        None => ([1.0; 3], SRGB_TO_WORKING),
    };
    let balance = balance.unwrap_or(neutral);
    CameraColour {
        white_balance: balance.map(|v| v as f32),
        to_working,
    }
}

/// The matrix of an ICC profile (to XYZ under D50, the connection space; ICC.1:2022, 7.2.16) as one
/// to the working space.
pub(crate) fn profile_to_working(to_xyz_d50: &M3) -> [[f32; 3]; 3] {
    let inverse = invert(&WORKING_TO_XYZ).unwrap_or(WORKING_TO_XYZ);
    let adapted = multiply(&adapt(D50, D65), to_xyz_d50);
    multiply(&inverse, &adapted).map(|row| row.map(|v| v as f32))
}

/// Factors with green 1 out of those of a file; nothing if one is missing, not a number, or absurd.
pub(crate) fn usable_balance(factors: [f32; 3]) -> Option<[f64; 3]> {
    let factors = factors.map(f64::from);
    let usable = factors.iter().all(|f| f.is_finite() && *f > 0.0);
    let relative = factors.map(|f| f / factors[1]);
    (usable && relative.iter().all(|f| (0.01..=100.0).contains(f))).then_some(relative)
}

fn adapt(from: [f64; 2], to: [f64; 2]) -> M3 {
    if from == to {
        return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    }
    let cone = |xy: [f64; 2]| {
        let white = [xy[0] / xy[1], 1.0, (1.0 - xy[0] - xy[1]) / xy[1]];
        BRADFORD.map(|row| row.iter().zip(white).map(|(a, b)| a * b).sum::<f64>())
    };
    let (from, to) = (cone(from), cone(to));
    let scaled = [0, 1, 2].map(|i| BRADFORD[i].map(|v| v * to[i] / from[i]));
    invert(&BRADFORD).map_or(scaled, |inverse| multiply(&inverse, &scaled))
}

fn multiply(a: &M3, b: &M3) -> M3 {
    [0, 1, 2].map(|i| [0, 1, 2].map(|j| (0..3).map(|k| a[i][k] * b[k][j]).sum()))
}

fn invert(m: &M3) -> Option<M3> {
    let cofactor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: f64 = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum();
    (determinant.is_finite() && determinant.abs() > 1.0e-9)
        .then(|| [0, 1, 2].map(|i| [0, 1, 2].map(|j| cofactor(j, i) / determinant)))
}

/// From linear sRGB to linear Rec. 2020, both D65: the product of the primaries' matrices
/// (ITU-R BT.2087-0, Annex 1, M2).
pub(crate) const SRGB_TO_WORKING: [[f32; 3]; 3] = [
    [0.627_403_9, 0.329_283, 0.043_313_067],
    [0.069_097_29, 0.919_540_4, 0.011_362_315],
    [0.016_391_44, 0.088_013_31, 0.895_595_25],
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_srgb_matrix_as_a_camera_gives_the_published_srgb_to_rec2020_matrix() {
        // XYZ to linear sRGB, IEC 61966-2-1:1999 annex (inverse of its 5.3 matrix).
        let srgb = [
            [3.240_97, -1.537_383, -0.498_611],
            [-0.969_244, 1.875_968, 0.041_555],
            [0.055_63, -0.203_977, 1.056_972],
        ];
        let colour = camera_colour(Some((srgb, D65)), None);
        for (got, expected) in colour
            .to_working
            .iter()
            .flatten()
            .zip(SRGB_TO_WORKING.iter().flatten())
        {
            assert!((got - expected).abs() < 2.0e-4, "{got} {expected}");
        }
        assert!(colour.white_balance.iter().all(|f| (f - 1.0).abs() < 1.0e-3));
    }

    /// Largest difference to colour-science, in matrix entries.
    const TOLERANCE: f64 = 1.0e-9;

    fn assert_table(got: &M3, name: &str) {
        let made = include_str!("../../tests/fixtures/decode/made.json");
        let made: serde_json::Value = serde_json::from_str(made).unwrap();
        for (i, j) in (0..9).map(|k| (k / 3, k % 3)) {
            let want = made[name][i][j].as_f64().unwrap();
            assert!(
                (got[i][j] - want).abs() < TOLERANCE,
                "{name} [{i}][{j}]: {}, expected {want}",
                got[i][j]
            );
        }
    }

    #[test]
    fn the_fixed_matrices_are_those_of_colour_science() {
        assert_table(&WORKING_TO_XYZ, "rec2020_to_xyz");
        assert_table(&adapt(D65, D50), "bradford_d65_to_d50");
    }

    #[test]
    fn neutral_stays_neutral_whatever_the_light_of_the_matrix() {
        let camera = [
            [0.7034, -0.0804, -0.1014],
            [-0.4420, 1.2564, 0.2058],
            [-0.0851, 0.1994, 0.5758],
        ];
        for white in [D65, [0.3457, 0.3585], [0.4476, 0.4074]] {
            let colour = camera_colour(Some((camera, white)), Some([2.0, 1.0, 1.5]));
            assert_eq!(colour.white_balance, [2.0, 1.0, 1.5]);
            for row in colour.to_working {
                assert!((row.iter().sum::<f32>() - 1.0).abs() < 1.0e-5);
            }
        }
    }

    #[test]
    fn a_balance_that_is_not_a_number_is_no_balance() {
        assert_eq!(usable_balance([2.0, 1.0, f32::NAN]), None);
        assert_eq!(usable_balance([2.0, 0.0, 1.0]), None);
        assert_eq!(usable_balance([2048.0, 1024.0, 1536.0]), Some([2.0, 1.0, 1.5]));
    }
}
