//! `nightloom where`.

use clap::Args;
use nightloom_outing::evening::compass_point;
use nightloom_sky::magnetic::declination;
use nightloom_sky::subjects;
use nightloom_sky::{Observer, Place};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::{MomentArgs, Standing, StandpointArgs, refraction_json};

/// `nightloom where`.
#[derive(Args, Debug)]
pub(crate) struct WhereArgs {
    /// Sun, moon, a planet, a star or any other subject by name; HIP and a number; or RA,DEC in ICRS degrees.
    body: String,
    #[command(flatten)]
    standpoint: StandpointArgs,
    #[command(flatten)]
    moment: MomentArgs,
}

pub(crate) fn run(args: &WhereArgs, context: &Context) -> Result<Value, Failure> {
    let subject = subjects::find(&args.body)?;
    let standing = args.standpoint.standing(&args.moment, context)?;
    let observer = &standing.observer;
    let target = subject.target_at(observer.instant())?;
    let place = observer.place(&target);
    if !context.json {
        tell(context, &subject.name, &standing, &place);
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
        "refraction": refraction_json(observer),
    }))
}

fn tell(context: &Context, name: &str, standing: &Standing, place: &Place) {
    let row = |what: &str, figure: String| out::result(&format!("{what:<18}{figure}"), false);
    let observer = &standing.observer;
    let standpoint = context.shows.place(observer.site());
    out::result(&format!("{name} from {standpoint}, {}", standing.when()), false);
    row(
        "altitude",
        match place.refracted_altitude.deg() {
            up if up > -1.0 => format!("{up:>10.4}°  as seen, {:.4}° without air", place.altitude.deg()),
            _ => format!("{:>10.4}°  below the horizon", place.altitude.deg()),
        },
    );
    let azimuth = place.azimuth.deg();
    row(
        "azimuth",
        format!(
            "{azimuth:>10.4}°  {}{}",
            compass_point(azimuth),
            compass(observer, azimuth)
        ),
    );
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

/// What a compass shows for an azimuth from true north, where one can be relied on.
fn compass(observer: &Observer, azimuth_deg: f64) -> String {
    let site = observer.site();
    let field = declination(
        site.latitude.deg(),
        site.longitude.deg(),
        site.elevation_m,
        observer.instant(),
    );
    match field.ok().filter(|f| !f.unreliable) {
        Some(field) => format!(
            ", compass {:.0}°",
            (azimuth_deg - field.angle.deg()).rem_euclid(360.0)
        ),
        None => String::new(),
    }
}
