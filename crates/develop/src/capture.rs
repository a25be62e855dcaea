//! How a picture was taken, kept with its layers for its files to say.

use nightloom_outing::FilesSettings;
use nightloom_raster::write::{About, TakenWhere};
use nightloom_sky::Instant;
use serde::{Deserialize, Serialize};

/// What is known before anybody says who the picture's maker is and whether its place may be told. Kept with the layers.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Capture {
    /// What the frames tell.
    pub about: About,
    /// Where they were taken.
    pub place: Option<TakenWhere>,
    /// Start of the first, middle of all by exposure, and end of the last sky frame, UTC.
    pub span: Option<[Instant; 3]>,
    /// Exposure of all sky frames together, seconds; `None` where one does not tell its own.
    pub sky_s: Option<f64>,
}

impl Capture {
    /// With what the photographer says.
    pub fn about(&self, files: &FilesSettings) -> About {
        About {
            creator: files.creator.clone(),
            copyright: files.copyright.clone(),
            place: self.place.filter(|_| files.share_site),
            ..self.about.clone()
        }
    }

    /// Camera and focal length, for a header.
    pub fn camera(&self) -> (Option<&str>, Option<f64>) {
        (self.about.model.as_deref(), self.about.focal_mm)
    }
}
