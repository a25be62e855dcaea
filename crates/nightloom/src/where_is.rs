//! `nightloom where`.

use clap::Args;
use nightloom_sky::subjects::{self, SubjectError};
use nightloom_sky::{Observer, Place, PlaceError};
use serde_json::{Value, json};

use crate::cli::Common;
use crate::door::Door;
use crate::standpoint::{MomentArgs, StandpointArgs, observer, refraction_json};
use crate::{Trouble, out};

/// `nightloom where`.
#[derive(Args, Debug)]
pub(crate) struct WhereArgs {
    /// Sun, moon, a planet, a star or any other subject by name; HIP and a number; or RA,DEC in ICRS degrees.
    pub(crate) body: String,
    #[command(flatten)]
    pub(crate) standpoint: StandpointArgs,
    #[command(flatten)]
    pub(crate) moment: MomentArgs,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Why there is no place to tell.
#[derive(Debug, thiserror::Error)]
pub(crate) enum WhereError {
    #[error(transparent)]
    Subject(#[from] SubjectError),
    #[error(transparent)]
    Place(#[from] PlaceError),
}

pub(crate) fn run(args: &WhereArgs, door: &Door) -> Result<Value, Trouble> {
    Ok(answer(args, door)?)
}

fn answer(args: &WhereArgs, door: &Door) -> Result<Value, WhereError> {
    let subject = subjects::find(&args.body)?;
    let observer = observer(&args.standpoint, &args.moment, door)?;
    let target = subject.target_at(observer.instant()).map_err(PlaceError::Date)?;
    let place = observer.place(&target);
    if !args.common.json {
        tell(args, &subject.name, &observer, &place);
    }
    Ok(json!({
        "body": subject.name,
        "at": observer.instant(),
        "altitude_deg": place.altitude.deg(),
        "azimuth_deg": place.azimuth.deg(),
        "refracted_altitude_deg": place.refracted_altitude.deg(),
        "ra_of_date_deg": place.right_ascension_of_date.deg(),
        "dec_of_date_deg": place.declination_of_date.deg(),
        "hour_angle_h": place.hour_angle.deg() / 15.0,
        "distance_km": place.distance_km,
        "semidiameter_arcmin": place.semidiameter.arcmin(),
        "refraction": refraction_json(&observer),
    }))
}

fn tell(args: &WhereArgs, name: &str, observer: &Observer, place: &Place) {
    let row = |what: &str, figure: String| out::result(&format!("{what:<18}{figure}"), false);
    let standpoint = args.standpoint.told();
    out::result(
        &format!("{name} from {standpoint}, {}", observer.instant()),
        false,
    );
    row(
        "altitude",
        format!(
            "{:>10.4}°  without air, {:.4}° as seen through it",
            place.altitude.deg(),
            place.refracted_altitude.deg()
        ),
    );
    row("azimuth", format!("{:>10.4}°", place.azimuth.deg()));
    let of_date = place.right_ascension_of_date.deg();
    row("right ascension", format!("{of_date:>10.4}°  of date"));
    row(
        "declination",
        format!("{:>10.4}°  of date", place.declination_of_date.deg()),
    );
    row("hour angle", format!("{:>10.4} h", place.hour_angle.deg() / 15.0));
    if let Some(km) = place.distance_km {
        row("distance", format!("{km:>10.0} km"));
    }
    if place.semidiameter.rad() > 0.0 {
        row("semidiameter", format!("{:>10.3}′", place.semidiameter.arcmin()));
    }
}
