//! Parallaxes of the near stars of the catalogue.

use crate::Angle;

/// Made by `data/make_parallaxes.py`, which describes the format.
static BYTES: &[u8] = include_bytes!("../../data/parallaxes.bin");
const RECORD: usize = 8;

/// The parallax of a star by its Hipparcos number; 0 for all below 0.02″, which are not held.
pub(super) fn parallax(hip: u32) -> Angle {
    let records = BYTES.as_chunks::<RECORD>().0;
    let number = |r: &[u8; RECORD]| u32::from_le_bytes([r[0], r[1], r[2], r[3]]);
    records
        .binary_search_by_key(&hip, number)
        .map_or(Angle::default(), |at| {
            let r = &records[at];
            Angle::from_arcsec(f64::from(u32::from_le_bytes([r[4], r[5], r[6], r[7]])) * 1e-5)
        })
}
