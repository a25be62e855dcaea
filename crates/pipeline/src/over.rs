//! The pixel of an upper layer that makes a picture when it is laid over a lower one plainly.

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

#[cfg(test)]
mod tests {
    use super::*;

    /// Source over destination with straight alpha (Compositing and Blending Level 1, W3C 2015, section 5.1).
    fn laid_over(below: [u16; 3], [r, g, b, a]: [u16; 4]) -> [f64; 3] {
        let a = f64::from(a) / 65535.0;
        let mut own = [r, g, b].into_iter().zip(below);
        std::array::from_fn(|_| {
            let (top, below) = own.next().unwrap_or_default();
            f64::from(top) * a + f64::from(below) * (1.0 - a)
        })
    }

    #[test]
    fn land_over_sky_is_the_picture() {
        let mut random = nightloom_fit::Random::new(7);
        let mut worst = 0f64;
        for _ in 0..200_000 {
            let mut colour = || [(); 3].map(|()| (random.uniform().powi(3) * 65535.0) as u16);
            let (sky, land, picture) = (colour(), colour(), colour());
            let opacity = (random.uniform() * 1.2 - 0.1).clamp(0.0, 1.0) as f32;
            // Any picture at all, even one that lies outside of land and sky.
            let found = laid_over(sky, over(sky, picture, land, opacity));
            let off = found
                .into_iter()
                .zip(picture)
                .map(|(f, p)| (f - f64::from(p)).abs());
            worst = worst.max(off.fold(0.0, f64::max));
        }
        assert!(worst <= 1.0, "{worst} levels of 65535");
    }

    #[test]
    fn land_alone_and_sky_alone_are_as_they_are() {
        let (sky, land) = ([1000, 2000, 3000], [500, 400, 300]);
        assert_eq!(over(sky, land, land, 1.0), [500, 400, 300, 65535]);
        assert_eq!(over(sky, sky, land, 0.0), [500, 400, 300, 0]);
    }
}
