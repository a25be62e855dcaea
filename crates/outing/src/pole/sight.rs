//! What the sight's picture needs of the sky.

use super::OCTANS;
use nightloom_sky::{
    Air, EarthOrientation, Instant, Observer, PlaceError, PoleOffset, Target, Watch, catalogue, pole_star,
    pole_view,
};

/// The pole star now and in the coming hours, and its neighbours.
#[derive(Clone, Debug, PartialEq)]
pub struct Sight {
    /// Its name.
    pub star: &'static str,
    /// Now, as the air shows it.
    pub now: PoleOffset,
    /// The moment.
    pub at: Instant,
    /// Every quarter of an hour from now on.
    pub path: Vec<(Instant, PoleOffset)>,
    /// Other stars near the pole, with magnitudes, and the letters of the figure round the south pole.
    pub others: Vec<(PoleOffset, f32, Option<&'static str>)>,
}

/// Hours looked ahead, in quarters.
const QUARTERS: u32 = 24;
/// Stars further from the pole than this are in no sight, degrees.
const NEAR_DEG: f64 = 4.5;
/// Stars fainter than this are for no eye.
const FAINTEST: f32 = 7.5;

/// Looks six hours ahead. The air stays what it is.
///
/// # Errors
/// A date outside the years held.
pub fn sight(observer: &Observer, orientation: EarthOrientation) -> Result<Sight, PlaceError> {
    let (at, air): (Instant, Air) = (observer.instant(), *observer.air());
    let (star, view) = pole_star(observer);
    let quarter = |n: u32| at.plus_seconds(900.0 * f64::from(n));
    let watch = Watch::over(observer.site(), orientation, at, quarter(QUARTERS))?.with_air(air);
    let path = (0..=QUARTERS)
        .map(|n| Ok((quarter(n), pole_star(&watch.at(quarter(n))?).1.refracted)))
        .collect::<Result<_, PlaceError>>()?;
    let south = observer.site().latitude.rad() < 0.0;
    let others = catalogue::stars()
        .iter()
        .take_while(|s| s.v_mag < FAINTEST)
        .filter(|s| s.hip != star.hip && (s.declination.rad() < 0.0) == south)
        .filter(|s| s.declination.deg().abs() > 89.0 - NEAR_DEG)
        .map(|s| {
            let letter = OCTANS.iter().find(|o| o.0 == s.hip).map(|o| o.1);
            (pole_view(observer, &Target::from(s)).refracted, s.v_mag, letter)
        })
        .filter(|o| o.0.separation.deg() < NEAR_DEG)
        .collect();
    Ok(Sight {
        star: star.name,
        now: view.refracted,
        at,
        path,
        others,
    })
}
