//! `nightloom pole`.

use std::path::PathBuf;

use clap::Args;
use nightloom_chart::{Look, SightView, sight_view};
use nightloom_optics::{Camera, FieldError, Projection};
use nightloom_outing::RigSettings;
use nightloom_outing::evening::Shows;
use nightloom_outing::pole::{PoleAsk, PolePlan, clock_time_words, hints, pole_plan, sight};
use nightloom_outing::typed;
use nightloom_sky::{Angle, Observer, PoleStar, PoleView, pole_star};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;
use crate::place::{MomentArgs, Standing, StandpointArgs, refraction_json, within};
use crate::sight::{FlipArgs, bare, zone};
use crate::told::RigArgs;

/// `nightloom pole`.
#[derive(Args, Debug)]
pub(crate) struct PoleArgs {
    #[command(flatten)]
    standpoint: StandpointArgs,
    #[command(flatten)]
    moment: MomentArgs,
    /// Focal length, millimetres: what aiming at the star itself would cost, and what accuracy is needed.
    #[arg(long, value_name = "MM", value_parser = typed::focal_mm, allow_hyphen_values = true, requires = "pitch")]
    focal: Option<f64>,
    /// Pixel pitch, micrometres.
    #[arg(long, value_name = "UM", value_parser = typed::pitch_um, allow_hyphen_values = true, requires = "focal")]
    pitch: Option<f64>,
    /// Exposure, seconds or with its unit, like 2min.
    #[arg(long, value_name = "S", value_parser = typed::exposure_s, default_value = "120")]
    exposure: f64,
    /// Longest trail that is still a point, pixels.
    #[arg(long, value_name = "PX", default_value_t = 1.0)]
    tolerance: f64,
    /// Width of the field of your sighting tube or polar sight, degrees.
    #[arg(long, value_name = "DEG", value_parser = sight_width)]
    sight: Option<f64>,
    /// Write where the star belongs in the sight, as SVG, PNG or PDF by the ending of the name.
    #[arg(long, value_name = "FILE", value_parser = crate::out::chart_name)]
    sight_view: Option<PathBuf>,
    /// Red on black instead of black on white.
    #[arg(long, requires = "sight_view")]
    red: bool,
    #[command(flatten)]
    sight_flip: FlipArgs,
    #[command(flatten)]
    rig: RigArgs,
}

fn sight_width(text: &str) -> Result<f64, String> {
    let expected = "the width of the sight's field from 0.1 to 90 degrees, like 5";
    within(text, 0.1, 90.0, expected)
}

pub(crate) fn run(args: &PoleArgs, context: &Context) -> Result<Value, Failure> {
    let (standing, plan) = args.planned(context)?;
    let observer = &standing.observer;
    let (star, view) = pole_star(observer);
    if !context.json {
        tell(context, star, &standing, &view, &plan);
    }
    draw(args, observer, &plan, context)?;
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
        "refraction": refraction_json(observer),
        "plan": plan,
    }))
}

fn plan(args: &PoleArgs, observer: &Observer, rig: &RigSettings) -> Result<PolePlan, FieldError> {
    let shot = match (args.focal.or(rig.focal_mm), args.pitch.or(rig.pixel_um)) {
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

impl PoleArgs {
    /// The pole star's plan, and its name.
    pub(crate) fn plan(&self, context: &Context) -> Result<(PolePlan, &'static str), Failure> {
        let (standing, plan) = self.planned(context)?;
        Ok((plan, pole_star(&standing.observer).0.name))
    }

    /// The sight's picture.
    pub(crate) fn svg(&self, context: &Context, look: Look) -> Result<String, Failure> {
        let (standing, plan) = self.planned(context)?;
        picture(self, &standing.observer, &plan, look, context.shows)
    }

    fn planned(&self, context: &Context) -> Result<(Standing, PolePlan), Failure> {
        let standing = self.standpoint.standing(&self.moment, context)?;
        let rig = self.rig.or(&standing.settings.rig)?;
        let plan = plan(self, &standing.observer, &rig)?;
        Ok((standing, plan))
    }
}

fn draw(args: &PoleArgs, observer: &Observer, plan: &PolePlan, context: &Context) -> Result<(), Failure> {
    let Some(file) = &args.sight_view else {
        return Ok(());
    };
    let svg = picture(args, observer, plan, Look::red(args.red), context.shows)?;
    out::chart(file, &svg, context.json)
}

fn picture(
    args: &PoleArgs,
    observer: &Observer,
    plan: &PolePlan,
    look: Look,
    shows: Shows,
) -> Result<String, Failure> {
    let drawn = sight(observer, args.standpoint.orientation())?;
    let zone = shows.zone(&zone(observer.site()));
    let notes: Vec<String> = std::iter::once(plan.beam_free.to_owned())
        .chain(plan.cautions[..2].iter().map(|c| (*c).to_owned()))
        .collect();
    let place = shows.with_hours(&shows.place(observer.site()));
    let view = SightView {
        tolerance: plan.cost.map(|c| Angle::from_arcmin(c.needed_arcmin)),
        flip: args.sight_flip.flip(),
        ..bare(&drawn, &notes, &zone, &place)
    };
    Ok(sight_view(&view, look))
}

fn tell(context: &Context, star: &PoleStar, standing: &Standing, view: &PoleView, plan: &PolePlan) {
    let standpoint = context.shows.place(standing.observer.site());
    let say = |line: String| out::result(&line, false);
    say(format!("{} The command is `nightloom axis`.", plan.beam_free));
    // The two that the law and others' eyes hang on; all of them are on the sheet and in the JSON.
    for caution in &plan.cautions[..2] {
        say((*caution).to_owned());
    }
    say(String::new());
    say(format!(
        "{} (HIP {}) from {standpoint}, {}",
        star.name,
        star.hip,
        standing.when()
    ));
    if let Some(mind) = &plan.mind {
        say(mind.clone());
    }
    say(format!(
        "from the pole     {:>8.1}′  at {} on the clock as you face the pole ({:.1}° clockwise from straight up)",
        view.refracted.separation.arcmin(),
        clock_time_words(view.refracted.clock_angle.deg()),
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
