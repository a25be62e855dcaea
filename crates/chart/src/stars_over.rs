//! The brighter stars and the figures of the constellations as they stand over a site.

use nalgebra::Vector3;
use nightloom_sky::catalogue::stars;
use nightloom_sky::subjects::figures::figures;
use nightloom_sky::{Air, Angle, CatalogueStar, Instant, Site};

/// Stars down to this V are drawn: those that an eye sees over open land.
const FAINTEST: f32 = 5.0;
/// Pieces of a line, which is a great circle and bends in the view.
const PIECES: usize = 6;

/// What stands over a site at an instant, through its air.
#[derive(Clone, Debug)]
pub struct StarsOver {
    pub(super) stars: Vec<StarOver>,
    /// Azimuths and altitudes along each line, degrees.
    pub(super) lines: Vec<Vec<[f64; 2]>>,
    /// Names and the places to write them.
    pub(super) constellations: Vec<(&'static str, [f64; 2])>,
}

/// A star there.
#[derive(Clone, Copy, Debug)]
pub(super) struct StarOver {
    pub(super) hip: u32,
    pub(super) v_mag: f32,
    /// Azimuth from true north through east, apparent altitude; degrees.
    pub(super) place: [f64; 2],
}

impl StarsOver {
    /// The stars over a site at `at`, seen through its air.
    pub fn at(site: &Site, air: &Air, at: Instant) -> Self {
        let turned = site.ground_from_icrs(at);
        let seen = |ground: &Vector3<f64>| {
            let azimuth = ground.x.atan2(ground.y).to_degrees().rem_euclid(360.0);
            let altitude = Angle::from_rad(ground.z.atan2(ground.x.hypot(ground.y)));
            [azimuth, air.lifted_altitude(altitude).deg()]
        };
        let ground = |star: &CatalogueStar| turned * star.direction(at).into_inner();
        let up = |ground: &Vector3<f64>| ground.z > 0.0;
        let bright = stars().iter().take_while(|s| s.v_mag <= FAINTEST);
        let lines = figures().iter().flat_map(|figure| {
            let places: Vec<_> = figure.stars.iter().map(|star| ground(star)).collect();
            let ends = figure.lines.iter().map(move |[i, j]| [places[*i], places[*j]]);
            ends.collect::<Vec<_>>()
        });
        Self {
            stars: bright
                .map(|star| (star, ground(star)))
                .filter(|(_, place)| up(place))
                .map(|(star, place)| StarOver {
                    hip: star.hip,
                    v_mag: star.v_mag,
                    place: seen(&place),
                })
                .collect(),
            lines: lines
                .filter(|ends| ends.iter().any(up))
                .map(|ends| along(ends).map(|place| seen(&place)).collect())
                .collect(),
            constellations: figures()
                .iter()
                .map(|figure| {
                    (
                        figure.constellation.name,
                        middle(figure.stars.iter().map(|s| ground(s))),
                    )
                })
                .filter(|(_, place)| up(place))
                .map(|(name, place)| (name, seen(&place)))
                .collect(),
        }
    }
}

fn middle(places: impl Iterator<Item = Vector3<f64>>) -> Vector3<f64> {
    places.sum::<Vector3<f64>>().normalize()
}

/// Directions along the great circle from one to another, close enough for lines of some degrees.
fn along([from, to]: [Vector3<f64>; 2]) -> impl Iterator<Item = Vector3<f64>> {
    (0..=PIECES).map(move |k| from.lerp(&to, k as f64 / PIECES as f64).normalize())
}
