//! The skyline that terrain makes.
//!
//! Each azimuth is one ray along the vertical plane that the observer looks in. The light's path is
//! an arc of k times the Earth's curvature, which is the same as a straight line over an Earth of
//! radius R/(1 − k); R is the ellipsoid's own radius at the site in that azimuth. Along the ray every
//! crossing of a grid line is looked at, because bilinear terrain has its creases there, and between
//! them steps in proportion to the distance.

use rayon::prelude::*;

use super::ellipsoid::{Place, Section};
use super::error::HorizonError;
use super::profile::Skyline;
use super::terrain::Terrain;
use super::unknown::{Edge, Unknown, sectors};
use super::walk::{GroundSample, Leg, walk};
use crate::Angle;

/// No mountain is higher, metres: Everest and its snow.
const HIGHEST_LAND_M: f64 = 8900.0;
/// Legs of a ray that are taken as straight on the map, metres.
const LONGEST_LEG_M: f64 = 1000.0;
/// The first leg; each is twice the one before until the longest.
const FIRST_LEG_M: f64 = 62.5;
/// Ground nearer than this is under the tripod, metres.
const UNDERFOOT_M: f64 = 0.5;
/// An unknown stretch shorter than this is a seam of rounding, metres.
const SEAM_M: f64 = 1.0;
/// Where it is asked whether an unknown stretch is a void, metres from its start: more than a cell.
const WELL_INSIDE_M: f64 = 200.0;

/// How a skyline is computed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HorizonSettings {
    /// Height of the camera above the ground, metres.
    pub eye_m: f64,
    /// Height of the ground above the sea where the camera stands, metres; the tiles' own when not given.
    ///
    /// Where this is lower than the tiles say, they are taken as too high at the site, and less so
    /// out to 500 m, so that no wall rises round the camera.
    pub ground_m: Option<f64>,
    /// How far terrain is looked at, metres.
    pub range_m: f64,
    /// Points all round: 3600 are 0.1° apart.
    pub points: usize,
    /// The coefficient of refraction k: the curvature of light over that of the Earth.
    pub refraction: f64,
}

impl Default for HorizonSettings {
    /// 1.6 m above the tiles' ground, 150 km, 0.1°, k = 0.13 (Yoeli 1985).
    fn default() -> Self {
        Self {
            eye_m: 1.6,
            ground_m: None,
            range_m: 150_000.0,
            points: 3600,
            refraction: 0.13,
        }
    }
}

/// A computed skyline with what it rests on.
#[derive(Clone, Debug, PartialEq)]
pub struct Horizon {
    /// The skyline, with the distance of its edge.
    pub skyline: Skyline,
    /// Height of the ground above the sea that was taken, metres.
    pub ground_m: f64,
    /// Height of the ground in the tiles; `None` where they have a void.
    pub tiles_ground_m: Option<f64>,
    /// Where the tiles know nothing and a mountain could stand higher than the skyline; in order of azimuth.
    pub unknown: Vec<Unknown>,
}

/// Height tables in three dimensions: where the eye is and how the Earth falls away in one azimuth.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sight {
    eye_m: f64,
    /// R/(1 − k), metres.
    radius_m: f64,
}

impl Sight {
    /// Tangent of the apparent altitude of land `height_m` high, `distance_m` along the ground.
    pub(super) fn slope(&self, height_m: f64, distance_m: f64) -> f64 {
        let turn = distance_m / self.radius_m;
        let t2 = turn * turn;
        // 1 − cos and sin to the fourth order: 1e-8 of the drop at 150 km.
        let fall = t2 / 2.0 * (1.0 - t2 / 12.0);
        let away = self.radius_m + height_m;
        (height_m - self.eye_m - away * fall) / (away * turn * (1.0 - t2 / 6.0))
    }

    /// The height at which land `distance_m` away reaches a slope, metres.
    fn height_at(&self, slope: f64, distance_m: f64) -> f64 {
        let turn = distance_m / self.radius_m;
        let (sin, cos) = turn.sin_cos();
        // (away·cos − (R′ + eye)) = slope·away·sin, for away.
        (self.radius_m + self.eye_m) / (cos - slope * sin) - self.radius_m
    }

    /// The sea's horizon: slope, at or within `range_m`. Level where the eye is no higher than the sea.
    fn sea(&self, range_m: f64) -> f64 {
        if self.eye_m <= 0.0 {
            return 0.0;
        }
        let touching = self.radius_m * (self.radius_m / (self.radius_m + self.eye_m)).acos();
        self.slope(0.0, touching.clamp(1.0, range_m.max(1.0)))
    }
}

/// Apparent altitude of a point of terrain: `height_m` above the sea, `distance_m` away along the
/// ground, from an eye `eye_m` above the sea.
///
/// On a sphere of `radius_m`, with the coefficient of refraction `refraction` (0.13 is usual). Follows
/// atan((h2 − h1 − (1 − k)d²/2R)/d) (Yoeli 1985) within 0.001° to 150 km, with the curvature exact.
pub fn terrain_altitude(eye_m: f64, height_m: f64, distance_m: f64, radius_m: f64, refraction: f64) -> Angle {
    let radius_m = radius_m / (1.0 - refraction);
    Angle::from_rad(Sight { eye_m, radius_m }.slope(height_m, distance_m).atan())
}

/// The skyline at a latitude and longitude in degrees (WGS 84).
///
/// Heights are taken as above the sea everywhere: that the geoid undulates is left out (a few metres
/// in 100 km, 0.002°). Land farther than the range is left out too. Where nothing higher is known the
/// edge is the sea's horizon. The same bytes on any number of threads.
///
/// # Accuracy
/// On analytic terrain (ridge, cone, sphere) within 0.02° of the exact ray, held by
/// `tests/all/horizon.rs`, which names what was measured. Each point is the edge in its own azimuth:
/// a summit narrower than the step may stand between two.
///
/// # Errors
/// A place outside the tiles or in a void, a setting out of range.
pub fn horizon(
    terrain: &Terrain,
    lat_deg: f64,
    lon_deg: f64,
    settings: &HorizonSettings,
) -> Result<Horizon, HorizonError> {
    check(lat_deg, lon_deg, settings)?;
    let place = Place { lat_deg, lon_deg };
    let tiles_ground_m = terrain.height_m(lat_deg, lon_deg);
    if tiles_ground_m.is_none() && !terrain.covers(lat_deg, lon_deg) {
        return Err(HorizonError::Outside { lat_deg, lon_deg });
    }
    let ground_m = settings.ground_m.or(tiles_ground_m);
    let ground_m = ground_m.ok_or(HorizonError::Void { lat_deg, lon_deg })?;
    let observer = Observer {
        terrain,
        place,
        eye_m: ground_m + settings.eye_m,
        sunk_m: tiles_ground_m.map_or(0.0, |tiles| (tiles - ground_m).max(0.0)),
        settings,
    };
    let step_deg = 360.0 / settings.points as f64;
    let rays = (0..settings.points).into_par_iter();
    let edges: Vec<Edge> = rays.map(|n| observer.edge(n as f64 * step_deg)).collect();
    Ok(Horizon {
        skyline: skyline(&edges),
        ground_m,
        tiles_ground_m,
        unknown: sectors(&edges, step_deg),
    })
}

fn check(lat_deg: f64, lon_deg: f64, settings: &HorizonSettings) -> Result<(), HorizonError> {
    let within = |what, found: f64, least: f64, most: f64| {
        let fits = (least..=most).contains(&found);
        let error = HorizonError::Setting {
            what,
            least,
            most,
            found,
        };
        if fits { Ok(()) } else { Err(error) }
    };
    within("latitude in degrees", lat_deg, -90.0, 90.0)?;
    within("longitude in degrees", lon_deg, -180.0, 360.0)?;
    within(
        "the camera's height above the ground in metres",
        settings.eye_m,
        0.0,
        1000.0,
    )?;
    within(
        "the ground's elevation in metres",
        settings.ground_m.unwrap_or(0.0),
        -500.0,
        9000.0,
    )?;
    within("the range in metres", settings.range_m, 100.0, 400_000.0)?;
    within("the number of points", settings.points as f64, 1.0, 36_000.0)?;
    within("the coefficient of refraction", settings.refraction, -1.0, 0.9)
}

fn skyline(edges: &[Edge]) -> Skyline {
    let altitudes = edges.iter().map(|e| Angle::from_rad(e.slope.atan())).collect();
    let distances = edges.iter().map(|e| e.distance_m).collect();
    // Slopes are finite and distances above 0 by construction.
    Skyline::new(altitudes)
        .and_then(|s| s.with_edges_m(distances))
        .unwrap_or_default()
}

struct Observer<'a> {
    terrain: &'a Terrain,
    place: Place,
    /// Above the sea, metres.
    eye_m: f64,
    /// How much lower the ground is than the tiles say, metres.
    sunk_m: f64,
    settings: &'a HorizonSettings,
}

/// How far the ground given by hand corrects the tiles, metres.
const SETTLED_M: f64 = 500.0;

impl Observer<'_> {
    fn edge(&self, azimuth_deg: f64) -> Edge {
        let section = Section::new(self.place, azimuth_deg);
        let sight = Sight {
            eye_m: self.eye_m,
            radius_m: section.radius_m / (1.0 - self.settings.refraction),
        };
        let (mut slope, mut distance_m) = (sight.sea(self.settings.range_m), f64::INFINITY);
        let mut gaps: Vec<(f64, f64)> = Vec::new();
        let mut leg = Leg::first(self.place);
        let mut length_m = FIRST_LEG_M;
        while leg.end_m < self.settings.range_m {
            let end_m = (leg.end_m + length_m).min(self.settings.range_m);
            leg = leg.next(section.at(end_m), end_m);
            length_m = (length_m * 2.0).min(LONGEST_LEG_M);
            // Nothing from here on can stand higher.
            if leg.start_m > 0.0 && slope > sight.slope(HIGHEST_LAND_M, leg.start_m) {
                break;
            }
            walk(self.terrain, &leg, |sample| match sample {
                GroundSample::Land { height_m, at_m } if at_m > UNDERFOOT_M => {
                    let found = sight.slope(height_m - self.sunk(at_m), at_m);
                    if found > slope {
                        (slope, distance_m) = (found, at_m);
                    }
                }
                GroundSample::Land { .. } => {}
                GroundSample::Unknown { from_m, to_m } => join(&mut gaps, from_m, to_m),
            });
        }
        Edge {
            slope,
            distance_m,
            unknown: self.first_gap(&gaps, &section, sight, slope),
        }
    }

    fn sunk(&self, at_m: f64) -> f64 {
        self.sunk_m * (1.0 - at_m / SETTLED_M).max(0.0)
    }

    /// The first gap in which some mountain could rise over the edge that was found.
    fn first_gap(
        &self,
        gaps: &[(f64, f64)],
        section: &Section,
        sight: Sight,
        slope: f64,
    ) -> Option<(f64, f64, bool)> {
        let matters = gaps.iter().filter(|(from, to)| to - from > SEAM_M);
        let mut seen = matters.map(|&(from, to)| (from, to, sight.height_at(slope, from)));
        let (from, to, needed) = seen.find(|(.., needed)| *needed < HIGHEST_LAND_M)?;
        let inside = section.at(from + ((to - from) / 2.0).min(WELL_INSIDE_M));
        Some((from, needed, self.terrain.covers(inside.lat_deg, inside.lon_deg)))
    }
}

/// Adds a stretch to those before it, in order; stretches that touch are one.
fn join(gaps: &mut Vec<(f64, f64)>, from_m: f64, to_m: f64) {
    match gaps.last_mut() {
        Some(last) if from_m - last.1 < SEAM_M => last.1 = to_m,
        _ => gaps.push((from_m, to_m)),
    }
}
