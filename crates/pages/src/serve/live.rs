//! Looks into the outing's folder now and then: frames that land, frames that go, outing.toml written by an editor.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use nightloom_frames::{Listed, list};
use nightloom_outing::RESULTS;

use super::app::{App, Event, FileKey};
use super::follow;
use super::pixels::LAYERS;
use super::reply::aside;

/// Between two looks.
const EVERY: Duration = Duration::from_secs(1);

/// Tells the pages what changes in the folder, for as long as the program runs.
pub(super) async fn watch(app: Arc<App>) {
    let mut seen = Seen::default();
    let mut version = None;
    let mut picture = None;
    loop {
        let looked = Arc::clone(&app);
        let look = aside(move || {
            if follow::look_out(&looked) {
                looked.tell(Event::Night);
            }
            let picture = FileKey::of(looked.folder.join(RESULTS).join(LAYERS[0]));
            (
                list(&looked.folder).unwrap_or_default(),
                looked.text().ok(),
                picture,
            )
        })
        .await;
        if let Ok((listing, text, now)) = look {
            // Made by a command, perhaps, beside these pages.
            if picture.as_ref().is_some_and(|before| *before != now) {
                app.tell(Event::Picture);
            }
            picture = Some(now);
            for (path, what) in seen.look(listing) {
                let name = path.strip_prefix(&app.folder).unwrap_or(&path);
                let name = name.to_string_lossy().replace('\\', "/");
                app.tell(match what {
                    Change::Came => Event::Frame { name },
                    Change::Went => Event::FrameGone { name },
                });
            }
            let now = text.map(|t| t.version);
            if let (Some(now), Some(before)) = (&now, &version)
                && now != before
            {
                app.tell(Event::Settings { version: now.clone() });
            }
            version = now.or(version);
        }
        tokio::time::sleep(EVERY).await;
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Change {
    Came,
    Went,
}

/// What was there at the last look.
#[derive(Default)]
struct Seen {
    begun: bool,
    /// By path: as it was listed, and whether it was told.
    files: BTreeMap<PathBuf, (Listed, bool)>,
}

impl Seen {
    /// What is new since the last look. A file counts as come when two looks find it alike: one that still grows
    /// is not whole. What was there at the first look is not new.
    fn look(&mut self, listing: Vec<Listed>) -> Vec<(PathBuf, Change)> {
        let mut changes = Vec::new();
        let mut now = BTreeMap::new();
        for listed in listing {
            let told = match self.files.remove(&listed.path) {
                Some((before, told)) if before == listed => {
                    if !told {
                        changes.push((listed.path.clone(), Change::Came));
                    }
                    true
                }
                _ => !self.begun,
            };
            now.insert(listed.path.clone(), (listed, told));
        }
        let gone = std::mem::replace(&mut self.files, now);
        changes.extend(
            gone.into_iter()
                .filter(|(_, (_, told))| *told)
                .map(|(path, _)| (path, Change::Went)),
        );
        self.begun = true;
        changes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, bytes: u64) -> Listed {
        Listed {
            path: name.into(),
            bytes,
            modified: Some(Duration::from_secs(bytes)),
        }
    }

    #[test]
    fn a_frame_is_told_once_when_it_is_whole() {
        let mut seen = Seen::default();
        let old = file("old.dng", 5);
        assert_eq!(seen.look(vec![old.clone()]), []);
        assert_eq!(seen.look(vec![old.clone(), file("new.dng", 1)]), []);
        assert_eq!(seen.look(vec![old.clone(), file("new.dng", 3)]), [], "it grows");
        let came = seen.look(vec![old.clone(), file("new.dng", 3)]);
        assert_eq!(came, [("new.dng".into(), Change::Came)]);
        assert_eq!(seen.look(vec![old.clone(), file("new.dng", 3)]), []);
        // Written anew, it is told anew; gone, it is told gone.
        assert_eq!(seen.look(vec![old.clone(), file("new.dng", 4)]), []);
        assert_eq!(
            seen.look(vec![old, file("new.dng", 4)]),
            [("new.dng".into(), Change::Came)]
        );
        let went = seen.look(vec![file("new.dng", 4)]);
        assert_eq!(went, [("old.dng".into(), Change::Went)]);
    }
}
