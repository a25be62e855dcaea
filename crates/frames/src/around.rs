//! What a frame's own folders and file tell of the place.

use std::path::Path;

use nightloom_raster::FrameMeta;
use nightloom_sky::Site;

use nightloom_outing::{OUTING_TOML, Settings, SettingsError, read_settings};

/// Folders above a frame in which its outing is looked for.
const LEVELS: usize = 4;

/// The settings of the outing that a frame lies in; the usual ones where there is none.
pub(crate) fn settings_around(frame: &Path) -> Result<Settings, SettingsError> {
    let whole = std::path::absolute(frame).unwrap_or_else(|_| frame.to_path_buf());
    let mut folders = whole.ancestors().skip(1).take(LEVELS);
    let folder = folders.find(|f| f.join(OUTING_TOML).is_file());
    folder.map_or_else(|| Ok(Settings::default()), read_settings)
}

/// Where the file says it was taken.
pub(crate) fn site_by_file(meta: &FrameMeta) -> Option<Site> {
    let [latitude, longitude] = meta.gps_deg?;
    Site::new(latitude, longitude, meta.gps_elevation_m.unwrap_or(0.0)).ok()
}
