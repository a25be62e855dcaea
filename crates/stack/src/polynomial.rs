//! Cubics in two variables over a rectangle of the canvas.

/// Coefficients of a cubic in two variables.
pub(crate) const TERMS: usize = 10;
/// How far outside its rectangle a cubic is followed, in half sides; beyond it stays level.
const BEYOND: f32 = 1.25;

/// A rectangle of the canvas, by its centre and half sides in pixels.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Domain {
    centre: [f64; 2],
    half: [f64; 2],
}

impl Domain {
    /// The smallest that holds all points with a `margin` (above 0) round each.
    pub(crate) fn of(points: impl Iterator<Item = [f64; 2]>, margin: f64) -> Self {
        let start = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        let (low, high) = points.fold(start, |(low, high), p| {
            let of = |k: usize| (low[k].min(p[k]), high[k].max(p[k]));
            let (x, y) = (of(0), of(1));
            ([x.0, y.0], [x.1, y.1])
        });
        let empty = low[0] > high[0];
        let of = |k: usize| if empty { (0.0, 0.0) } else { (low[k], high[k]) };
        Self {
            centre: [0, 1].map(|k| 0.5 * (of(k).0 + of(k).1)),
            half: [0, 1].map(|k| 0.5 * (of(k).1 - of(k).0) + margin),
        }
    }

    /// A point in half sides from the centre.
    pub(crate) fn place(&self, p: [f64; 2]) -> [f64; 2] {
        [0, 1].map(|k| (p[k] - self.centre[k]) / self.half[k])
    }

    fn along(&self, axis: usize, pixel: usize) -> f32 {
        let at = (pixel as f64 - self.centre[axis]) / self.half[axis];
        (at as f32).clamp(-BEYOND, BEYOND)
    }
}

/// The terms 1, u, v, u², uv, v², u³, u²v, uv², v³; those above `degree` are 0.
pub(crate) fn cubic_terms([u, v]: [f64; 2], degree: usize) -> [f64; TERMS] {
    let mut terms = [
        1.0,
        u,
        v,
        u * u,
        u * v,
        v * v,
        u * u * u,
        u * u * v,
        u * v * v,
        v * v * v,
    ];
    terms[[1, 3, 6, TERMS][degree.min(3)]..].fill(0.0);
    terms
}

/// A cubic ready to be evaluated.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cubic {
    domain: Domain,
    coefficients: [f64; TERMS],
}

impl Cubic {
    pub(crate) fn new(domain: Domain, coefficients: [f64; TERMS]) -> Self {
        Self { domain, coefficients }
    }

    /// Where the canvas columns x0, x0 + 1, … lie in the cubic's rectangle, for [`Row::at`].
    pub(crate) fn columns(&self, x0: usize, pixels: usize) -> Vec<f32> {
        (x0..x0 + pixels).map(|x| self.domain.along(0, x)).collect()
    }

    /// The cubic along row `y` of the canvas.
    pub(crate) fn along(&self, y: usize) -> Row {
        let a = &self.coefficients;
        let v = f64::from(self.domain.along(1, y));
        let row = [
            a[0] + v * (a[2] + v * (a[5] + v * a[9])),
            a[1] + v * (a[4] + v * a[8]),
            a[3] + v * a[7],
            a[6],
        ];
        Row {
            powers: row.map(|r| r as f32),
        }
    }
}

/// A cubic in one variable.
pub(crate) struct Row {
    powers: [f32; 4],
}

impl Row {
    /// At a place of [`Cubic::columns`].
    #[inline]
    pub(crate) fn at(&self, u: f32) -> f32 {
        let [a, b, c, d] = self.powers;
        a + u * (b + u * (c + u * d))
    }
}
