//! Where the picture's sky is, as a FITS header tells it: tangent plane with polynomials (Greisen & Calabretta 2002, A&A
//! 395, 1061; Calabretta & Greisen 2002, A&A 395, 1077; SIP: Shupe et al. 2005, ASP Conf. Ser. 347, 491).

use nalgebra::{DMatrix, DVector, Matrix2, Rotation3, Vector2, Vector3};
use nightloom_fit::{least_squares, rotation_between};
use nightloom_raster::write::FitsValue;

/// Polynomials tried, the lowest first; SIP has none above the ninth.
const ORDERS: std::ops::RangeInclusive<usize> = 2..=9;
/// An order that leaves no more than this anywhere will do, pixels.
const GOOD_PX: f64 = 0.01;
/// And coordinates that are farther off than this are none.
const MOST_PX: f64 = 0.5;
/// A tangent plane stretches by 1 / sin² of this at its edge; beyond it the polynomials run away, degrees from the middle.
const FARTHEST_DEG: f64 = 70.0;
/// Places across and down that the polynomials are fitted to; the error is looked for between them too.
const ACROSS: usize = 48;
/// Fewer places than this hold no polynomial.
const LEAST: usize = 120;

/// A header's card: keyword, value, comment.
pub(crate) type Card = (String, FitsValue, String);

/// The directions of a picture's pixels in a header's terms.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Celestial {
    /// Right ascension and declination at the reference pixel, ICRS degrees.
    crval: [f64; 2],
    /// The reference pixel, the first one's centre being (0, 0).
    at: [f64; 2],
    /// Degrees per pixel.
    cd: Matrix2<f64>,
    order: usize,
    /// Terms of `A` and `B`, …
    forward: [Vec<Term>; 2],
    /// … and of `AP` and `BP`.
    backward: [Vec<Term>; 2],
    /// Largest error against the lens, pixels, forward and backward.
    pub(crate) error_px: [f64; 2],
    /// Catalogue stars that the lens was turned to, and their root mean square distance, radians.
    stars: Option<(usize, f64)>,
}

/// How a picture's axes lie among the stars.
pub(crate) struct Turned {
    pub(crate) to_icrs: Rotation3<f64>,
    stars: (usize, f64),
}

/// A star farther off than this many times the median is another one, or a double.
const FAR: f64 = 4.0;

/// Turns the picture's axes to the catalogue by pairs of a catalogue direction (ICRS) and where it is seen. What identified
/// the stars had a lens of its own, whose centre and turn stand in for each other: its turn alone is off by a part of a pixel.
pub(crate) fn turned(pairs: &[(Vector3<f64>, Vector3<f64>)]) -> Option<Turned> {
    let turn = |pairs: &[(Vector3<f64>, Vector3<f64>)]| {
        rotation_between(pairs.iter().map(|(icrs, seen)| (*seen, *icrs, 1.0)))
    };
    let off = |to_icrs: &Rotation3<f64>, (icrs, seen): &(Vector3<f64>, Vector3<f64>)| {
        (to_icrs * seen.normalize() - icrs.normalize()).norm()
    };
    let first = turn(pairs)?;
    let usual = nightloom_fit::median_of(pairs.iter().map(|p| off(&first, p)))?;
    let near: Vec<_> = pairs
        .iter()
        .filter(|p| off(&first, p) <= FAR * usual)
        .copied()
        .collect();
    let to_icrs = turn(&near)?;
    let square: f64 = near.iter().map(|p| off(&to_icrs, p).powi(2)).sum();
    (near.len() >= 3).then(|| Turned {
        to_icrs,
        stars: (near.len(), (square / near.len() as f64).sqrt()),
    })
}

/// Exponents and coefficient.
type Term = ([usize; 2], f64);

/// A place of the picture from the reference pixel, and on the tangent plane in degrees.
struct Place {
    pixel: Vector2<f64>,
    plane: Vector2<f64>,
}

/// Fits the header's formulas to `direction` (ICRS) over the pixels that `shows` sky. The error says why there are none.
pub(crate) fn fit(
    [width, height]: [usize; 2],
    direction: &dyn Fn([f64; 2]) -> Option<Vector3<f64>>,
    shows: &dyn Fn(usize, usize) -> bool,
) -> Result<Celestial, &'static str> {
    let at = [(width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0].map(f64::round);
    let centre = direction(at)
        .ok_or("the picture's middle shows no sky")?
        .normalize();
    let tangent = Tangent::at(&centre);
    let places = |across: usize| -> Result<Vec<Place>, &'static str> {
        let down = (across * height / width.max(1)).max(8);
        let along = |i: usize, n: usize, size: usize| i as f64 * (size as f64 - 1.0) / (n as f64 - 1.0);
        let mut all = Vec::new();
        for (i, j) in (0..down).flat_map(|j| (0..across).map(move |i| (i, j))) {
            let pixel = [along(i, across, width), along(j, down, height)];
            if !shows(pixel[0].round() as usize, pixel[1].round() as usize) {
                continue;
            }
            let Some(seen) = direction(pixel) else { continue };
            let plane = tangent
                .project(&seen.normalize())
                .ok_or("its sky reaches too far from the picture's middle for a tangent plane")?;
            all.push(Place {
                pixel: Vector2::new(pixel[0] - at[0], pixel[1] - at[1]),
                plane,
            });
        }
        Ok(all)
    };
    let (fitted, judged) = (places(ACROSS)?, places(3 * ACROSS + 1)?);
    if fitted.len() < LEAST {
        return Err("too little of it shows sky");
    }
    let scale = (width as f64).hypot(height as f64) / 2.0;
    let mut best: Option<Celestial> = None;
    for order in ORDERS {
        let Some(mut found) = of_order(order, &fitted, scale) else {
            continue;
        };
        found.at = at;
        found.crval = tangent.crval();
        found.error_px = found.errors(&judged);
        let worst = |c: &Celestial| c.error_px[0].max(c.error_px[1]);
        if best.as_ref().is_none_or(|b| worst(&found) < worst(b)) {
            best = Some(found);
        }
        if best.as_ref().is_some_and(|b| worst(b) <= GOOD_PX) {
            break;
        }
    }
    best.filter(|b| b.error_px[0].max(b.error_px[1]) <= MOST_PX)
        .ok_or("no polynomial on a tangent plane follows its lens to half a pixel")
}

fn of_order(order: usize, places: &[Place], scale: f64) -> Option<Celestial> {
    let terms = |least: usize| -> Vec<[usize; 2]> {
        (least..=order)
            .flat_map(|sum| (0..=sum).map(move |q| [sum - q, q]))
            .collect()
    };
    let solve = |own: &[[usize; 2]], points: &[Vector2<f64>], values: Vec<f64>| -> Option<Vec<Term>> {
        let design = DMatrix::from_fn(points.len(), own.len(), |i, k| {
            power(&(points[i] / scale), own[k])
        });
        let found = least_squares(&design, &DVector::from_vec(values), None)?;
        let back = |(k, v): (usize, &f64)| (own[k], v / scale.powi((own[k][0] + own[k][1]) as i32));
        Some(found.iter().enumerate().map(back).collect())
    };
    let pixels: Vec<Vector2<f64>> = places.iter().map(|p| p.pixel).collect();
    let own = terms(1);
    let [x, y] = [0, 1].map(|c| solve(&own, &pixels, places.iter().map(|p| p.plane[c]).collect()));
    let (x, y) = (x?, y?);
    let linear = |all: &[Term], e: [usize; 2]| all.iter().find(|t| t.0 == e).map_or(0.0, |t| t.1);
    let cd = Matrix2::new(
        linear(&x, [1, 0]),
        linear(&x, [0, 1]),
        linear(&y, [1, 0]),
        linear(&y, [0, 1]),
    );
    let to_pixels = cd.try_inverse()?;
    let bent = |c: usize| -> Vec<Term> {
        let both = x.iter().zip(&y).filter(|(t, _)| t.0[0] + t.0[1] > 1);
        both.map(|(a, b)| (a.0, (to_pixels * Vector2::new(a.1, b.1))[c]))
            .collect()
    };
    let straight: Vec<Vector2<f64>> = places.iter().map(|p| to_pixels * p.plane).collect();
    let own = terms(0);
    let [a, b] = [0, 1].map(|c| {
        let values = places.iter().zip(&straight).map(|(p, s)| p.pixel[c] - s[c]);
        solve(&own, &straight, values.collect())
    });
    Some(Celestial {
        crval: [0.0; 2],
        at: [0.0; 2],
        cd,
        order,
        forward: [bent(0), bent(1)],
        backward: [a?, b?],
        error_px: [f64::NAN; 2],
        stars: None,
    })
}

fn power(at: &Vector2<f64>, [p, q]: [usize; 2]) -> f64 {
    at.x.powi(p as i32) * at.y.powi(q as i32)
}

fn sum(terms: &[Vec<Term>; 2], at: &Vector2<f64>) -> Vector2<f64> {
    let one = |terms: &Vec<Term>| terms.iter().map(|(e, v)| v * power(at, *e)).sum::<f64>();
    Vector2::new(one(&terms[0]), one(&terms[1]))
}

impl Celestial {
    fn errors(&self, places: &[Place]) -> [f64; 2] {
        let Some(to_pixels) = self.cd.try_inverse() else {
            return [f64::INFINITY; 2];
        };
        let worst = |error: &dyn Fn(&Place) -> f64| places.iter().map(error).fold(0.0, f64::max);
        [
            worst(&|p| (p.pixel + sum(&self.forward, &p.pixel) - to_pixels * p.plane).norm()),
            worst(&|p| {
                let straight = to_pixels * p.plane;
                (straight + sum(&self.backward, &straight) - p.pixel).norm()
            }),
        ]
    }

    /// With what the stars said of the turn.
    pub(crate) fn by(self, turned: &Turned) -> Self {
        Self {
            stars: Some(turned.stars),
            ..self
        }
    }

    /// The header's cards.
    pub(crate) fn cards(&self) -> Vec<Card> {
        let mut cards: Vec<Card> = Vec::new();
        let mut put = |name: &str, value: FitsValue, comment: &str| {
            cards.push((name.to_owned(), value, comment.to_owned()));
        };
        let text = |t: &str| FitsValue::Text(t.into());
        put("WCSAXES", FitsValue::Integer(2), "of each plane");
        put("RADESYS", text("ICRS"), "");
        for (i, (kind, name)) in [
            ("RA---TAN-SIP", "right ascension"),
            ("DEC--TAN-SIP", "declination"),
        ]
        .into_iter()
        .enumerate()
        {
            let n = i + 1;
            put(&format!("CTYPE{n}"), text(kind), name);
            put(&format!("CUNIT{n}"), text("deg"), "");
            put(
                &format!("CRVAL{n}"),
                FitsValue::Float(self.crval[i]),
                "at the reference pixel",
            );
            // FITS counts from 1.
            put(&format!("CRPIX{n}"), FitsValue::Float(self.at[i] + 1.0), "");
            for m in 0..2 {
                put(&format!("CD{n}_{}", m + 1), FitsValue::Float(self.cd[(i, m)]), "");
            }
        }
        let kinds = ["A", "B"].into_iter().zip(&self.forward);
        for (name, terms) in kinds.chain(["AP", "BP"].into_iter().zip(&self.backward)) {
            put(
                &format!("{name}_ORDER"),
                FitsValue::Integer(self.order as i64),
                "",
            );
            for ([p, q], value) in terms {
                put(&format!("{name}_{p}_{q}"), FitsValue::Float(*value), "");
            }
        }
        let [forward, backward] = self.error_px;
        put(
            "COMMENT",
            FitsValue::Text(format!(
                "These coordinates follow the lens found from the stars to {forward:.4} px (A, B) and {backward:.4} px (AP, BP) at most, over the sky that tracked frames show. Annual aberration (20 arcsec at most, nearly the same all over) is in them."
            )),
            "",
        );
        if let Some((count, rms)) = self.stars {
            let scale = self.cd.determinant().abs().sqrt().to_radians();
            let told = format!(
                "{count} catalogue stars stand by them to {:.3} px rms.",
                rms / scale
            );
            cards.push(("COMMENT".into(), FitsValue::Text(told), String::new()));
        }
        cards
    }
}

/// A plane that touches the sky.
struct Tangent {
    centre: Vector3<f64>,
    east: Vector3<f64>,
    north: Vector3<f64>,
}

impl Tangent {
    fn at(centre: &Vector3<f64>) -> Self {
        let flat = centre.x.hypot(centre.y);
        let (sin, cos) = if flat > 0.0 {
            (centre.y / flat, centre.x / flat)
        } else {
            (0.0, 1.0)
        };
        Self {
            centre: *centre,
            east: Vector3::new(-sin, cos, 0.0),
            north: Vector3::new(-centre.z * cos, -centre.z * sin, flat),
        }
    }
    fn crval(&self) -> [f64; 2] {
        let right_ascension = (-self.east.x).atan2(self.east.y).to_degrees().rem_euclid(360.0);
        [
            right_ascension,
            self.centre.z.clamp(-1.0, 1.0).asin().to_degrees(),
        ]
    }
    /// ξ and η, degrees; `None` too far from the middle.
    fn project(&self, direction: &Vector3<f64>) -> Option<Vector2<f64>> {
        let ahead = direction.dot(&self.centre);
        (ahead > FARTHEST_DEG.to_radians().cos()).then(|| {
            let on = |axis: &Vector3<f64>| (direction.dot(axis) / ahead).to_degrees();
            Vector2::new(on(&self.east), on(&self.north))
        })
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::Rotation3;
    use nightloom_optics::{Lens, Projection};

    use super::*;

    fn number(cards: &[Card], name: &str) -> f64 {
        match cards.iter().find(|c| c.0 == name).map(|c| &c.1) {
            Some(FitsValue::Float(v)) => *v,
            Some(FitsValue::Integer(v)) => *v as f64,
            _ => 0.0,
        }
    }

    fn polynomial(cards: &[Card], name: &str, [u, v]: [f64; 2]) -> f64 {
        let order = number(cards, &format!("{name}_ORDER")) as i32;
        let terms = (0..=order).flat_map(|p| (0..=order - p).map(move |q| (p, q)));
        terms
            .map(|(p, q)| number(cards, &format!("{name}_{p}_{q}")) * u.powi(p) * v.powi(q))
            .sum()
    }

    /// Pixel (first centre 1, 1) to unit vector, by the papers: SIP eq. 1 and 2, Calabretta & Greisen eq. 14, 15, 54, 55
    /// with the native pole at 180°, written out here apart from the code above.
    fn to_sky(cards: &[Card], [x, y]: [f64; 2]) -> Vector3<f64> {
        let n = |name: &str| number(cards, name);
        let uv = [x - n("CRPIX1"), y - n("CRPIX2")];
        let [u, v] = [
            uv[0] + polynomial(cards, "A", uv),
            uv[1] + polynomial(cards, "B", uv),
        ];
        let xi = (n("CD1_1") * u + n("CD1_2") * v).to_radians();
        let eta = (n("CD2_1") * u + n("CD2_2") * v).to_radians();
        let (ra0, dec0) = (n("CRVAL1").to_radians(), n("CRVAL2").to_radians());
        let (phi, theta) = (xi.atan2(-eta), 1f64.atan2(xi.hypot(eta)));
        let turned = phi - std::f64::consts::PI;
        let ra = ra0
            + (-theta.cos() * turned.sin())
                .atan2(theta.sin() * dec0.cos() - theta.cos() * dec0.sin() * turned.cos());
        let dec = (theta.sin() * dec0.sin() + theta.cos() * dec0.cos() * turned.cos()).asin();
        Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin())
    }

    /// And back: SIP eq. 3 to 6.
    fn to_pixel(cards: &[Card], sky: &Vector3<f64>) -> [f64; 2] {
        let n = |name: &str| number(cards, name);
        let (ra0, dec0) = (n("CRVAL1").to_radians(), n("CRVAL2").to_radians());
        let (ra, dec) = (sky.y.atan2(sky.x), sky.z.asin());
        let ahead = dec0.sin() * dec.sin() + dec0.cos() * dec.cos() * (ra - ra0).cos();
        let xi = (dec.cos() * (ra - ra0).sin() / ahead).to_degrees();
        let eta = ((dec0.cos() * dec.sin() - dec0.sin() * dec.cos() * (ra - ra0).cos()) / ahead).to_degrees();
        let (a, b, c, d) = (n("CD1_1"), n("CD1_2"), n("CD2_1"), n("CD2_2"));
        let of = a * d - b * c;
        let uv = [(d * xi - b * eta) / of, (a * eta - c * xi) / of];
        [
            n("CRPIX1") + uv[0] + polynomial(cards, "AP", uv),
            n("CRPIX2") + uv[1] + polynomial(cards, "BP", uv),
        ]
    }

    fn lens(focal_px: f64, projection: Projection) -> Lens {
        Lens {
            projection,
            radial: [-0.03, 0.012, -0.002],
            centre_px: [3002.3, 1987.1],
            ..Lens::rectilinear(focal_px, 6000, 4000)
        }
    }

    #[test]
    fn the_header_says_where_the_lens_looks() {
        let attitudes = [
            Rotation3::from_euler_angles(0.3, -1.1, 2.0),
            Rotation3::from_euler_angles(-1.5, 0.02, -0.4),
            // The pole in the picture.
            Rotation3::from_euler_angles(0.05, 0.1, 0.9),
        ];
        // 35, 24 and 18 mm with pixels of 6 µm.
        let lenses = [
            lens(5833.0, Projection::Rectilinear),
            lens(4000.0, Projection::Rectilinear),
            lens(3000.0, Projection::Rectilinear),
        ];
        for (lens, attitude) in lenses.iter().flat_map(|l| attitudes.iter().map(move |a| (l, a))) {
            let direction = |p: [f64; 2]| Some(attitude.inverse() * lens.unproject(p)?.into_inner());
            let found = fit([6000, 4000], &direction, &|_, y| y < 3300).expect("a fit");
            let cards = found.cards();
            let (mut there, mut back) = (0f64, 0f64);
            for (i, j) in (0..=60).flat_map(|j| (0..=60).map(move |i| (i, j))) {
                let pixel = [f64::from(i) * 5999.0 / 60.0, f64::from(j) * 3299.0 / 60.0];
                let sky = direction(pixel).expect("inside");
                let seen = to_sky(&cards, [pixel[0] + 1.0, pixel[1] + 1.0]);
                let shown = lens.project(&(attitude * seen)).expect("before the camera");
                there = there.max((shown[0] - pixel[0]).hypot(shown[1] - pixel[1]));
                let at = to_pixel(&cards, &sky);
                back = back.max((at[0] - 1.0 - pixel[0]).hypot(at[1] - 1.0 - pixel[1]));
            }
            assert!(there <= 0.1 && back <= 0.1, "{lens:?}: {there} and {back} px");
            // And the header does not make itself better than it is.
            let [told, told_back] = found.error_px;
            assert!(
                there <= 3.0 * told + 1e-4 && back <= 1.2 * told_back + 1e-4,
                "{there} {told}, {back} {told_back}"
            );
        }
    }

    #[test]
    fn a_wrong_pair_does_not_turn_the_picture() {
        let turn = Rotation3::from_euler_angles(0.3, -0.2, 1.0);
        let mut random = nightloom_fit::Random::new(3);
        let mut pairs: Vec<_> = (0..60)
            .map(|_| {
                let mut part = || random.between(-0.4, 0.4);
                let seen = Vector3::new(part(), part(), 1.0).normalize();
                let scatter = Vector3::new(part(), part(), part()) * 1e-4;
                ((turn * seen + scatter).normalize(), seen)
            })
            .collect();
        pairs[7].0 = turn * Vector3::new(0.1, 0.1, 1.0).normalize();
        let found = turned(&pairs).expect("a turn");
        assert!(
            found.to_icrs.angle_to(&turn) < 2e-5,
            "{}",
            found.to_icrs.angle_to(&turn)
        );
        // Scatter of 0.8 · 10⁻⁴ / √12 in each of the two directions across, 0.33 · 10⁻⁴.
        let (count, rms) = found.stars;
        assert!(count == 59 && (2.5e-5..4.0e-5).contains(&rms), "{count} {rms}");
    }

    #[test]
    fn a_fisheye_that_no_polynomial_follows_is_refused() {
        let lens = lens(4000.0, Projection::Equisolid);
        let direction = |p: [f64; 2]| Some(lens.unproject(p)?.into_inner());
        let refused = fit([6000, 4000], &direction, &|_, _| true);
        assert!(refused.is_err_and(|why| why.contains("half a pixel")));
    }

    #[test]
    fn what_a_tangent_plane_cannot_hold_is_refused() {
        let lens = Lens {
            projection: Projection::Equidistant,
            ..Lens::rectilinear(1800.0, 6000, 4000)
        };
        let direction = |p: [f64; 2]| Some(lens.unproject(p)?.into_inner());
        let refused = fit([6000, 4000], &direction, &|_, _| true);
        assert!(refused.is_err_and(|why| why.contains("too far")));
        assert!(fit([6000, 4000], &direction, &|_, _| false).is_err());
    }
}
