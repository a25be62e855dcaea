//! How a frame was taken: what groups frames, and what a master must share with them.

use nightloom_raster::FrameMeta;
use serde::{Deserialize, Serialize};

/// How far two numbers may differ and still be the same setting: files round their marks.
const SAME: f64 = 0.03;

/// Camera, lens and exposure of a frame, as far as the file tells; impossible numbers (an exposure of 0 s, the
/// f-number 0 of an adapted lens) count as not told.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Setting {
    pub(super) camera: Option<String>,
    pub(super) lens: Option<String>,
    pub(super) focal_mm: Option<f64>,
    pub(super) f_number: Option<f64>,
    pub(super) iso: Option<f64>,
    pub(super) exposure_s: Option<f64>,
}

impl Setting {
    pub(super) fn of(meta: &FrameMeta) -> Self {
        let possible = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
        let word = |v: &Option<String>| {
            v.as_deref()
                .map(str::trim)
                .filter(|w| !w.is_empty())
                .map(str::to_owned)
        };
        let camera = match (word(&meta.model), word(&meta.serial)) {
            (Some(model), Some(serial)) => Some(format!("{model} {serial}")),
            (model, _) => model,
        };
        Self {
            camera,
            lens: word(&meta.lens),
            focal_mm: possible(meta.focal_mm),
            f_number: possible(meta.f_number),
            iso: possible(meta.iso),
            exposure_s: possible(meta.exposure_s),
        }
    }

    pub(super) fn same_camera(&self, other: &Self) -> bool {
        alike(&self.camera, &other.camera)
    }

    pub(super) fn same_iso(&self, other: &Self) -> bool {
        near(self.iso, other.iso)
    }

    pub(super) fn same_exposure(&self, other: &Self) -> bool {
        near(self.exposure_s, other.exposure_s)
    }

    /// Whether the picture is drawn the same way: lens and focal length.
    pub(super) fn same_view(&self, other: &Self) -> bool {
        alike(&self.lens, &other.lens)
            && (self.focal_mm.is_none() || other.focal_mm.is_none() || near(self.focal_mm, other.focal_mm))
    }

    /// As “50 mm, the lens's name”.
    pub(super) fn view_words(&self) -> String {
        let focal = self.focal_mm.map(|f| format!("{} mm", trimmed(f)));
        words([focal, self.lens.clone(), None], "a lens not told")
    }

    /// Whether the light came the same way: what a flat has to share.
    pub(super) fn same_optics(&self, other: &Self) -> bool {
        self.same_camera(other)
            && alike(&self.lens, &other.lens)
            && near(self.focal_mm, other.focal_mm)
            && near(self.f_number, other.f_number)
    }

    /// Whether it is the same in all.
    pub(super) fn same(&self, other: &Self) -> bool {
        self.same_optics(other) && self.same_iso(other) && self.same_exposure(other)
    }

    /// How far another is, in stops and doublings, for naming the nearest.
    pub(super) fn away(&self, other: &Self) -> f64 {
        let ratio = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => (a / b).log2().abs(),
            (None, None) => 0.0,
            _ => 3.0,
        };
        let words = |a: &Option<String>, b: &Option<String>| if alike(a, b) { 0.0 } else { 10.0 };
        words(&self.camera, &other.camera)
            + words(&self.lens, &other.lens)
            + ratio(self.focal_mm, other.focal_mm)
            + ratio(self.f_number, other.f_number)
            + ratio(self.iso, other.iso)
            + ratio(self.exposure_s, other.exposure_s)
    }

    /// As “60 s, f/2.8, ISO 1600”; what is not told is left out.
    pub(super) fn exposure_words(&self) -> String {
        let parts = [
            self.exposure_s.map(seconds),
            self.f_number.map(|n| format!("f/{}", trimmed(n))),
            self.iso.map(|v| format!("ISO {}", trimmed(v))),
        ];
        words(parts, "an exposure not told")
    }

    /// As “60 s, ISO 1600”: what darks go by.
    pub(super) fn dark_words(&self) -> String {
        let parts = [
            self.exposure_s.map(seconds),
            self.iso.map(|v| format!("ISO {}", trimmed(v))),
            None,
        ];
        words(parts, "an exposure not told")
    }

    /// As “24 mm, f/2.8”: what flats go by.
    pub(super) fn optics_words(&self) -> String {
        let parts = [
            self.focal_mm.map(|f| format!("{} mm", trimmed(f))),
            self.f_number.map(|n| format!("f/{}", trimmed(n))),
            self.lens.clone(),
        ];
        words(parts, "a lens not told")
    }
}

fn words(parts: [Option<String>; 3], untold: &str) -> String {
    let told: Vec<String> = parts.into_iter().flatten().collect();
    if told.is_empty() {
        untold.into()
    } else {
        told.join(", ")
    }
}

/// Seconds as a camera writes them.
fn seconds(t: f64) -> String {
    if t < 0.3 {
        format!("1/{:.0} s", 1.0 / t)
    } else {
        format!("{} s", trimmed(t))
    }
}

fn trimmed(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").unwrap_or(&text).to_owned()
}

/// Words that one of two does not tell speak against nothing.
fn alike(a: &Option<String>, b: &Option<String>) -> bool {
    a.is_none() || b.is_none() || a == b
}

pub(super) fn near(a: Option<f64>, b: Option<f64>) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME * a.abs().max(b.abs()),
        (None, None) => true,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn settings_count_as_the_same_within_three_per_cent() {
        assert!(near(Some(90.0), Some(91.0)) && !near(Some(90.0), Some(120.0)));
        assert!(near(None, None) && !near(None, Some(1.0)));
    }

    #[test]
    fn impossible_numbers_are_not_told() {
        let meta = FrameMeta {
            exposure_s: Some(0.0),
            f_number: Some(0.0),
            iso: Some(1600.0),
            ..FrameMeta::default()
        };
        let setting = Setting::of(&meta);
        assert_eq!((setting.exposure_s, setting.f_number), (None, None));
        assert_eq!(setting.exposure_words(), "ISO 1600");
    }

    #[test]
    fn words_are_those_of_a_camera() {
        let meta = FrameMeta {
            exposure_s: Some(0.004),
            f_number: Some(2.8),
            iso: Some(800.0),
            focal_mm: Some(24.0),
            ..FrameMeta::default()
        };
        assert_eq!(Setting::of(&meta).exposure_words(), "1/250 s, f/2.8, ISO 800");
        assert_eq!(Setting::of(&meta).optics_words(), "24 mm, f/2.8");
    }
}
