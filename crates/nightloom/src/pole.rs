//! `nightloom pole`.

use std::path::PathBuf;

use clap::Args;
use nightloom_optics::{Camera, FieldError, Projection};
use nightloom_outing::chart::{Look, SightView, sight_view};
use nightloom_outing::pole::{PoleAsk, PolePlan, hints, pole_plan, sight};
use nightloom_sky::{Angle, Observer, PlaceError, PoleStar, PoleView, pole_star};
use serde_json::{Value, json};

use crate::cli::Common;
use crate::door::Door;
use crate::standpoint::{MomentArgs, StandpointArgs, observer, refraction_json};
use crate::{Trouble, charts, out};

/// `nightloom pole`.
#[derive(Args, Debug)]
pub(crate) struct PoleArgs {
    #[command(flatten)]
    pub(crate) standpoint: StandpointArgs,
    #[command(flatten)]
    pub(crate) moment: MomentArgs,
    /// Focal length, millimetres: what aiming at the star itself would cost, and what accuracy is needed.
    #[arg(long, value_name = "MM", requires = "pitch")]
    focal: Option<f64>,
    /// Pixel pitch, micrometres.
    #[arg(long, value_name = "UM", requires = "focal")]
    pitch: Option<f64>,
    /// Exposure, seconds.
    #[arg(long, value_name = "S", default_value_t = 120.0)]
    exposure: f64,
    /// Longest trail that is still a point, pixels.
    #[arg(long, value_name = "PX", default_value_t = 1.0)]
    tolerance: f64,
    /// Width of the field of your sighting tube or polar sight, degrees.
    #[arg(long, value_name = "DEG", value_parser = sight_width)]
    sight: Option<f64>,
    /// Write where the star belongs in the sight, an SVG.
    #[arg(long, value_name = "FILE")]
    sight_view: Option<PathBuf>,
    /// Red on black instead of black on white.
    #[arg(long, requires = "sight_view")]
    red: bool,
    /// The sight turns the picture upside down.
    #[arg(long, conflicts_with = "mirrored")]
    inverted: bool,
    /// The sight mirrors left and right.
    #[arg(long)]
    mirrored: bool,
    #[command(flatten)]
    pub(crate) common: Common,
}

/// Why the pole star's place cannot be told.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PoleError {
    #[error(transparent)]
    Place(#[from] PlaceError),
    #[error(transparent)]
    Field(#[from] FieldError),
}

fn sight_width(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(deg) if (0.1..=90.0).contains(&deg) => Ok(deg),
        _ => Err("expected the width of the sight's field from 0.1 to 90 degrees, like 5".into()),
    }
}

pub(crate) fn run(args: &PoleArgs, door: &Door) -> Result<Value, Trouble> {
    let (observer, plan) = args.planned(door)?;
    let (star, view) = pole_star(&observer);
    if !args.common.json {
        tell(args, star, &observer, &view, &plan);
    }
    draw(args, &observer, &plan)?;
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
        "plan": plan,
    }))
}

fn plan(args: &PoleArgs, observer: &Observer) -> Result<PolePlan, FieldError> {
    let shot = match (args.focal, args.pitch) {
        (Some(focal), Some(pitch)) => {
            let camera = Camera::new(Projection::Rectilinear, focal, pitch, [36.0, 24.0])?;
            Some((camera, args.exposure))
        }
        _ => None,
    };
    let ask = PoleAsk {
        shot,
        tolerance_px: args.tolerance,
        sight: args.sight.map(Angle::from_deg),
    };
    pole_plan(observer, &ask)
}

/// What a page shows of it.
pub(crate) struct Told {
    pub(crate) beam_free: String,
    pub(crate) cautions: Vec<String>,
    /// What about, and what.
    pub(crate) hints: Vec<(String, String)>,
}

impl PoleArgs {
    /// The pole star's plan in words.
    pub(crate) fn told(&self, door: &Door) -> Result<Told, Trouble> {
        let (observer, plan) = self.planned(door)?;
        let (star, _) = pole_star(&observer);
        Ok(Told {
            beam_free: plan.beam_free.to_owned(),
            cautions: plan.cautions.iter().map(|c| (*c).to_owned()).collect(),
            hints: hints(&plan, star.name)
                .into_iter()
                .map(|h| (h.about.to_string(), h.text.to_string()))
                .collect(),
        })
    }

    /// The sight's picture.
    pub(crate) fn svg(&self, door: &Door, look: Look) -> Result<String, Trouble> {
        let (observer, plan) = self.planned(door)?;
        picture(self, &observer, &plan, look)
    }

    fn planned(&self, door: &Door) -> Result<(Observer, PolePlan), Trouble> {
        let observer = observer(&self.standpoint, &self.moment, door).map_err(PoleError::from)?;
        let plan = plan(self, &observer).map_err(PoleError::from)?;
        Ok((observer, plan))
    }
}

fn draw(args: &PoleArgs, observer: &Observer, plan: &PolePlan) -> Result<(), Trouble> {
    let Some(file) = &args.sight_view else {
        return Ok(());
    };
    let look = if args.red { Look::Red } else { Look::Day };
    charts::write(file, &picture(args, observer, plan, look)?, args.common.json)
}

fn picture(args: &PoleArgs, observer: &Observer, plan: &PolePlan, look: Look) -> Result<String, Trouble> {
    let drawn = sight(observer, args.standpoint.orientation()).map_err(PoleError::from)?;
    let shows = args.standpoint.shows;
    let zone = shows.zone(&crate::sight::zone(observer.site()));
    let notes: Vec<String> = std::iter::once(plan.beam_free.to_owned())
        .chain(plan.cautions[..2].iter().map(|c| (*c).to_owned()))
        .collect();
    let place = shows.with_hours(&args.standpoint.told());
    let view = SightView {
        tolerance: plan.cost.map(|c| Angle::from_arcmin(c.needed_arcmin)),
        flip: crate::sight::flip(args.inverted, args.mirrored),
        ..crate::sight::bare(&drawn, &notes, &zone, &place)
    };
    Ok(sight_view(&view, look))
}

fn tell(args: &PoleArgs, star: &PoleStar, observer: &Observer, view: &PoleView, plan: &PolePlan) {
    let standpoint = args.standpoint.told();
    let say = |line: String| out::result(&line, false);
    say(plan.beam_free.to_owned());
    for caution in plan.cautions {
        say((*caution).to_owned());
    }
    say(String::new());
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
    for hint in hints(plan, star.name) {
        say(format!("{:<18}{}", hint.about, hint.text));
    }
}
