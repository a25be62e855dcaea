//! The mapping opcodes of DNG's second list (Adobe, DNG 1.4, chapter 7: MapTable, MapPolynomial).
//! Lossy DNGs store their values through such a curve; without it they are not linear. The other
//! opcodes (gain maps, lens corrections) are left alone.

const MAP_TABLE: u32 = 7;
const MAP_POLYNOMIAL: u32 = 8;
/// More than any writer emits.
const MAX_OPCODES: u32 = 64;

enum Map {
    Table(Vec<f32>),
    Polynomial(Vec<f64>),
}

impl Map {
    fn value(&self, v: f32) -> f32 {
        match self {
            Self::Table(t) => {
                let last = t.len().saturating_sub(1);
                t.get(((v.clamp(0.0, 1.0) * 65535.0).round() as usize).min(last))
                    .copied()
                    .unwrap_or(v)
            }
            Self::Polynomial(c) => c.iter().rev().fold(0.0, |sum, k| sum * f64::from(v) + k) as f32,
        }
    }
}

/// One opcode: where it works and what it does.
pub(crate) struct Opcode {
    /// Top, left, bottom, right.
    area: [usize; 4],
    planes: std::ops::Range<usize>,
    pitch: [usize; 2],
    map: Map,
}

/// The mapping opcodes of a list, in order. What is malformed ends the list.
pub(crate) fn read(list: &[u8]) -> Vec<Opcode> {
    let mut words = Words { data: list, at: 0 };
    let count = words.u32().unwrap_or(0).min(MAX_OPCODES);
    let mut opcodes = Vec::new();
    for _ in 0..count {
        let (Some(id), Some(_version), Some(_flags), Some(size)) =
            (words.u32(), words.u32(), words.u32(), words.u32())
        else {
            break;
        };
        let Some(body) = words.take(size as usize) else {
            break;
        };
        if matches!(id, MAP_TABLE | MAP_POLYNOMIAL) {
            opcodes.extend(opcode(id, body));
        }
    }
    opcodes
}

fn opcode(id: u32, body: &[u8]) -> Option<Opcode> {
    let mut words = Words { data: body, at: 0 };
    let mut word = || words.u32().map(|v| v as usize);
    let area = [word()?, word()?, word()?, word()?];
    let (plane, planes) = (word()?, word()?);
    let pitch = [word()?.max(1), word()?.max(1)];
    let count = word()?;
    let map = if id == MAP_TABLE {
        let entry = |b: &[u8]| f32::from(u16::from_be_bytes([b[0], b[1]])) / 65535.0;
        Map::Table(
            words
                .take(count.checked_mul(2)?)?
                .chunks_exact(2)
                .map(entry)
                .collect(),
        )
    } else {
        let bytes = words.take(count.checked_add(1)?.checked_mul(8)?)?;
        let coefficient = |b: &[u8]| Some(f64::from_be_bytes(b.try_into().ok()?));
        Map::Polynomial(bytes.chunks_exact(8).map(coefficient).collect::<Option<_>>()?)
    };
    Some(Opcode {
        area,
        planes: plane..plane.saturating_add(planes),
        pitch,
        map,
    })
}

/// Applies the opcodes to normalised values (0 no light, 1 saturation), channels interleaved.
pub(crate) fn apply(opcodes: &[Opcode], values: &mut [f32], width: usize, channels: usize) {
    for opcode in opcodes {
        let [top, left, bottom, right] = opcode.area;
        let end = opcode.planes.end.min(channels);
        let planes = opcode.planes.start.min(end)..end;
        let rows = values.chunks_exact_mut((width * channels).max(1)).enumerate();
        for (_, row) in rows.filter(|(y, _)| (top..bottom).contains(y) && (y - top) % opcode.pitch[0] == 0) {
            for x in (left..right.min(width)).step_by(opcode.pitch[1]) {
                for value in &mut row[x * channels..][planes.clone()] {
                    *value = opcode.map.value(*value).clamp(0.0, 1.0);
                }
            }
        }
    }
}

struct Words<'a> {
    data: &'a [u8],
    at: usize,
}

impl<'a> Words<'a> {
    fn take(&mut self, count: usize) -> Option<&'a [u8]> {
        let end = self.at.checked_add(count)?;
        let taken = self.data.get(self.at..end)?;
        self.at = end;
        Some(taken)
    }
    fn u32(&mut self) -> Option<u32> {
        Some(u32::from_be_bytes(self.take(4)?.try_into().ok()?))
    }
}
