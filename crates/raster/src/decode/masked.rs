//! Black told by the sensor's masked border, where a file names that and no level (DNG 1.4, `MaskedAreas`).

use rawler::formats::tiff::{IFD, Value};

/// `BlackLevel` and `MaskedAreas`.
const BLACK: u16 = 50714;
const MASKED: u16 = 50830;
/// Fewer masked pixels of a place in the cell tell nothing.
const LEAST: usize = 64;

/// The medians of the masked pixels, by place in the cell of `side` pixels that starts at `corner`; `None` where a level is
/// told or the areas do not tell one.
pub(super) fn black(
    ifd: &IFD,
    (data, width): (&[u16], usize),
    corner: [usize; 2],
    side: usize,
) -> Option<Vec<f32>> {
    if ifd.entries().contains_key(&BLACK) || width == 0 {
        return None;
    }
    let areas: Vec<usize> = match &ifd.entries().get(&MASKED)?.value {
        Value::Short(v) => v.iter().map(|v| usize::from(*v)).collect(),
        Value::Long(v) => v.iter().map(|v| *v as usize).collect(),
        _ => return None,
    };
    let mut values = vec![Vec::new(); side * side];
    let from = |at: usize, start: usize| (at + side - start % side) % side;
    for [top, left, bottom, right] in areas.as_chunks::<4>().0 {
        for y in *top..(*bottom).min(data.len() / width) {
            for x in *left..(*right).min(width) {
                let place = from(y, corner[1]) * side + from(x, corner[0]);
                values[place].push(f32::from(data[y * width + x]));
            }
        }
    }
    let level = |of: &mut Vec<f32>| nightloom_fit::median(of).filter(|_| of.len() >= LEAST);
    values.iter_mut().map(level).collect()
}
