//! From a folder of frames to one layered picture: roles, journal, build.
//!
//! [`decide_roles`] says what each frame is for, [`build()`] does the rest, with every step in the
//! [`Journal`](nightloom_journal::Journal). Everything from outside comes through [`World`](nightloom_outing::World).

mod ahead;
mod base;
mod beforehand;
mod build;
mod canvas;
mod capture;
mod celestial;
mod crop;
mod deliver;
mod edge;
mod fall_off;
mod figures;
mod finish;
mod fitting;
mod ground;
mod hints;
mod inventory;
mod join;
mod known_places;
mod land;
mod land_choice;
mod land_focus;
mod land_frame;
mod layer_files;
mod lens_guess;
mod light;
mod light_ratio;
mod masks;
mod masters;
mod moment;
mod new;
mod outline;
mod over;
mod page;
mod place;
mod placing;
mod prepare;
mod report;
mod residual_map;
mod results;
mod ridge;
mod roles;
mod scene;
mod setting;
mod shown;
mod sky;
mod sky_light;
mod starless;
mod times;
mod track;
mod units;
mod verdicts;
mod versions;

pub use build::build;
pub use hints::{
    EdgeFrame, HINTS_TOML, HintKind, HintStroke, HintsError, LandHints, LiveEdge, LiveEdgeError,
};
pub use new::{Difference, NewError, NewOptions, NewReport, new_outing};
pub use nightloom_develop::LightReport;
pub use nightloom_journal::{BuildError, StepCounts};
pub use nightloom_seam::Patch as MattePatch;
pub use page::moved_words;
pub use report::{
    BuildReport, CanvasReport, ColourReport, FrameReport, LandReport, LensReport, Outputs, SeamReport,
    SkyFigures, SkyReport,
};
pub use roles::{FrameContent, FrameFacts, RoleDecision, decide_roles, left_out_by_camera, role_of_folder};
pub use versions::{Version, built_recipe, version_preview, version_recipe, versions};
