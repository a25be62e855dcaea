//! One layer over another in display values.

use nightloom_raster::write::to_u16;

/// The land's pixel that makes `picture` over `sky`. Land and sky were joined in light, where light adds up; laid over each
/// other in display values, the soft edge would come out darker. So its colour is the one that comes out right, and where no
/// colour does, it is made as opaque as one needs.
pub(super) fn over(sky: [u16; 3], picture: [u16; 3], land: [u16; 3], opacity: f32) -> [u16; 4] {
    const ONE: f64 = 65535.0;
    let pairs = || {
        sky.into_iter()
            .zip(picture)
            .map(|(s, p)| (f64::from(s), f64::from(p)))
    };
    let least = pairs().map(|(s, p)| {
        let room = if p > s { ONE - s } else { s };
        if p == s { 0.0 } else { (p - s).abs() / room }
    });
    let needed = (least.fold(0.0, f64::max) * ONE).ceil() as u16;
    let opaque = to_u16(opacity).max(needed);
    if opaque == 0 || opaque == u16::MAX {
        let [r, g, b] = if opaque == 0 { land } else { picture };
        return [r, g, b, opaque];
    }
    let share = f64::from(opaque) / ONE;
    let mut own = pairs().map(|(s, p)| (s + (p - s) / share).round().clamp(0.0, ONE) as u16);
    let mut next = || own.next().unwrap_or_default();
    [next(), next(), next(), opaque]
}
