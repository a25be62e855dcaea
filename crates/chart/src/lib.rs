//! Charts of the plan, as SVG: one night as a strip, the view over the skyline, the year's nights; the
//! ladder of equivalent exposures, signal-to-noise, trails over the frame; the pole star in the sight; what was
//! measured in one frame.
//!
//! Every face of the program shows these; none draws a second version. Each chart comes in two looks:
//! dark on white for the desk and for paper, and red on black for the field, in which nothing holds
//! any green or blue.

use nightloom_sky::night::NightSample;

mod contour;
mod file;
mod frame_map;
mod labels;
mod ladder;
mod night_strip;
mod plain;
mod sight_view;
mod signal;
mod stars_over;
mod svg;
mod trail_map;
mod view;
mod year;

pub use file::{ChartFile, ChartFileError, ChartFormat, chart_file};
pub use frame_map::frame_map;
pub use ladder::ladder_chart;
pub use night_strip::{NightStrip, night_strip, two_nights};
pub use sight_view::{Flip, SightView, sight_view};
pub use signal::{SignalChart, signal_chart};
pub use stars_over::StarsOver;
pub use trail_map::{TrailPicture, trail_map};
pub use view::{NightView, ViewWindow, night_view, view_window};
pub use year::{year_cells, year_chart};

/// A subject through the night, as charts draw it.
#[derive(Clone, Copy, Debug)]
pub struct SubjectWay<'a> {
    /// Its name.
    pub name: &'a str,
    /// The night sampled, with it.
    pub samples: &'a [NightSample],
}

/// How a chart is coloured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// Dark ink on white.
    #[default]
    Day,
    /// Red on black, for dark-adapted eyes.
    Red,
}

impl Look {
    /// In one word: `day` or `red`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Red => "red",
        }
    }

    /// The other one.
    pub fn other(self) -> Self {
        match self {
            Self::Day => Self::Red,
            Self::Red => Self::Day,
        }
    }

    /// Red where that is asked for.
    pub fn red(red: bool) -> Self {
        if red { Self::Red } else { Self::Day }
    }
}
