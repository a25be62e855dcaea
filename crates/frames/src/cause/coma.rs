//! One-sided stars: third moments, and how they run over the frame.
//!
//! A lens whose elements are in line has coma that grows along the radius and is nothing at the middle. One
//! element out of line adds the same coma everywhere (K. P. Thompson 2005, J. Opt. Soc. Am. A 22, 1389; from
//! memory). An uneven motion makes stars one-sided all over as well, but along a line: it has as much of the
//! threefold part of third moments as of the onefold one, where coma has none (Seidel's coma, c ρ² (2 + cos 2θ,
//! sin 2θ), has ⟨x y²⟩ a third of ⟨x³⟩ about its mean).

use super::sample::ShapeSample;
use super::third::Third;
use nightloom_fit::{Loss, median_of};
use nightloom_stars::Field;

/// How one-sided the stars are.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize)]
pub struct Coma {
    /// At the middle of the frame, and all over: ⟨d r²⟩ of the stars' light in standard deviations cubed, within a
    /// window of √2 of them. 0 of even stars, 0.12 where one begins to mind.
    pub middle: f64,
    /// Towards where the tails point, degrees from right towards down, −180 to 180.
    pub towards_deg: f64,
    /// Beside it, along the radius at the corner; positive outwards.
    pub radial: f64,
    /// Threefold part over the onefold: 0 of coma, 1 of uneven motion along a line.
    pub line: f64,
    /// Standard deviation of one star about that.
    pub scatter: f64,
    /// Stars it rests on.
    pub stars: usize,
}

/// Fewer stars say nothing.
const LEAST: usize = 12;

/// Fits what is the same all over and what grows along the radius.
pub(super) fn fit(samples: &[ShapeSample], field: &Field) -> Coma {
    let seen: Vec<([f64; 2], Third)> = samples
        .iter()
        .filter_map(|s| Some((s.place(field), s.third?)))
        .collect();
    if seen.len() < LEAST {
        return Coma::default();
    }
    let (even, radial, scatter) = even_and_radial(&seen);
    let middle = even[0].hypot(even[1]);
    let towards = even[1].atan2(even[0]);
    let of = |k: usize| median_of(seen.iter().map(|(_, t)| t.threefold[k])).unwrap_or(0.0);
    let (sin, cos) = (3.0 * towards).sin_cos();
    Coma {
        middle,
        towards_deg: towards.to_degrees(),
        radial,
        line: (of(0) * cos + of(1) * sin) / middle.max(1e-9),
        scatter,
        stars: seen.len(),
    }
}

/// Least squares with Cauchy weights for `towards` = even + radial · place.
fn even_and_radial(seen: &[([f64; 2], Third)]) -> ([f64; 2], f64, f64) {
    let (mut even, mut radial, mut scale) = ([0.0; 2], 0.0, 0.3);
    let off = |even: &[f64; 2], radial: f64, (p, t): &([f64; 2], Third)| {
        (t.towards[0] - even[0] - radial * p[0]).hypot(t.towards[1] - even[1] - radial * p[1])
    };
    for _ in 0..10 {
        let (mut w, mut wp, mut wt, mut wpp, mut wpt) = (0.0, [0.0; 2], [0.0; 2], 0.0, 0.0);
        for star in seen {
            let (p, t) = (star.0, star.1.towards);
            let weight = Loss::Cauchy.weight(off(&even, radial, star) / scale);
            w += weight;
            for k in 0..2 {
                wp[k] += weight * p[k];
                wt[k] += weight * t[k];
                wpp += weight * p[k] * p[k];
                wpt += weight * p[k] * t[k];
            }
        }
        // The even part of both axes eliminated, one equation is left for the radial one.
        let lever = wpp - (wp[0] * wp[0] + wp[1] * wp[1]) / w;
        radial = if lever > 1e-3 * w {
            (wpt - (wp[0] * wt[0] + wp[1] * wt[1]) / w) / lever
        } else {
            0.0
        };
        even = [0, 1].map(|k| (wt[k] - radial * wp[k]) / w);
        let misses = seen.iter().map(|s| off(&even, radial, s));
        scale = (1.5 * median_of(misses).unwrap_or(scale)).max(1e-3);
    }
    // The median of a distance in two dimensions is 1.18 of one axis's standard deviation.
    (even, radial, scale / 1.5 / 1.18)
}
