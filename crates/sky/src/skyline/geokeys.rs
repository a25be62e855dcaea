//! The few GeoTIFF keys that place a grid of heights.

use std::io::{Read, Seek};

use tiff::decoder::Decoder;
use tiff::tags::Tag;

use super::tile::Frame;
use super::utm::Utm;

/// Keys of OGC 19-008r4, annex D.
const MODEL_TYPE: u16 = 1024;
const RASTER_TYPE: u16 = 1025;
const GEODETIC_CRS: u16 = 2048;
const ANGULAR_UNITS: u16 = 2054;
const PROJECTED_CRS: u16 = 3072;
const PROJECTION: u16 = 3074;
const LINEAR_UNITS: u16 = 3076;
const VERTICAL_UNITS: u16 = 4099;
/// “Described by other keys.”
const USER_DEFINED: u16 = 32_767;

/// Geographic systems within about two metres of WGS 84 (EPSG): WGS 84, NAD83 and its later
/// realisations, ETRS89, GDA94 and 2020, NZGD2000, SIRGAS 2000, Hartebeesthoek94, JGD2000 and 2011.
const NEAR_WGS84: [u16; 17] = [
    4326, 4979, 4269, 4152, 4617, 4759, 6318, 4258, 4937, 4283, 7844, 4167, 4674, 4148, 4612, 6668, 4189,
];

/// Projected systems that are UTM on such a system (EPSG): first and last code, zone of the first, southern.
const UTM_CODES: [(u16, u16, u8, bool); 18] = [
    (32_601, 32_660, 1, false),
    (32_701, 32_760, 1, true),
    // NAD83, and 2007, 2011, CSRS.
    (26_901, 26_923, 1, false),
    (3372, 3373, 59, false),
    (3717, 3726, 10, false),
    (6328, 6329, 59, false),
    (6330, 6348, 1, false),
    (22_207, 22_222, 7, false),
    (22_307, 22_322, 7, false),
    (22_407, 22_422, 7, false),
    (22_607, 22_622, 7, false),
    (22_707, 22_722, 7, false),
    (22_807, 22_822, 7, false),
    // ETRS89.
    (25_828, 25_838, 28, false),
    // GDA94 and GDA2020, SIRGAS 2000 in the south, JGD2011.
    (28_348, 28_358, 48, true),
    (7846, 7859, 46, true),
    (31_977, 31_985, 17, true),
    (6688, 6692, 51, false),
];

/// What was found where something else was expected.
#[derive(Debug)]
pub(super) struct Ways {
    pub(super) what: String,
    pub(super) expected: &'static str,
}

/// The keys that are short numbers, in the file's order.
#[derive(Debug, Default)]
pub(super) struct Keys(Vec<(u16, u16)>);

impl Keys {
    /// From the key directory; empty where there is none.
    pub(super) fn read<R: Read + Seek>(decoder: &mut Decoder<R>) -> Self {
        let directory = decoder.get_tag_u16_vec(Tag::GeoKeyDirectoryTag);
        let directory = directory.unwrap_or_default();
        let entries = directory.get(4..).unwrap_or_default().as_chunks::<4>().0;
        // A key whose value stands in another tag is a name or a parameter, which none of ours is.
        let short = entries.iter().filter(|e| e[1] == 0).map(|e| (e[0], e[3]));
        Self(short.collect())
    }

    fn get(&self, key: u16) -> Option<u16> {
        self.0.iter().find(|(k, _)| *k == key).map(|(_, v)| *v)
    }

    /// Whether a pixel's number holds at a point, not for its area.
    pub(super) fn pixel_is_point(&self) -> bool {
        self.get(RASTER_TYPE) == Some(2)
    }

    /// What the grid's coordinates are.
    pub(super) fn frame(&self) -> Result<Frame, Ways> {
        match self.get(MODEL_TYPE) {
            Some(2) => self.geographic(),
            Some(1) => self.projected(),
            other => Err(Ways {
                what: match other {
                    Some(n) => format!("its coordinates are of kind {n}"),
                    None => "it does not say what its coordinates are".into(),
                },
                expected: "longitude and latitude, or UTM",
            }),
        }
    }

    fn geographic(&self) -> Result<Frame, Ways> {
        let system = self.get(GEODETIC_CRS).unwrap_or(USER_DEFINED);
        if system != USER_DEFINED && !NEAR_WGS84.contains(&system) {
            return Err(Ways {
                what: format!("its longitudes and latitudes are of system EPSG:{system}"),
                expected: "EPSG:4326 or one within metres of it",
            });
        }
        match self.get(ANGULAR_UNITS) {
            None | Some(9102 | 9122) => Ok(Frame::Geographic),
            Some(unit) => Err(Ways {
                what: format!("its angles are in unit EPSG:{unit}"),
                expected: "degrees",
            }),
        }
    }

    fn projected(&self) -> Result<Frame, Ways> {
        let system = self.get(PROJECTED_CRS).unwrap_or(USER_DEFINED);
        let utm = if system == USER_DEFINED {
            self.described()
        } else {
            utm(system)
        };
        let utm = utm.ok_or_else(|| Ways {
            what: match system {
                USER_DEFINED => "its map projection is one of its own".into(),
                code => format!("its map projection is EPSG:{code}"),
            },
            expected: "UTM on WGS 84, or on a system within metres of it",
        })?;
        match self.get(LINEAR_UNITS) {
            None | Some(9001) => Ok(Frame::Utm(utm)),
            Some(unit) => Err(Ways {
                what: format!("its coordinates are in unit EPSG:{unit}"),
                expected: "metres",
            }),
        }
    }

    /// UTM spelt out: the projection's own code is 16000 + zone, in the south 16100 + zone.
    fn described(&self) -> Option<Utm> {
        let geodetic = self.get(GEODETIC_CRS)?;
        let code = self.get(PROJECTION)?.checked_sub(16_000)?;
        let zone = u8::try_from(code % 100).ok()?;
        (NEAR_WGS84.contains(&geodetic) && code < 200).then(|| Utm::new(zone, code >= 100))?
    }

    /// What heights are multiplied by.
    pub(super) fn metres_per_height(&self) -> Result<f32, Ways> {
        match self.get(VERTICAL_UNITS) {
            // 0 is “undefined”, which everybody writes for metres.
            None | Some(0 | 9001 | USER_DEFINED) => Ok(1.0),
            Some(9002) => Ok(0.3048),
            Some(9003) => Ok(1200.0 / 3937.0),
            Some(unit) => Err(Ways {
                what: format!("its heights are in unit EPSG:{unit}"),
                expected: "metres or feet",
            }),
        }
    }
}

/// The zone of an EPSG code.
fn utm(code: u16) -> Option<Utm> {
    let range = UTM_CODES
        .iter()
        .find(|(first, last, ..)| (*first..=*last).contains(&code));
    let &(first, _, zone, south) = range?;
    Utm::new(zone + u8::try_from(code - first).ok()?, south)
}
