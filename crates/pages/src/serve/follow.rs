//! Whether it is night outside: the red look follows it where that was asked for.

use std::sync::atomic::{AtomicBool, Ordering};

use nightloom_sky::{EarthOrientation, Observer, SolarBody, Target};

use super::app::App;

/// The sun's centre at sunset and sunrise, degrees: 34′ of refraction and 16′ of semidiameter, by convention.
const SET_DEG: f64 = -0.8333;

/// One program serves one outing, and every request wants to know.
static NIGHT: AtomicBool = AtomicBool::new(false);

/// From sunset to sunrise at the outing's place, as it was at the last look; day where no place is known.
pub(super) fn is_night() -> bool {
    NIGHT.load(Ordering::Relaxed)
}

/// Looks at the sun; whether night has come or gone.
pub(super) fn look_out(app: &App) -> bool {
    let place = app.settings().ok().and_then(|s| s.site.place);
    let down = place.is_some_and(|site| {
        let observer = Observer::new(&site, app.world().now(), EarthOrientation::default());
        observer.is_ok_and(|o| o.place(&Target::Body(SolarBody::Sun)).altitude.deg() < SET_DEG)
    });
    NIGHT.swap(down, Ordering::Relaxed) != down
}
