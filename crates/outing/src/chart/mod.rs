//! Charts of the plan, as SVG: one night as a strip, the view over the skyline, the year's nights.
//!
//! Every face of the program shows these; none draws a second version. Each chart comes in two looks:
//! dark on white for the desk and for paper, and red on black for the field, in which nothing holds
//! any green or blue.

mod night_strip;
mod svg;
mod view;
mod year;

pub use night_strip::{NightStrip, night_strip};
pub use view::{Framing, View, view};
pub use year::year_chart;

/// How a chart is coloured.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// Dark ink on white.
    #[default]
    Day,
    /// Red on black, for dark-adapted eyes.
    Red,
}
