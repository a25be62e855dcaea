//! Third moments: what is one-sided of a star.

use nightloom_raster::Plane;

use nightloom_stars::shape::{LocalSky, Moments, centre, each_pixel};

/// Third moments of a star within a round window of √2 times its width, in its standard deviations cubed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Third {
    /// ⟨x r²⟩, ⟨y r²⟩: towards the tail.
    pub(super) towards: [f64; 2],
    /// ⟨(x + iy)³⟩.
    pub(super) threefold: [f64; 2],
}

/// The third moments of one star; `None` where the window runs away.
pub(super) fn third(image: &Plane, sky: &LocalSky, at: (f64, f64), sigma: f64) -> Option<Third> {
    let window = Moments::round(std::f64::consts::SQRT_2 * sigma);
    let found = centre(image, sky, at, window)?;
    let inverse = window.inverse()?;
    let mut sums = [0.0; 5];
    each_pixel(image, found.x, found.y, 4.3 * sigma, |dx, dy, value| {
        let light = (-0.5 * inverse.times(dx, dy)).exp()
            * f64::from(value - sky.at_pixel(found.x + dx, found.y + dy));
        let r2 = dx * dx + dy * dy;
        let powers = [
            1.0,
            dx * r2,
            dy * r2,
            dx * (dx * dx - 3.0 * dy * dy),
            dy * (3.0 * dx * dx - dy * dy),
        ];
        sums.iter_mut().zip(powers).for_each(|(sum, p)| *sum += light * p);
    });
    let [light, x, y, c, s] = sums;
    let unit = light * sigma.powi(3);
    (light > 0.0).then(|| Third {
        towards: [x / unit, y / unit],
        threefold: [c / unit, s / unit],
    })
}
