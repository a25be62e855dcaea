//! Where the tracker's axis points, from identified frames.
//!
//! The camera on a tracker turns about the axis and about nothing else. Each frame's stars hold the camera in
//! the ground frame to a second of arc; what turns between two frames is about the axis, and the further it
//! turns the better it tells where. Refraction is in the stars' places (`AxisFrame::new`), so the
//! axis is the mechanical one, a direction in the ground frame.
//!
//! Nothing is assumed of how fast the tracker turns: every frame has an angle of its own, from which rate and
//! periodic error follow. A camera aimed anew between frames begins a new segment; a frame knocked aside, a slip
//! and a moved tripod are told from an axis error by their not turning about the common axis. A head that creeps
//! steadily through a short run does turn about *one* axis and cannot be told from an axis error by anyone; it
//! shows as misfit once the tracker has turned by some degrees.

mod cameras;
mod clock;
mod cut;
mod fit;
mod frame;
mod later;
mod pairs;
mod periodic;
mod rate;
mod rivals;
mod sort;
mod trailed;
mod turn;

use nalgebra::{Matrix2, Rotation3, Unit, UnitVector3, Vector3};
use nightloom_optics::Lens;
use nightloom_sky::{Angle, Observer};

pub use clock::{ClockDoubt, clock_by_refraction};
pub use frame::{AxisFrame, Sight};
pub use later::axis_in_later_frame;
pub use periodic::{PeriodicFit, periodic};
pub use rate::{AxisRate, Named};
pub use trailed::{TrailedAxis, axis_of_trailed_frame};

use cameras::Cameras;
use cut::NUDGED;
use fit::{AxisFit, Plan};
use pairs::Pair;
use rate::{BY_HAND, SKY_RAD_S};
use turn::up_and_right;

/// The pole above the horizon, and which way the sky turns about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pole {
    /// The pole where the air shows it, ground frame: what an axis is held against.
    pub refracted: UnitVector3<f64>,
    /// The pole without air.
    pub airless: UnitVector3<f64>,
    /// Whether it is the north pole.
    pub north: bool,
}

impl Pole {
    /// The pole over a site.
    pub fn over(observer: &Observer) -> Self {
        let airless = observer.pole();
        let lifted = frame::lifted(observer.air(), &airless);
        let across = airless.x.hypot(airless.y).max(1e-12);
        // So near the horizon that nobody sees it: lift it all the same.
        let refracted = lifted.unwrap_or_else(|| {
            let seen = observer
                .air()
                .lifted_altitude(Angle::from_rad(airless.z.atan2(across)));
            let k = seen.cos() / across;
            Vector3::new(airless.x * k, airless.y * k, seen.sin())
        });
        Self {
            refracted: Unit::new_normalize(refracted),
            airless,
            north: observer.site().latitude.rad() >= 0.0,
        }
    }

    /// +1 where a camera that follows the sky turns by positive angles about the pole in its own axes.
    fn sense(&self) -> f64 {
        if self.north { 1.0 } else { -1.0 }
    }
}

/// What became of a frame.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum FrameUse {
    /// It is in the fit.
    Used {
        /// Frames with the same number share how the camera is mounted.
        segment: usize,
        /// Turned since the segment's first frame, with the sky positive, degrees.
        turned_deg: f64,
        /// How far the camera stands from where the axis would have it, arcseconds.
        misfit_arcsec: f64,
    },
    /// It is not.
    LeftOut {
        /// Why.
        why: LeftOut,
    },
}

/// Why a frame is not in the fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeftOut {
    /// It stands aside of the others.
    Outlier,
    /// The camera was aimed anew before and after it, or slipped: nothing turned about the axis alone.
    Alone,
    /// The tripod was moved or the axis adjusted after it.
    BeforeMove,
}

/// What happened beside turning about one axis. Frames by their number, from 0.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum AxisEvent {
    /// The camera was aimed anew.
    Reaimed {
        /// Between this frame and the next.
        after: usize,
        /// By how much, the part about the axis left out.
        by_arcmin: f64,
    },
    /// The camera slipped or was nudged on its head, by less than a degree.
    Slipped {
        /// Between this frame and the next.
        after: usize,
        /// By how much, the part about the axis left out.
        by_arcmin: f64,
    },
    /// The axis itself points elsewhere since: the tripod was moved, or the axis adjusted.
    Moved {
        /// Between this frame and the next.
        after: usize,
        /// From axis to axis.
        by_arcmin: f64,
    },
    /// One frame stands aside while those before and after it agree.
    Outlier {
        /// Which.
        frame: usize,
        /// How far.
        by_arcmin: f64,
    },
    /// The focal length changed between the frames: the zoom crept.
    Zoomed {
        /// By so much from the shortest to the longest, per cent.
        by_percent: f64,
    },
    /// The frames do not turn about one axis to the accuracy of their stars: something creeps or shakes.
    Misfit {
        /// By so much, root mean square.
        arcsec: f64,
        /// And by so many times what the stars allow.
        times: f64,
    },
}

/// A measured axis.
#[derive(Clone, Debug)]
pub struct AxisMeasurement {
    /// Where the axis points, ground frame; the end towards the pole.
    pub axis: UnitVector3<f64>,
    /// Of the axis towards up and right of itself as one looks along it (right is east in the north, west in the
    /// south), radians².
    pub covariance: Matrix2<f64>,
    /// Frame by frame.
    pub frames: Vec<FrameUse>,
    /// What else happened.
    pub events: Vec<AxisEvent>,
    /// How fast the tracker turned; `None` where it was turned by hand only.
    pub rate: Option<AxisRate>,
    /// Whether it was turned by hand between frames.
    pub by_hand: bool,
    /// The gear's periodic error, where a run of frames holds it.
    pub periodic: Option<PeriodicFit>,
    /// The furthest that frames of one segment are apart about the axis.
    pub turned: Angle,
    /// The lens, one for all frames.
    pub lens: Lens,
    /// Stars' residuals, root mean square over the frames used, pixels.
    pub rms_px: f64,
    /// Camera in the ground frame, frame by frame.
    pub cameras: Vec<Rotation3<f64>>,
    /// Of small turns of the cameras in their own axes, three a frame, radians².
    pub(crate) camera_covariance: nalgebra::DMatrix<f64>,
}

impl AxisMeasurement {
    /// Standard deviation of the axis's place: the root mean square distance from where it really is.
    pub fn sigma(&self) -> Angle {
        Angle::from_rad(self.covariance.trace().max(0.0).sqrt())
    }
}

/// Why there is no axis. Frames by their number, from 0.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AxisProblem {
    /// One frame, or none.
    #[error(
        "two frames at least are needed, and {got} can be used; take another after some minutes, or after turning the tracker by hand"
    )]
    TooFew {
        /// So many.
        got: usize,
    },
    /// All of one moment.
    #[error(
        "the frames are of the same instant, so nothing can have turned between them; take another after some minutes, or after turning the tracker by hand by 30° to 90°"
    )]
    SameInstant,
    /// The stars of a frame do not hold the camera.
    #[error("the stars do not hold the cameras: too few are above the air near the horizon; aim higher")]
    Stars,
    /// Standing still.
    #[error(
        "the camera stood still to the ground: it turned {turned_arcsec:.0}″ in {seconds:.0} s, and the sky {sky_arcsec:.0}″. The tracker is switched off, its clutch is open, or these are frames of a fixed tripod"
    )]
    Off {
        /// What turned between first and last frame.
        turned_arcsec: f64,
        /// Time between them.
        seconds: f64,
        /// What the sky turned.
        sky_arcsec: f64,
    },
    /// Against the sky.
    #[error("the tracker turns against the sky, {times:.2} times its rate: it is set for the other hemisphere ({}). Switch it over and take two new frames", if *.north { "for the north it must follow the sky about the north pole" } else { "for the south it must follow the sky about the south pole" })]
    Reversed {
        /// Rate in units of the sky's, negative.
        times: f64,
        /// Whether the site is in the north.
        north: bool,
    },
    /// Too little turned.
    #[error(
        "between the frames the camera turned {turned_arcsec:.0}″, which is too little against the {noise_arcsec:.1}″ to which a frame is known; wait some minutes between frames, or turn the tracker by hand by 30° to 90°"
    )]
    TooLittle {
        /// Turned.
        turned_arcsec: f64,
        /// Noise.
        noise_arcsec: f64,
    },
    /// Two turns contradict each other, and nothing says which was touched.
    #[error(
        "between two of the frames something was touched, and nothing says between which: frames {} and {} tell one axis, frames {} and {} another, {apart_arcmin:.0}′ away. Turn nothing yet: take one more frame now without touching anything, and give all frames again",
        .first + 1, .first + 2, .second + 1, .second + 2
    )]
    Either {
        /// The frame before the earlier turn.
        first: usize,
        /// The frame before the later one.
        second: usize,
        /// From axis to axis.
        apart_arcmin: f64,
    },
    /// Nothing near the pole.
    #[error(
        "what turned between the frames is about no axis within 25° of the pole (the nearest turn is about one {nearest_deg:.0}° from it): the camera was aimed anew between all of them, place or clock are wrong, or the tracker stands far off. Take two frames without touching the camera"
    )]
    NoAxis {
        /// The nearest.
        nearest_deg: f64,
    },
}

/// Measures the axis from frames in the order of their times.
///
/// `lens` is a good guess for all frames. Accuracy on simulated frames of 24 mm to 135 mm: see the report
/// `axis_bars`; two frames five minutes apart give 0.2′ to 1′, a turn of 60° gives 0.05′.
///
/// # Errors
/// [`AxisProblem`].
pub fn measure_axis(frames: &[AxisFrame], lens: &Lens, pole: &Pole) -> Result<AxisMeasurement, AxisProblem> {
    measure_axis_then(frames, frames.len(), lens, pole)
}

/// The same from the first `before` frames; the cameras of those that follow are fitted along with them, for
/// [`axis_in_later_frame`].
///
/// # Errors
/// [`AxisProblem`].
pub fn measure_axis_then(
    frames: &[AxisFrame],
    before: usize,
    lens: &Lens,
    pole: &Pole,
) -> Result<AxisMeasurement, AxisProblem> {
    let before = before.min(frames.len());
    if before < 2 {
        return Err(AxisProblem::TooFew { got: before });
    }
    let seconds: Vec<f64> = frames[..before].iter().map(|f| f.seconds).collect();
    if seconds[seconds.len() - 1] - seconds[0] < 1.0 {
        return Err(AxisProblem::SameInstant);
    }
    let cameras = cameras::fit(frames, lens).ok_or(AxisProblem::Stars)?;
    standing_still(&cameras, &seconds, pole)?;
    let sorted =
        sort::sort(&cameras, &seconds, &pole.refracted).ok_or_else(|| no_axis(&cameras, &seconds, pole))?;
    if let Some([first, second]) = sorted.either {
        let way = |i: usize| Pair::between(&cameras, &seconds, i, i + 1).turn;
        let apart = way(first).angle(&way(second));
        return Err(AxisProblem::Either {
            first,
            second,
            apart_arcmin: apart.min(std::f64::consts::PI - apart).to_degrees() * 60.0,
        });
    }
    if sorted.used.len() < 2 {
        return Err(no_axis(&cameras, &seconds, pole));
    }
    Measuring {
        frames,
        pole,
        seconds,
        cameras,
        sorted,
    }
    .conclude()
}

fn arcsec(rad: f64) -> f64 {
    rad.to_degrees() * 3600.0
}

/// Part of the sky's turn below which a tracker does not run.
const STILL: f64 = 0.05;

fn standing_still(cameras: &Cameras, seconds: &[f64], pole: &Pole) -> Result<(), AxisProblem> {
    let pairs: Vec<Pair> = (1..seconds.len())
        .map(|to| Pair::between(cameras, seconds, to - 1, to))
        .collect();
    let sky = |p: &Pair| SKY_RAD_S * p.seconds;
    let still = |p: &Pair| p.turn.norm() < STILL * sky(p) && sky(p) > 0.0;
    let untold = pairs.iter().all(|p| !p.turned());
    let last = Pair::between(cameras, seconds, 0, seconds.len() - 1);
    if pairs.iter().all(|p| still(p) || !p.turned()) && pairs.iter().any(still) {
        return Err(AxisProblem::Off {
            turned_arcsec: arcsec(last.turn.norm()),
            seconds: last.seconds,
            sky_arcsec: arcsec(sky(&last)),
        });
    }
    if untold {
        return Err(AxisProblem::TooLittle {
            turned_arcsec: arcsec(last.turn.norm()),
            noise_arcsec: arcsec((last.covariance.trace() / 3.0).sqrt()),
        });
    }
    let against = |p: &Pair| pole.sense() * p.turn.dot(&pole.refracted) / sky(p);
    let backwards = pairs.iter().filter(|p| p.plausible(&pole.refracted));
    let rates: Vec<f64> = backwards.map(against).collect();
    let reversed = |r: &&f64| (-1.4..-0.4).contains(*r);
    if !rates.is_empty() && rates.iter().all(|r| reversed(&r)) {
        return Err(AxisProblem::Reversed {
            times: rates.iter().sum::<f64>() / rates.len() as f64,
            north: pole.north,
        });
    }
    Ok(())
}

fn no_axis(cameras: &Cameras, seconds: &[f64], pole: &Pole) -> AxisProblem {
    let off = |to: usize| {
        let turn = Pair::between(cameras, seconds, to - 1, to).turn;
        let angle = turn.angle(&pole.refracted);
        angle.min(std::f64::consts::PI - angle).to_degrees()
    };
    AxisProblem::NoAxis {
        nearest_deg: (1..seconds.len()).map(off).fold(90.0, f64::min),
    }
}

/// A fit whose squared misfit is more than so many times its freedom is told.
const MISFIT: f64 = 9.0;
/// Leaving a frame out must take so much from the misfit for it to be an outlier.
const GAIN: f64 = 0.25;

/// What an unnoticed touch of the camera or a leg turns it by, one axis, arcminutes (common practice, no source).
const TOUCH_ARCMIN: f64 = 0.6;

/// What lens and air leave in the axis however far the tracker turned, one axis, arcminutes: over turns of 30° and 60°
/// painted by others the error was 0.01′ to 0.08′, where the stars alone allow 0.00′ to 0.04′.
const FLOOR_ARCMIN: f64 = 0.02;

struct Measuring<'a> {
    frames: &'a [AxisFrame],
    pole: &'a Pole,
    seconds: Vec<f64>,
    cameras: Cameras,
    sorted: sort::Sorted,
}

impl Measuring<'_> {
    fn conclude(mut self) -> Result<AxisMeasurement, AxisProblem> {
        let mut fit = self.fit().ok_or(AxisProblem::Stars)?;
        // Each round takes a frame out or cuts a run, so that they end.
        for _ in 0..self.seconds.len() {
            let outlier = self.outlier(&fit);
            // One frame aside explains as much as a touch before it, and more simply.
            let most = outlier
                .as_ref()
                .map_or(fit.chi2, |(_, better)| better.chi2 + NUDGED);
            if let Some((cut, better)) = self.cut(most) {
                self.part(cut, &fit, &better);
                fit = better;
            } else if let Some((without, better)) = outlier {
                self.leave_out(without, &fit);
                fit = better;
            } else {
                break;
            }
        }
        if let Some(part) = self.cameras.zoomed {
            self.sorted.events.push(AxisEvent::Zoomed {
                by_percent: 100.0 * part,
            });
        }
        self.tell_misfit(&fit);
        if fit.axis.dot(&self.pole.refracted) < 0.0 {
            return Err(no_axis(&self.cameras, &self.seconds, self.pole));
        }
        Ok(self.measurement(&fit))
    }

    fn fit(&self) -> Option<AxisFit> {
        self.fit_of(&self.sorted.used, &self.sorted.segments)
    }

    fn fit_of(&self, frames: &[usize], segments: &[usize]) -> Option<AxisFit> {
        Plan {
            cameras: &self.cameras,
            frames,
            segments,
        }
        .fit(&self.sorted.axis)
    }

    /// Position among the frames used of one that spoils the fit, and the fit without it.
    fn outlier(&self, fit: &AxisFit) -> Option<(usize, AxisFit)> {
        let used = &self.sorted.used;
        let poor = fit.chi2 > MISFIT * fit.freedom as f64;
        if !poor || used.len() < 4 {
            return None;
        }
        let without = |k: usize| {
            let keep = |list: &[usize]| -> Vec<usize> {
                let mut list = list.to_vec();
                list.remove(k);
                list
            };
            let (frames, segments) = (keep(used), keep(&self.sorted.segments));
            let alone = segments
                .iter()
                .any(|s| segments.iter().filter(|t| *t == s).count() < 2);
            (!alone).then(|| self.fit_of(&frames, &segments)).flatten()
        };
        (0..used.len())
            .filter_map(|k| Some((k, without(k)?)))
            .min_by(|a, b| a.1.chi2.total_cmp(&b.1.chi2))
            .filter(|(_, better)| {
                let each = |f: &AxisFit| f.chi2 / f.freedom.max(1) as f64;
                better.freedom > 0 && each(better) < GAIN * each(fit)
            })
    }

    fn leave_out(&mut self, k: usize, fit: &AxisFit) {
        let frame = self.sorted.used.remove(k);
        self.sorted.segments.remove(k);
        self.sorted.left_out.push((frame, LeftOut::Outlier));
        self.sorted.events.push(AxisEvent::Outlier {
            frame,
            by_arcmin: fit.misfits[k].norm().to_degrees() * 60.0,
        });
    }

    fn tell_misfit(&mut self, fit: &AxisFit) {
        let each = fit.chi2 / fit.freedom.max(1) as f64;
        let mean = fit.misfits.iter().map(|m| m.norm_squared()).sum::<f64>() / fit.misfits.len() as f64;
        let arcsec = arcsec(mean.sqrt());
        // A second of arc is what any mount bends by.
        if fit.freedom > 0 && each > MISFIT && arcsec > 2.0 {
            self.sorted.events.push(AxisEvent::Misfit {
                arcsec,
                times: each.sqrt(),
            });
        }
    }

    fn measurement(self, fit: &AxisFit) -> AxisMeasurement {
        let sense = self.pole.sense();
        let inflated = if fit.freedom > 0 {
            (fit.chi2 / fit.freedom as f64).max(1.0)
        } else {
            1.0
        };
        let (runs, by_hand) = self.runs(fit);
        let longest = runs.iter().max_by_key(|r| r.len());
        let exposure_s = self.frames[self.sorted.used[0]].exposure_s;
        let periodic = longest.and_then(|run| periodic::periodic(run, exposure_s));
        let count = fit.angles.len().max(1) as f64;
        let sigma = (fit.angle_covariance.trace() * inflated / count).sqrt();
        let mut rate = rate::rate(&runs, sigma, periodic.is_some());
        if let (Some(rate), Some(periodic)) = (&mut rate, &periodic) {
            rate.rename(periodic.rate / SKY_RAD_S);
        }
        let mut frames = vec![FrameUse::LeftOut { why: LeftOut::Alone }; self.seconds.len()];
        for &(frame, why) in &self.sorted.left_out {
            frames[frame] = FrameUse::LeftOut { why };
        }
        let segments = &self.sorted.segments;
        for (k, &frame) in self.sorted.used.iter().enumerate() {
            frames[frame] = FrameUse::Used {
                segment: segments[k],
                turned_deg: sense * fit.angles[k].to_degrees(),
                misfit_arcsec: arcsec(fit.misfits[k].norm()),
            };
        }
        let rms = |f: &usize| self.cameras.rms_px[*f].powi(2);
        let rms_px = (self.sorted.used.iter().map(rms).sum::<f64>() / count).sqrt();
        AxisMeasurement {
            axis: fit.axis,
            covariance: fit.covariance * (inflated * self.crept()) + self.unnoticed(fit),
            frames,
            turned: Angle::from_rad(self.furthest(fit)),
            events: self.sorted.events,
            rate,
            by_hand,
            periodic,
            lens: self.cameras.lens,
            rms_px,
            cameras: self.cameras.rotations,
            camera_covariance: self.cameras.covariance,
        }
    }

    /// A zoom that creeps moves its axis as well, which nothing here follows: of twelve such sets painted by others one in
    /// six was off by more than twice what the stars alone allow.
    fn crept(&self) -> f64 {
        if self.cameras.zoomed.is_some() { 2.0 } else { 1.0 }
    }

    /// What a touch between two frames may have done that no third one contradicts, radians².
    fn unnoticed(&self, fit: &AxisFit) -> Matrix2<f64> {
        let floor = Matrix2::identity() * (FLOOR_ARCMIN / 60.0).to_radians().powi(2);
        if self.sorted.used.len() > 2 {
            return floor;
        }
        let touch = (TOUCH_ARCMIN / 60.0).to_radians();
        let lever = 2.0 * (0.5 * self.furthest(fit)).sin().abs();
        floor + Matrix2::identity() * (touch / lever.max(1e-6)).min(1.0).powi(2)
    }

    fn furthest(&self, fit: &AxisFit) -> f64 {
        let segments = &self.sorted.segments;
        let mut most: f64 = 0.0;
        for i in 0..fit.angles.len() {
            for j in 0..i {
                if segments[i] == segments[j] {
                    most = most.max((fit.angles[i] - fit.angles[j]).abs());
                }
            }
        }
        most
    }

    /// Stretches that the motor turned alone, with the sky positive, and whether a hand turned between any.
    fn runs(&self, fit: &AxisFit) -> (Vec<rate::Run>, bool) {
        let (mut runs, mut by_hand): (Vec<rate::Run>, bool) = (Vec::new(), false);
        let sense = self.pole.sense();
        for (k, &frame) in self.sorted.used.iter().enumerate() {
            let point = (self.seconds[frame], sense * fit.angles[k]);
            let begins = k == 0 || self.sorted.segments[k] != self.sorted.segments[k - 1];
            let last = runs.last().and_then(|r| r.last()).copied().filter(|_| !begins);
            let tracked = last.is_some_and(|(t, angle)| {
                let rate = (point.1 - angle) / ((point.0 - t) * SKY_RAD_S).max(1e-12);
                let hand = rate.abs() > BY_HAND || point.0 - t < 1.0;
                by_hand |= hand;
                !hand
            });
            match runs.last_mut() {
                Some(run) if tracked => run.push(point),
                _ => runs.push(vec![point]),
            }
        }
        (runs, by_hand)
    }
}

/// Components of a direction near `axis` in the axes of [`AxisMeasurement::covariance`], radians.
pub fn up_and_right_of(axis: &UnitVector3<f64>, direction: &Vector3<f64>) -> [f64; 2] {
    up_and_right(axis).map(|way| way.dot(direction))
}
