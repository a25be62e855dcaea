//! The boundary of land and sky: matte, edge colours, fill and tone matching.
//!
//! Everything works on planes of one canvas in the geometry of the fixed (land) camera, linear
//! working colour. Outside the land frame the land planes hold NaN. The way through is
//! [`separate`] (coarse labels) → [`matte`] (soft edge), corrected by hand with [`solve_group`] and [`apply`] → [`match_sky`] (one brightness scale)
//! → [`fill_sky`] (the strip no tracked frame saw) → [`foreground`] (land colours free of old
//! sky) → [`compose`] (the picture).

mod band_solve;
mod border;
mod cells;
mod compose;
mod error;
mod evidence;
mod fill;
mod foreground;
mod gaps;
mod grid_cut;
mod hearts;
mod keep;
mod land_model;
mod matte;
mod matte_settings;
mod mixture;
mod opacity;
mod own_colours;
mod relabel;
mod resample;
mod retouch;
mod separate;
mod sky_likeness;
mod sky_model;
mod skyline;
mod stats;
mod strokes;
mod surface;
mod tone_match;
mod topology;
mod two_sides;
mod zone;

pub use compose::{compose, compose_row, join_step, luminance};
pub use error::SeamError;
pub use evidence::{Evidence, Places, Temporal, Work};
pub use fill::{FillReport, FillSettings, Gap, SmoothSky, VeilLevel, fill_sky};
pub use foreground::{ForegroundSettings, foreground};
pub use keep::{read_edge, write_edge};
pub use matte::{Matte, matte};
pub use matte_settings::MatteSettings;
pub use retouch::{HintGroup, Patch, apply, group_strokes, solve_group};
pub use separate::{Coarse, Finding, SeparateSettings, separate};
pub use sky_model::SkyModel;
pub use strokes::{Side, Stroke};
pub use tone_match::{ToneMatch, ToneMatchSettings, match_sky};
