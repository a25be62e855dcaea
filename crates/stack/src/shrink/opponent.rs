//! Luminance and two colour differences, in which noise that the eye forgives is parted from noise that it sees.

use nightloom_raster::Rgb;

use super::starlet::Patch;

/// Luminance, red over blue, green over both.
pub(super) const COLOURS: usize = 3;

/// The picture's part [left, top, right, bottom), right and bottom excluded; what is not finite counts as 0.
pub(super) fn opponents(picture: &Rgb, [left, top, right, bottom]: [usize; 4]) -> [Patch; COLOURS] {
    let rows = picture.planes().each_ref().map(|plane| {
        let row = |y: usize| plane.row(y)[left..right].iter().copied();
        (top..bottom)
            .flat_map(row)
            .map(|v| if v.is_finite() { v } else { 0.0 })
            .collect::<Vec<f32>>()
    });
    parted(rows, right - left)
}

/// Of three planes `width` pixels wide.
pub(super) fn parted([red, green, blue]: [Vec<f32>; 3], width: usize) -> [Patch; COLOURS] {
    let mut out = [red, green, blue];
    let [r, g, b] = &mut out;
    for ((r, g), b) in r.iter_mut().zip(g.iter_mut()).zip(b.iter_mut()) {
        let (red, green, blue) = (*r, *g, *b);
        (*r, *g, *b) = ((red + green + blue) / 3.0, red - blue, green - 0.5 * (red + blue));
    }
    out.map(|values| Patch::of(width, values))
}

/// Red, green and blue again.
pub(super) fn joined([light, red_blue, green]: [f32; COLOURS]) -> [f32; 3] {
    let g = light + 2.0 / 3.0 * green;
    let both = 3.0 * light - g;
    [0.5 * (both + red_blue), g, 0.5 * (both - red_blue)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back() {
        let [a, b, c] = parted([vec![0.3], vec![0.5], vec![0.1]], 1);
        let back = joined([a.values[0], b.values[0], c.values[0]]);
        let far = back.iter().zip([0.3, 0.5, 0.1]).map(|(v, e)| (v - e).abs());
        assert!(far.fold(0.0, f32::max) < 1e-6, "{back:?}");
    }
}
