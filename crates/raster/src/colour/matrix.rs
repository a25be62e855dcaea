//! Three by three, and what follows from primaries and white.

/// Row-major.
pub type Matrix = [[f64; 3]; 3];

/// Chromaticities of the primaries of ITU-R BT.2020-2, table 3.
pub const REC2020_XY: [[f64; 2]; 3] = [[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]];
/// Chromaticities of the primaries of sRGB (IEC 61966-2-1, those of ITU-R BT.709).
pub const SRGB_XY: [[f64; 2]; 3] = [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]];
/// Chromaticity of white D65 as both recommendations give it.
pub const D65_XY: [f64; 2] = [0.3127, 0.3290];
/// The connection space's white, D50 (ICC.1:2010, 7.2.16).
pub const D50_XYZ: [f64; 3] = [0.9642, 1.0, 0.8249];

/// Cone responses of the Bradford transform (ICC.1:2010, annex E.3).
const BRADFORD: Matrix = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];

/// XYZ of a chromaticity with luminance 1.
pub fn xy_to_xyz([x, y]: [f64; 2]) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// The matrix from linear RGB of these primaries and this white to XYZ, white having luminance 1
/// (SMPTE RP 177-1993, section 3.3).
pub fn rgb_to_xyz(primaries: [[f64; 2]; 3], white: [f64; 2]) -> Matrix {
    let columns = primaries.map(xy_to_xyz);
    let unscaled = transposed(columns);
    let scale = apply(&inverse(&unscaled), xy_to_xyz(white));
    unscaled.map(|row| [row[0] * scale[0], row[1] * scale[1], row[2] * scale[2]])
}

/// Linear Rec. 2020 to XYZ (white D65).
pub fn rec2020_to_xyz() -> Matrix {
    rgb_to_xyz(REC2020_XY, D65_XY)
}
/// XYZ (white D65) to linear Rec. 2020.
pub fn xyz_to_rec2020() -> Matrix {
    inverse(&rec2020_to_xyz())
}
/// Linear sRGB to XYZ (white D65).
pub fn srgb_to_xyz() -> Matrix {
    rgb_to_xyz(SRGB_XY, D65_XY)
}
/// XYZ (white D65) to linear sRGB.
pub fn xyz_to_srgb() -> Matrix {
    inverse(&srgb_to_xyz())
}
/// Linear Rec. 2020 to linear sRGB. Colours outside sRGB get negative values.
pub fn rec2020_to_srgb() -> Matrix {
    product(&xyz_to_srgb(), &rec2020_to_xyz())
}
/// The matrix that takes XYZ seen under one white to XYZ of the same look under another (Bradford,
/// linear). Whites as XYZ.
pub fn bradford(from: [f64; 3], to: [f64; 3]) -> Matrix {
    let (a, b) = (apply(&BRADFORD, from), apply(&BRADFORD, to));
    let scaled = [0, 1, 2].map(|i| BRADFORD[i].map(|v| v * b[i] / a[i]));
    product(&inverse(&BRADFORD), &scaled)
}

/// Matrix times vector.
pub fn apply(m: &Matrix, v: [f64; 3]) -> [f64; 3] {
    m.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Matrix times matrix.
pub fn product(a: &Matrix, b: &Matrix) -> Matrix {
    let columns = transposed(*b);
    a.map(|row| columns.map(|c| row[0] * c[0] + row[1] * c[1] + row[2] * c[2]))
}

/// The inverse by cofactors. A matrix without one gives infinities or not-a-number.
pub fn inverse(m: &Matrix) -> Matrix {
    let cross = |a: [f64; 3], b: [f64; 3]| {
        [
            a[1] * b[2] - a[2] * b[1],
            a[2] * b[0] - a[0] * b[2],
            a[0] * b[1] - a[1] * b[0],
        ]
    };
    let columns = [cross(m[1], m[2]), cross(m[2], m[0]), cross(m[0], m[1])];
    let determinant = m[0][0] * columns[0][0] + m[0][1] * columns[0][1] + m[0][2] * columns[0][2];
    transposed(columns).map(|row| row.map(|v| v / determinant))
}

fn transposed(m: Matrix) -> Matrix {
    [0, 1, 2].map(|i| [m[0][i], m[1][i], m[2][i]])
}
