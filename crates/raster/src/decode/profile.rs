//! What an ICC matrix profile (ICC.1:2022) says: the tone curve and the primaries.

use super::camera_colour::{SRGB_TO_WORKING, profile_to_working};
use crate::CameraColour;

/// From encoded to linear values, both 0 to 1.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(crate) enum Curve {
    Linear,
    /// ICC.1:2022, 10.18, function type 4: Y = (aX + b)^g + e for X ≥ d, cX + f below.
    Parametric {
        g: f32,
        a: f32,
        b: f32,
        c: f32,
        d: f32,
        e: f32,
        f: f32,
    },
    /// Evenly spaced samples.
    Table(Vec<f32>),
}

impl Curve {
    /// IEC 61966-2-1:1999, 5.2.
    pub(crate) const SRGB: Self = Self::Parametric {
        g: 2.4,
        a: 1.0 / 1.055,
        b: 0.055 / 1.055,
        c: 1.0 / 12.92,
        d: 0.04045,
        e: 0.0,
        f: 0.0,
    };

    pub(crate) fn gamma(g: f32) -> Self {
        if g == 1.0 {
            Self::Linear
        } else {
            Self::Parametric {
                g,
                a: 1.0,
                b: 0.0,
                c: 0.0,
                d: 0.0,
                e: 0.0,
                f: 0.0,
            }
        }
    }

    /// The linear value of an encoded one; values below 0 and above 1 are taken as far as the
    /// curve is defined there.
    pub(crate) fn linear(&self, v: f32) -> f32 {
        match self {
            Self::Linear => v,
            Self::Parametric { g, a, b, c, d, e, f } => {
                if v >= *d {
                    (a * v + b).max(0.0).powf(*g) + e
                } else {
                    c * v + f
                }
            }
            Self::Table(t) => {
                let last = t.len().saturating_sub(1);
                let at = v.clamp(0.0, 1.0) * last as f32;
                let low = (at as usize).min(last);
                let high = (low + 1).min(last);
                let (a, b) = (
                    t.get(low).copied().unwrap_or(0.0),
                    t.get(high).copied().unwrap_or(0.0),
                );
                a + (b - a) * (at - low as f32)
            }
        }
    }
}

/// Colour of a file without a usable profile: sRGB.
pub(crate) fn srgb() -> (Curve, CameraColour) {
    (
        Curve::SRGB,
        CameraColour {
            white_balance: [1.0; 3],
            to_working: SRGB_TO_WORKING,
        },
    )
}

/// The curve (of the green or grey channel) and the matrix to the working space. Nothing for
/// profiles that are not of the matrix or grey kind, or are damaged.
pub(crate) fn read(profile: &[u8]) -> Option<(Curve, CameraColour)> {
    let (_, fallback) = srgb();
    match profile.get(16..20)? {
        b"RGB " => {
            let columns = [
                xyz(tag(profile, b"rXYZ")?)?,
                xyz(tag(profile, b"gXYZ")?)?,
                xyz(tag(profile, b"bXYZ")?)?,
            ];
            let to_xyz = [0, 1, 2].map(|i| [0, 1, 2].map(|j| columns[j][i]));
            let colour = CameraColour {
                white_balance: [1.0; 3],
                to_working: profile_to_working(&to_xyz),
            };
            Some((curve(tag(profile, b"gTRC")?)?, colour))
        }
        b"GRAY" => Some((curve(tag(profile, b"kTRC")?)?, fallback)),
        _ => None,
    }
}

fn word(data: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(
        data.get(at..at.checked_add(4)?)?.try_into().ok()?,
    ))
}

fn fixed(data: &[u8], at: usize) -> Option<f64> {
    Some(f64::from(word(data, at)? as i32) / 65536.0)
}

fn tag<'a>(profile: &'a [u8], name: &[u8; 4]) -> Option<&'a [u8]> {
    let count = word(profile, 128)?.min(100) as usize;
    (0..count).map(|i| 132 + 12 * i).find_map(|at| {
        if profile.get(at..at + 4)? != name {
            return None;
        }
        let start = word(profile, at + 4)? as usize;
        profile.get(start..start.checked_add(word(profile, at + 8)? as usize)?)
    })
}

fn xyz(tag: &[u8]) -> Option<[f64; 3]> {
    (tag.get(..4)? == b"XYZ ").then_some(())?;
    Some([fixed(tag, 8)?, fixed(tag, 12)?, fixed(tag, 16)?])
}

fn curve(tag: &[u8]) -> Option<Curve> {
    match tag.get(..4)? {
        b"curv" => {
            let count = word(tag, 8)? as usize;
            let entry = |i: usize| {
                Some(u16::from_be_bytes(
                    tag.get(12 + 2 * i..14 + 2 * i)?.try_into().ok()?,
                ))
            };
            match count {
                0 => Some(Curve::Linear),
                1 => Some(Curve::gamma(f32::from(entry(0)?) / 256.0)),
                _ if count > 65536 => None,
                _ => (0..count)
                    .map(|i| Some(f32::from(entry(i)?) / 65535.0))
                    .collect::<Option<_>>()
                    .map(Curve::Table),
            }
        }
        b"para" => {
            let kind = u16::from_be_bytes(tag.get(8..10)?.try_into().ok()?);
            let p = |i: usize| Some(fixed(tag, 12 + 4 * i)? as f32);
            let g = p(0)?;
            let zero = (0.0, 0.0, 0.0, 0.0, 0.0);
            // a, b, then (c, d, e, f) of type 4; ICC.1:2022, table 68.
            let (a, b, (c, d, e, f, _)) = match kind {
                0 => return Some(Curve::gamma(g)),
                1 => (p(1)?, p(2)?, (0.0, -p(2)? / p(1)?, 0.0, 0.0, 0.0)),
                2 => (p(1)?, p(2)?, (0.0, -p(2)? / p(1)?, p(3)?, p(3)?, 0.0)),
                3 => (p(1)?, p(2)?, (p(3)?, p(4)?, 0.0, 0.0, 0.0)),
                4 => (p(1)?, p(2)?, (p(3)?, p(4)?, p(5)?, p(6)?, 0.0)),
                _ => (0.0, 0.0, zero),
            };
            let curve = Curve::Parametric { g, a, b, c, d, e, f };
            (a > 0.0 && [g, b, c, d, e, f].iter().all(|v| v.is_finite())).then_some(curve)
        }
        _ => None,
    }
}
