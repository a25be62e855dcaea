//! What the camera makes of a spectrum, and the matrix that says so in its files.

use nalgebra::{Matrix3, Vector3};

const FROM_NM: f64 = 380.0;
const STEP_NM: f64 = 5.0;
const STEPS: usize = 69;

/// Relative quantum efficiencies of the three filters: Gaussians (peak, width σ, strength), made up
/// but like those of common sensors.
const FILTERS: [(f64, f64, f64); 3] = [(602.0, 36.0, 0.82), (533.0, 40.0, 1.0), (461.0, 33.0, 0.86)];
/// Johnson V as a Gaussian: 551 nm, FWHM 88 nm (Bessell 1990).
const JOHNSON_V: (f64, f64, f64) = (551.0, 37.4, 1.0);
/// Temperature of a star of B−V = 0 by Ballesteros' formula.
const WHITE_STAR_K: f64 = 10_125.0;

fn wavelengths() -> impl Iterator<Item = f64> {
    (0..STEPS).map(|i| FROM_NM + STEP_NM * i as f64)
}

fn bell((centre, sigma, strength): (f64, f64, f64), nm: f64) -> f64 {
    strength * (-0.5 * ((nm - centre) / sigma).powi(2)).exp()
}

/// Photons per wavelength of a black body, in arbitrary units (Planck 1901).
pub(crate) fn planck_photons(kelvin: f64, nm: f64) -> f64 {
    (nm / 550.0).powi(-4) / ((1.438_777e7 / (nm * kelvin)).exp() - 1.0)
}

/// Temperature from B−V (Ballesteros 2012, EPL 97, 34008).
pub(crate) fn temperature_of_bv(b_v: f64) -> f64 {
    let x = 0.92 * b_v.clamp(-0.4, 2.5);
    4600.0 * (1.0 / (x + 1.7) + 1.0 / (x + 0.62))
}

fn through(filter: (f64, f64, f64), photons: &impl Fn(f64) -> f64) -> f64 {
    wavelengths().map(|nm| bell(filter, nm) * photons(nm)).sum()
}

/// Signals in R, G, B of a light of this photon spectrum, relative to its signal in Johnson V; a star
/// of B−V = 0 has G = 1.
pub(crate) fn per_v(photons: impl Fn(f64) -> f64) -> [f64; 3] {
    let white = |nm: f64| planck_photons(WHITE_STAR_K, nm);
    let scale = through(FILTERS[1], &white) / through(JOHNSON_V, &white);
    let v = through(JOHNSON_V, &photons) * scale;
    FILTERS.map(|filter| through(filter, &photons) / v)
}

/// The same for a black body.
pub(crate) fn black_body_per_v(kelvin: f64) -> [f64; 3] {
    per_v(|nm| planck_photons(kelvin, nm))
}

/// The same for narrow lines over a black-body continuum: (nm, strength) pairs, a strength of 1
/// holding as many photons as 100 nm of the continuum at 550 nm.
pub(crate) fn lines_per_v(continuum_k: f64, lines: &[(f64, f64)]) -> [f64; 3] {
    let level = planck_photons(continuum_k, 550.0) * 100.0 / (6.0 * std::f64::consts::TAU.sqrt());
    per_v(|nm| {
        let peaks: f64 = lines
            .iter()
            .map(|&(at, strength)| bell((at, 6.0, strength * level), nm))
            .sum();
        planck_photons(continuum_k, nm) + peaks
    })
}

/// Camera R, G, B against B−V, looked up.
pub(crate) struct StarColours {
    table: Vec<[f64; 3]>,
}

impl StarColours {
    pub(crate) fn new() -> Self {
        let table = (0..=58)
            .map(|i| black_body_per_v(temperature_of_bv(-0.4 + 0.05 * f64::from(i))))
            .collect();
        Self { table }
    }
    pub(crate) fn at(&self, b_v: f64) -> [f64; 3] {
        let at = ((b_v.clamp(-0.4, 2.49)) + 0.4) / 0.05;
        let i = (at as usize).min(self.table.len() - 2);
        let t = at - i as f64;
        std::array::from_fn(|c| self.table[i][c] * (1.0 - t) + self.table[i + 1][c] * t)
    }
}

/// CIE 1931 2° matching functions by the fit of Wyman, Sloan & Shirley 2013, JCGT 2(2), eq. 4.
fn matching(nm: f64) -> Vector3<f64> {
    let lobe = |k: f64, at: f64, below: f64, above: f64| {
        k * (-0.5 * ((nm - at) / if nm < at { below } else { above }).powi(2)).exp()
    };
    Vector3::new(
        lobe(1.056, 599.8, 37.9, 31.0) + lobe(0.362, 442.0, 16.0, 26.7) + lobe(-0.065, 501.1, 20.4, 26.2),
        lobe(0.821, 568.8, 46.9, 40.5) + lobe(0.286, 530.9, 16.3, 31.1),
        lobe(1.217, 437.0, 11.8, 36.0) + lobe(0.681, 459.0, 26.0, 13.8),
    )
}

/// Black bodies to which the matrix is fitted, kelvin, and their weight against single wavelengths.
const FITTED_K: [f64; 6] = [2500.0, 3500.0, 4600.0, 6500.0, 10_000.0, 20_000.0];
const FITTED_WEIGHT: f64 = 300.0;

/// The least-squares matrix from CIE XYZ to camera RGB over black bodies and, lightly, all wavelengths
/// (energy spectra), scaled so that a 6504 K black body of Y = 1 gives G = 1.
pub(crate) fn xyz_to_camera() -> [[f64; 3]; 3] {
    let (mut xx, mut cx) = (Matrix3::zeros(), Matrix3::zeros());
    for nm in wavelengths() {
        let xyz = matching(nm);
        // A filter counts photons, of which a joule holds λ/hc.
        let camera = Vector3::from(FILTERS.map(|f| bell(f, nm) * nm / 550.0));
        xx += xyz * xyz.transpose();
        cx += camera * xyz.transpose();
    }
    for kelvin in FITTED_K {
        let xyz: Vector3<f64> = wavelengths()
            .map(|nm| matching(nm) * planck_photons(kelvin, nm) / nm * 550.0)
            .sum();
        let camera = Vector3::from(FILTERS.map(|f| through(f, &|nm| planck_photons(kelvin, nm))));
        let weight = FITTED_WEIGHT / xyz.norm_squared();
        xx += xyz * xyz.transpose() * weight;
        cx += camera * xyz.transpose() * weight;
    }
    let matrix = cx * xx.try_inverse().unwrap_or_else(Matrix3::identity);
    let white: Vector3<f64> = wavelengths()
        .map(|nm| matching(nm) * planck_photons(6504.0, nm) / nm)
        .sum();
    let scaled = matrix / (matrix * (white / white.y)).y;
    std::array::from_fn(|row| std::array::from_fn(|column| scaled[(row, column)]))
}

/// Camera R, G, B of a neutral thing under a black body of this temperature, green 1.
pub(crate) fn neutral(kelvin: f64) -> [f64; 3] {
    let rgb = black_body_per_v(kelvin);
    rgb.map(|c| c / rgb[1])
}

#[cfg(test)]
mod tests {
    use super::{matching, neutral, planck_photons, wavelengths, xyz_to_camera};
    use nalgebra::Vector3;

    /// The matrix gives a neutral thing nearly what the filters themselves give it.
    #[test]
    fn matrix_agrees_with_filters_on_black_bodies() {
        const TOLERANCE: f64 = 0.03;
        let m = xyz_to_camera();
        for kelvin in [3000.0, 4600.0, 5500.0, 6500.0, 10_000.0] {
            let xyz: Vector3<f64> = wavelengths()
                .map(|nm| matching(nm) * planck_photons(kelvin, nm) / nm)
                .sum();
            let rgb = m.map(|row| row[0] * xyz.x + row[1] * xyz.y + row[2] * xyz.z);
            let straight = neutral(kelvin);
            for c in [0, 2] {
                let ratio = rgb[c] / rgb[1] / straight[c];
                assert!((ratio - 1.0).abs() < TOLERANCE, "{kelvin} K, colour {c}: {ratio}");
            }
        }
    }

    /// CIE 1931 chromaticity of black bodies: 6500 K at (0.3135, 0.3237), 3000 K at (0.4369, 0.4041)
    /// (Planckian locus, CIE 15, from memory).
    #[test]
    fn black_bodies_have_their_chromaticity() {
        for (kelvin, x, y) in [(6500.0, 0.3135, 0.3237), (3000.0, 0.4369, 0.4041)] {
            let xyz: Vector3<f64> = wavelengths()
                .map(|nm| matching(nm) * planck_photons(kelvin, nm) / nm)
                .sum();
            let sum = xyz.x + xyz.y + xyz.z;
            assert!(
                (xyz.x / sum - x).abs() < 0.004 && (xyz.y / sum - y).abs() < 0.004,
                "{kelvin} K: {xyz}"
            );
        }
    }
}
