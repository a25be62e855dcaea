//! Lenses as the stars showed them, kept in a file, so that the next frame is identified sooner.

use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use nightloom_optics::Lens;
use nightloom_raster::FrameMeta;
use nightloom_raster::atomic::write_whole;
use nightloom_raster::read_text;
use nightloom_stars::BlindIdentification;
use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, value};

use nightloom_outing::{PROJECTIONS, real};

/// No file of lenses is larger, bytes.
const MOST_BYTES: u64 = 1 << 20;
/// A zoom's focal lengths that differ by no more than this part are one.
const SAME_FOCAL: f64 = 0.01;
const TABLE: &str = "lens";
const HEAD: &str =
    "# Lenses as the stars showed them; written by nightloom. A lens that is taken out is measured anew.\n\n";

/// Why a file of lenses cannot serve.
#[derive(Debug, thiserror::Error)]
pub enum LensesError {
    /// It cannot be read.
    #[error("{path}: the file of lenses cannot be read: {reason}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What stands in the way.
        reason: String,
    },
    /// It cannot be written.
    #[error("{path}: the file of lenses cannot be written: {reason}")]
    Unwritable {
        /// The file.
        path: PathBuf,
        /// What stands in the way.
        reason: String,
    },
    /// An entry is not what it should be.
    #[error("{path}: lens {number}: {key}: expected {expected}; correct it, or take the entry out")]
    Entry {
        /// The file.
        path: PathBuf,
        /// The entry, counted from 1.
        number: usize,
        /// The key.
        key: &'static str,
        /// What it may be.
        expected: &'static str,
    },
}

/// Which lens on which camera, as the files tell.
#[derive(Clone, Debug, PartialEq)]
struct Kind {
    camera: String,
    lens: String,
    focal_mm: Option<f64>,
    size_px: [usize; 2],
}

impl Kind {
    /// `None` where the file tells too little to know the lens by.
    fn of(meta: &FrameMeta, size_px: [usize; 2]) -> Option<Self> {
        let text = |t: &Option<String>| t.as_deref().unwrap_or_default().trim().to_owned();
        let camera = format!("{} {}", text(&meta.make), text(&meta.model))
            .trim()
            .to_owned();
        let lens = text(&meta.lens);
        let focal_mm = meta.focal_mm.filter(|mm| mm.is_finite() && *mm > 0.0);
        let told = !camera.is_empty() && (!lens.is_empty() || focal_mm.is_some());
        told.then_some(Self {
            camera,
            lens,
            focal_mm,
            size_px,
        })
    }

    fn is(&self, other: &Self) -> bool {
        let focal = match (self.focal_mm, other.focal_mm) {
            (Some(a), Some(b)) => (a / b - 1.0).abs() < SAME_FOCAL,
            (a, b) => a.is_none() && b.is_none(),
        };
        focal && self.camera == other.camera && self.lens == other.lens && self.size_px == other.size_px
    }
}

/// What the stars showed of one lens.
#[derive(Clone, Debug, PartialEq)]
struct Known {
    kind: Kind,
    lens: Lens,
    matched: usize,
    rms_px: f64,
}

/// A file of lenses.
#[derive(Clone, Debug)]
pub(crate) struct Lenses {
    path: PathBuf,
    list: Vec<Known>,
}

impl Lenses {
    /// Reads the file; one that is not there yet holds no lens.
    pub(crate) fn read(path: &Path) -> Result<Self, LensesError> {
        let unreadable = |reason: String| LensesError::Unreadable {
            path: path.into(),
            reason,
        };
        let text = match fs::metadata(path) {
            Ok(meta) if meta.len() > MOST_BYTES => {
                return Err(unreadable(
                    "it is larger than 1 MiB, so it is another file".into(),
                ));
            }
            Ok(_) => read_text(path).map_err(|e| unreadable(e.to_string()))?,
            Err(e) if e.kind() == ErrorKind::NotFound => String::new(),
            Err(e) => return Err(unreadable(e.to_string())),
        };
        Self::parse(&text, path)
    }

    fn parse(text: &str, path: &Path) -> Result<Self, LensesError> {
        let unreadable = |reason: String| LensesError::Unreadable {
            path: path.into(),
            reason,
        };
        let document = text
            .parse::<DocumentMut>()
            .map_err(|e| unreadable(e.message().to_owned()))?;
        let entries = match document.get(TABLE) {
            None => ArrayOfTables::new(),
            Some(item) => item
                .as_array_of_tables()
                .cloned()
                .ok_or_else(|| unreadable("expected entries headed [[lens]]".into()))?,
        };
        let list = entries
            .iter()
            .enumerate()
            .map(|(i, entry)| {
                known(entry).map_err(|(key, expected)| LensesError::Entry {
                    path: path.into(),
                    number: i + 1,
                    key,
                    expected,
                })
            })
            .collect::<Result<_, _>>()?;
        Ok(Self {
            path: path.into(),
            list,
        })
    }

    /// The lens that took a frame of this size, if it is known.
    pub(crate) fn find(&self, meta: &FrameMeta, size_px: [usize; 2]) -> Option<Lens> {
        let kind = Kind::of(meta, size_px)?;
        self.list.iter().find(|k| k.kind.is(&kind)).map(|k| k.lens)
    }

    /// Takes in what a frame showed and writes the file, if the frame tells of the lens better than what is known.
    /// Whether it did.
    pub(crate) fn learn(
        &mut self,
        meta: &FrameMeta,
        size_px: [usize; 2],
        found: &BlindIdentification,
    ) -> Result<bool, LensesError> {
        let Some(kind) = Kind::of(meta, size_px).filter(|_| !found.mirrored) else {
            return Ok(false);
        };
        self.take(Known {
            kind,
            lens: found.found.lens,
            matched: found.found.matches.len(),
            rms_px: found.found.rms_px,
        })
    }

    /// Takes one lens in, unless what is known of it rests on more stars. Whether it did.
    fn take(&mut self, fresh: Known) -> Result<bool, LensesError> {
        let unwritable = |e: std::io::Error| LensesError::Unwritable {
            path: self.path.clone(),
            reason: e.to_string(),
        };
        let folder = self.path.parent().unwrap_or(Path::new("."));
        let _turn = nightloom_outing::turn_to_write(folder).map_err(unwritable)?;
        // Another program may have learnt a lens meanwhile.
        self.list = Self::read(&self.path)?.list;
        match self.list.iter_mut().find(|k| k.kind.is(&fresh.kind)) {
            // A frame of more stars tells of more of the picture.
            Some(old) if old.matched >= fresh.matched => return Ok(false),
            Some(old) => *old = fresh,
            None => self.list.push(fresh),
        }
        self.write().map(|()| true)
    }

    fn text(&self) -> String {
        let mut entries = ArrayOfTables::new();
        entries.extend(self.list.iter().map(entry));
        let mut document = DocumentMut::new();
        document.insert(TABLE, Item::ArrayOfTables(entries));
        format!("{HEAD}{document}")
    }

    fn write(&self) -> Result<(), LensesError> {
        let text = self.text();
        write_whole(&self.path, |out| out.write_all(text.as_bytes())).map_err(|e| LensesError::Unwritable {
            path: self.path.clone(),
            reason: e.to_string(),
        })
    }
}

fn entry(known: &Known) -> Table {
    let mut table = Table::new();
    let [width, height] = known.kind.size_px.map(|n| n as i64);
    let name = PROJECTIONS.iter().find(|(_, p)| *p == known.lens.projection);
    table["camera"] = value(&known.kind.camera);
    table["name"] = value(&known.kind.lens);
    if let Some(mm) = known.kind.focal_mm {
        table["focal_mm"] = value(mm);
    }
    table["size_px"] = value(Array::from_iter([width, height]));
    table["projection"] = value(name.map_or("rectilinear", |(n, _)| n));
    table["focal_px"] = value(known.lens.focal_px);
    table["centre_px"] = value(Array::from_iter(known.lens.centre_px));
    table["radial"] = value(Array::from_iter(known.lens.radial));
    table["matched"] = value(known.matched as i64);
    table["rms_px"] = value(known.rms_px);
    table
}

type Fault = (&'static str, &'static str);

fn known(table: &Table) -> Result<Known, Fault> {
    let text = |key: &'static str| {
        table
            .get(key)
            .and_then(Item::as_str)
            .unwrap_or_default()
            .to_owned()
    };
    let size = numbers::<2>(table, "size_px", "two whole numbers above 0", |n| {
        (1.0..1e6).contains(&n)
    })?;
    let diagonal = size[0].hypot(size[1]);
    let focal_px = number(table, "focal_px", "a number of pixels that fits the size", |n| {
        n > 0.1 * diagonal && n < 100.0 * diagonal
    })?;
    let focal_mm = match table.get("focal_mm") {
        Some(_) => Some(number(
            table,
            "focal_mm",
            "a number of millimetres above 0",
            |n| n > 0.0,
        )?),
        None => None,
    };
    let projection = PROJECTIONS.iter().find(|(name, _)| *name == text("projection"));
    let (_, projection) = projection.ok_or((
        "projection",
        "rectilinear, equidistant, equisolid, stereographic or orthographic",
    ))?;
    Ok(Known {
        kind: Kind {
            camera: text("camera"),
            lens: text("name"),
            focal_mm,
            size_px: size.map(|n| n as usize),
        },
        lens: Lens {
            projection: *projection,
            focal_px,
            centre_px: numbers(table, "centre_px", "a place in the picture", |n| {
                n.abs() < 2.0 * diagonal
            })?,
            radial: numbers(table, "radial", "three numbers between -10 and 10", |n| {
                n.abs() < 10.0
            })?,
        },
        matched: number(table, "matched", "a whole number", |n| n >= 0.0)? as usize,
        rms_px: number(table, "rms_px", "a number of pixels", |n| n >= 0.0)?,
    })
}

fn number(
    table: &Table,
    key: &'static str,
    expected: &'static str,
    fits: impl Fn(f64) -> bool,
) -> Result<f64, Fault> {
    let found = table.get(key).and_then(Item::as_value).and_then(real);
    found.filter(|n| n.is_finite() && fits(*n)).ok_or((key, expected))
}

fn numbers<const N: usize>(
    table: &Table,
    key: &'static str,
    expected: &'static str,
    fits: impl Fn(f64) -> bool,
) -> Result<[f64; N], Fault> {
    let array = table.get(key).and_then(Item::as_array).ok_or((key, expected))?;
    let found: Vec<f64> = array
        .iter()
        .filter_map(real)
        .filter(|n| n.is_finite() && fits(*n))
        .collect();
    found.try_into().map_err(|_| (key, expected))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meta(lens: &str) -> FrameMeta {
        FrameMeta {
            model: Some("Body".into()),
            lens: Some(lens.into()),
            focal_mm: Some(24.0),
            ..FrameMeta::default()
        }
    }

    fn file(list: Vec<Known>) -> Lenses {
        Lenses {
            path: "lenses.toml".into(),
            list,
        }
    }

    fn read(text: &str) -> Result<Lenses, LensesError> {
        Lenses::parse(text, Path::new("lenses.toml"))
    }

    fn wide() -> Known {
        let mut lens = Lens::rectilinear(4010.3, 6000, 4000);
        lens.radial = [-0.03, 0.004, 0.0];
        Known {
            kind: Kind::of(&meta("Wide \"one\""), [6000, 4000]).unwrap(),
            lens,
            matched: 812,
            rms_px: 0.21,
        }
    }

    #[test]
    fn what_is_written_is_read_again_and_other_lenses_are_not_taken_for_it() {
        assert_eq!(read("").unwrap().list, []);
        let lenses = read(&file(vec![wide()]).text()).unwrap();
        assert_eq!(lenses.list, [wide()]);
        let found = |name: &str, size| lenses.find(&meta(name), size);
        assert_eq!(found("Wide \"one\"", [6000, 4000]), Some(wide().lens));
        assert_eq!(found("Wide two", [6000, 4000]), None);
        assert_eq!(found("Wide \"one\"", [3000, 2000]), None);
        let zoomed = FrameMeta {
            focal_mm: Some(28.0),
            ..meta("Wide \"one\"")
        };
        assert_eq!(lenses.find(&zoomed, [6000, 4000]), None);
        assert_eq!(lenses.find(&FrameMeta::default(), [6000, 4000]), None);
    }

    /// Each began with the file as it was before any of them wrote.
    #[test]
    fn four_at_once_keep_four_lenses() {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path().to_owned();
        let path = folder.join("lenses.toml");
        let names = ["one", "two", "three", "four"];
        let begun = names.map(|name| (name, Lenses::read(&path).unwrap()));
        std::thread::scope(|scope| {
            for (name, mut lenses) in begun {
                scope.spawn(move || {
                    let kind = Kind::of(&meta(name), [6000, 4000]).unwrap();
                    assert!(lenses.take(Known { kind, ..wide() }).unwrap(), "{name}");
                });
            }
        });
        let kept = Lenses::read(&path).unwrap();
        for name in names {
            assert!(kept.find(&meta(name), [6000, 4000]).is_some(), "{name} is lost");
        }
    }

    #[test]
    fn what_cannot_be_is_told_with_its_entry_and_key() {
        let good = file(vec![wide()]).text();
        for (from, to, key) in [
            ("4010.3", "40.1", "focal_px"),
            ("rectilinear", "round", "projection"),
            ("[6000, 4000]", "[6000]", "size_px"),
            ("-0.03", "\"much\"", "radial"),
        ] {
            assert!(good.contains(from), "{good}");
            let error = read(&good.replace(from, to)).unwrap_err().to_string();
            assert!(error.contains(&format!("lens 1: {key}: expected")), "{error}");
        }
        assert!(read("lens = 3\n").unwrap_err().to_string().contains("[[lens]]"));
    }
}
