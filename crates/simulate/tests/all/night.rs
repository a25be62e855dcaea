//! A small night rendered once for all tests.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::sync::atomic::AtomicBool;

use nightloom_raster::{Limits, Mosaic, Pixels, decode_here};
use nightloom_simulate::{Counts, Mishaps, Scenario, ShotRole, Size, Truth, render};

/// A folder of the test run, emptied first.
pub(crate) fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&path);
    path
}

/// One sky and one land frame, three darks and flats, catalogue stars alone, nothing going wrong.
pub(crate) fn scenario() -> Scenario {
    Scenario {
        size: Size::Small,
        counts: Counts {
            sky: 1,
            land: 1,
            dark: 3,
            flat: 3,
        },
        faintest_mag: 8.0,
        mishaps: Mishaps::none(),
        ..Scenario::default()
    }
}

pub(crate) fn rendered(scenario: &Scenario, folder: &Path) -> Truth {
    render(scenario, folder, &|_, _, _| {}, &AtomicBool::new(false)).expect("the night is rendered")
}

/// The night that the tests share.
pub(crate) struct Night {
    pub(crate) folder: PathBuf,
    pub(crate) truth: Truth,
}

pub(crate) static NIGHT: LazyLock<Night> = LazyLock::new(|| {
    let folder = folder("night");
    let truth = rendered(&scenario(), &folder);
    Night { folder, truth }
});

impl Night {
    pub(crate) fn mosaics(&self, role: ShotRole) -> Vec<Mosaic> {
        let frames = self.truth.frames.iter().filter(|f| f.role == role);
        frames.map(|f| mosaic(&self.folder.join(&f.path))).collect()
    }
}

pub(crate) fn mosaic(path: &Path) -> Mosaic {
    let frame = decode_here(path, &Limits::default()).expect("the frame opens");
    match frame.pixels {
        Pixels::Mosaic(mosaic) => mosaic,
        _ => panic!("{} is not a mosaic", path.display()),
    }
}
