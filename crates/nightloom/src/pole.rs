//! `nightloom pole`.

use clap::Args;
use nightloom_sky::{Observer, PlaceError, PoleStar, PoleView, pole_star};
use serde_json::{Value, json};

use crate::cli::Common;
use crate::door::Door;
use crate::standpoint::{MomentArgs, StandpointArgs, observer, refraction_json};
use crate::{Trouble, out};

/// `nightloom pole`.
#[derive(Args, Debug)]
pub(crate) struct PoleArgs {
    #[command(flatten)]
    pub(crate) standpoint: StandpointArgs,
    #[command(flatten)]
    pub(crate) moment: MomentArgs,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Why the pole star's place cannot be told.
#[derive(Debug, thiserror::Error)]
#[error(transparent)]
pub(crate) struct PoleError(#[from] PlaceError);

pub(crate) fn run(args: &PoleArgs, door: &Door) -> Result<Value, Trouble> {
    let observer = observer(&args.standpoint, &args.moment, door).map_err(PoleError)?;
    let (star, view) = pole_star(&observer);
    if !args.common.json {
        tell(args, star, &observer, &view);
    }
    Ok(json!({
        "star": star.name,
        "hip": star.hip,
        "at": observer.instant(),
        "separation_arcmin": view.airless.separation.arcmin(),
        "clock_angle_deg": view.airless.clock_angle.deg(),
        "hour_angle_h": view.star.hour_angle.deg() / 15.0,
        "refracted": {
            "separation_arcmin": view.refracted.separation.arcmin(),
            "clock_angle_deg": view.refracted.clock_angle.deg(),
            "pole_altitude_deg": view.refracted_pole_altitude.deg(),
        },
        "pole_altitude_deg": view.pole_altitude.deg(),
        "refraction": refraction_json(&observer),
    }))
}

fn tell(args: &PoleArgs, star: &PoleStar, observer: &Observer, view: &PoleView) {
    let standpoint = args.standpoint.told();
    let say = |line: String| out::result(&line, false);
    say(format!(
        "{} (HIP {}) from {standpoint}, {}",
        star.name,
        star.hip,
        observer.instant()
    ));
    say(format!(
        "from the pole     {:>8.2}′  at {:.1}° clockwise from straight up, as you face the pole",
        view.refracted.separation.arcmin(),
        view.refracted.clock_angle.deg()
    ));
    say(format!(
        "hour angle        {:>8.3} h",
        view.star.hour_angle.deg() / 15.0
    ));
    say(format!(
        "pole's altitude   {:>8.3}°  as seen through the air, {:.3}° without",
        view.refracted_pole_altitude.deg(),
        view.pole_altitude.deg()
    ));
}
