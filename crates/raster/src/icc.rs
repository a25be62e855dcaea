//! ICC profiles of the spaces we write, built from their definitions (ICC.1:2010, profile version
//! 4.3; ISO 15076-1). Each is a matrix and curve profile of under a kilobyte, the same bytes always.

use crate::colour::{D50_XYZ, D65_XY, Matrix, REC2020_XY, SRGB_XY, bradford, product, rgb_to_xyz, xy_to_xyz};

/// Rec. 2020 primaries with the sRGB curve: for finished pictures.
pub fn rec2020_srgb_curve() -> Vec<u8> {
    rgb_profile("Nightloom Rec. 2020 with sRGB curve", REC2020_XY, Curve::Srgb)
}

/// sRGB: for previews.
pub fn srgb() -> Vec<u8> {
    rgb_profile("Nightloom sRGB", SRGB_XY, Curve::Srgb)
}

/// One linear channel: for mattes and coverage.
pub fn grey_linear() -> Vec<u8> {
    let mut tags = common_tags("Nightloom grey linear");
    tags.push((*b"kTRC", curve(Curve::Linear)));
    assemble(*b"GRAY", &tags)
}

#[derive(Clone, Copy)]
enum Curve {
    Linear,
    Srgb,
}

type Tag = ([u8; 4], Vec<u8>);

/// Bytes before the tag table (7.2).
const HEADER_BYTES: usize = 128;

fn rgb_profile(name: &str, primaries: [[f64; 2]; 3], transfer: Curve) -> Vec<u8> {
    let to_d50 = bradford(xy_to_xyz(D65_XY), D50_XYZ);
    let colorants = product(&to_d50, &rgb_to_xyz(primaries, D65_XY));
    let mut tags = common_tags(name);
    tags.push((*b"chad", chad(&to_d50)));
    for (column, signature) in [*b"rXYZ", *b"gXYZ", *b"bXYZ"].into_iter().enumerate() {
        tags.push((signature, xyz(colorants.map(|row| row[column]))));
    }
    for signature in [*b"rTRC", *b"gTRC", *b"bTRC"] {
        tags.push((signature, curve(transfer)));
    }
    assemble(*b"RGB ", &tags)
}

fn common_tags(name: &str) -> Vec<Tag> {
    vec![
        (*b"desc", localised(name)),
        (*b"cprt", localised("No copyright, use freely")),
        (*b"wtpt", xyz(D50_XYZ)),
    ]
}

/// Header (7.2), tag table (7.3), tags; equal tags share their bytes.
fn assemble(space: [u8; 4], tags: &[Tag]) -> Vec<u8> {
    let mut table = (tags.len() as u32).to_be_bytes().to_vec();
    let mut data: Vec<u8> = Vec::new();
    let start = HEADER_BYTES + 4 + 12 * tags.len();
    let mut placed: Vec<(&[u8], usize)> = Vec::new();
    for (signature, bytes) in tags {
        let known = placed.iter().find(|(b, _)| b == bytes).map(|&(_, at)| at);
        let at = known.unwrap_or(start + data.len());
        if known.is_none() {
            data.extend(bytes);
            data.resize(data.len().next_multiple_of(4), 0);
            placed.push((bytes, at));
        }
        table.extend(signature);
        table.extend((at as u32).to_be_bytes());
        table.extend((bytes.len() as u32).to_be_bytes());
    }
    let mut profile = header(space, start + data.len());
    profile.extend(table);
    profile.extend(data);
    profile
}

fn header(space: [u8; 4], size: usize) -> Vec<u8> {
    let mut h = vec![0; HEADER_BYTES];
    let mut put = |at: usize, bytes: &[u8]| h[at..at + bytes.len()].copy_from_slice(bytes);
    put(0, &(size as u32).to_be_bytes());
    put(8, &[4, 0x30, 0, 0]); // version 4.3
    put(12, b"mntr");
    put(16, &space);
    put(20, b"XYZ ");
    for (i, part) in [2026_u16, 1, 1, 0, 0, 0].into_iter().enumerate() {
        put(24 + 2 * i, &part.to_be_bytes());
    }
    put(36, b"acsp");
    put(67, &[1]); // media-relative colorimetric
    for (i, v) in D50_XYZ.into_iter().enumerate() {
        put(68 + 4 * i, &fixed(v));
    }
    h
}

/// s15Fixed16Number (4.6).
fn fixed(value: f64) -> [u8; 4] {
    ((value * 65536.0).round() as i32).to_be_bytes()
}

/// XYZType (10.31).
fn xyz(value: [f64; 3]) -> Vec<u8> {
    let mut tag = b"XYZ \0\0\0\0".to_vec();
    tag.extend(value.into_iter().flat_map(fixed));
    tag
}

/// The adaptation that was made, as s15Fixed16ArrayType (9.2.15, 10.18).
fn chad(matrix: &Matrix) -> Vec<u8> {
    let mut tag = b"sf32\0\0\0\0".to_vec();
    tag.extend(matrix.iter().flatten().flat_map(|&v| fixed(v)));
    tag
}

/// curveType without entries is the identity (10.5); the sRGB curve is function type 3 of
/// parametricCurveType (10.15) with the numbers of IEC 61966-2-1.
fn curve(curve: Curve) -> Vec<u8> {
    match curve {
        Curve::Linear => b"curv\0\0\0\0\0\0\0\0".to_vec(),
        Curve::Srgb => {
            let mut tag = b"para\0\0\0\0\0\x03\0\0".to_vec();
            let numbers = [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.040_45];
            tag.extend(numbers.into_iter().flat_map(fixed));
            tag
        }
    }
}

/// multiLocalizedUnicodeType with one English record (10.13).
fn localised(text: &str) -> Vec<u8> {
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let mut tag = b"mluc\0\0\0\0\0\0\0\x01\0\0\0\x0cenUS".to_vec();
    tag.extend((utf16.len() as u32).to_be_bytes());
    tag.extend(28_u32.to_be_bytes());
    tag.extend(utf16);
    tag
}
