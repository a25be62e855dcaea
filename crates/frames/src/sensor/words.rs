//! What is said beside the figures.

use nightloom_optics::sensor::{DarkCurrent, Transfer, TransferError};

use super::SensorAtIso;
use super::sort::{HOT_FROM_S, Sorted};

/// Up to here χ² per degree of freedom needs no remark.
const FAIR_CHI2: f64 = 1.5;

/// What is missing for the figures that are not there.
pub(super) fn missing(sorted: &Sorted, answer: &SensorAtIso, error: Option<&TransferError>) -> Vec<String> {
    let mut said = Vec::new();
    let used = answer.frames;
    if answer.gain_e_per_dn.is_none() {
        if used.flat_pairs == 0 {
            said.push(format!(
                "Gain, read noise and full well need two flats of one exposure and level, about half as \
                 bright as saturation; {} found.",
                counted(used.flats, "flat")
            ));
        }
        if used.bias_pairs == 0 {
            said.push(format!(
                "Gain and read noise need two biases or darks of one short exposure, for example 1/4000 s \
                 with the cap on; {} of the shortest exposure found.",
                counted(used.biases, "unlit frame")
            ));
        }
        if let (true, Some(error)) = (said.is_empty(), error) {
            said.push(format!("No gain could be found: {error}."));
        }
    }
    if answer.dark.is_none() && sorted.unlit.len() < 2 {
        said.push(
            "The dark current needs darks of two exposure times, for example two of 1/4000 s and two as long \
             as the night's frames."
                .into(),
        );
    }
    if answer.hot.is_none() {
        said.push("Hot pixels need two darks of one exposure of a second or more.".into());
    }
    said
}

fn counted(n: usize, what: &str) -> String {
    match n {
        0 => format!("no {what} was"),
        1 => format!("one {what} was"),
        n => format!("{n} {what}s were"),
    }
}

/// What else is worth knowing.
pub(super) fn notes(
    sorted: &Sorted,
    answer: &SensorAtIso,
    transfer: Option<&Transfer>,
    grown: Option<&DarkCurrent>,
) -> Vec<String> {
    let mut said = Vec::new();
    if let Some(t) = transfer {
        if t.read_noise_hidden {
            said.push(
                "The read noise is hidden by rounding to whole numbers: the figure is an upper limit.".into(),
            );
        }
        if t.chi2_per_freedom > FAIR_CHI2 {
            said.push(format!(
                "The noise is not that of light and read-out alone (χ² per degree of freedom {:.1}); the \
                 light of the flats may have flickered, or the camera changes its raw files. The errors \
                 have been widened.",
                t.chi2_per_freedom
            ));
        }
        if sorted.unlit.first().is_some_and(|g| g.exposure_s >= HOT_FROM_S) {
            said.push(
                "There are no biases: the read noise holds the dark current's noise of the shortest darks."
                    .into(),
            );
        }
    }
    if answer.dark.is_some_and(|d| d.from_noise) {
        said.push(
            "The camera takes its dark level off by itself; the dark current is that of the darks' noise."
                .into(),
        );
    }
    if grown.is_some_and(|g| g.wanders) {
        said.push(
            "The level of the darks wanders from frame to frame by more than their noise; the dark \
             current's error has been widened."
                .into(),
        );
    }
    if answer.dark.is_some() {
        said.push(
            "The dark current holds for the temperature that the sensor had; it doubles about every 6 °C."
                .into(),
        );
    }
    said
}
