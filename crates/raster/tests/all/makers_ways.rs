//! How makers write the same light: every way gives that light, or a sentence.
//!
//! Thirty ways of a DNG, each painted here tag by tag (DNG 1.4, TIFF 6.0, EXIF 2.31). What a whole outing makes of turned,
//! doubled and untimed frames is in the program's tests (`makers_ways` there).

use crate::decode_raw::{Directory, Undefined, rational, read, set};
use nightloom_raster::{Cfa, DecodeError, Frame, Pixels};
use tiff::encoder::SRational;

const W: usize = 72;
const H: usize = 60;
/// Numbers of a full well above black.
const SPAN: u16 = 1000;

/// Numbers above black, different in every pixel and colour, that all ways stand for.
fn light(x: usize, y: usize, colour: usize) -> u16 {
    (40 + (x * 7 + y * 13) % 211 + [0, 300, 150][colour]) as u16
}

/// What a way comes to.
enum Comes {
    /// The light, under filters.
    Mosaic(Cfa),
    /// Without filters: green's.
    Grey,
    /// With all colours.
    Rgb,
    /// A sentence that holds these words.
    Refused(&'static str),
}

/// A way: its name, the file's size, samples a pixel, the samples, what it comes to, and further checks.
struct Way {
    name: &'static str,
    size: (usize, usize),
    channels: u16,
    samples: Vec<u16>,
    tags: Box<dyn FnOnce(&mut Directory)>,
    comes: Comes,
    also: fn(&Frame),
}

fn samples(w: usize, h: usize, value: impl Fn(usize, usize) -> u16) -> Vec<u16> {
    (0..w * h).map(|i| value(i % w, i / w)).collect()
}

/// A Bayer frame whose black and white are `black` and `black + SPAN`.
fn bayer(name: &'static str, black: u16, tags: impl FnOnce(&mut Directory) + 'static) -> Way {
    Way {
        name,
        size: (W, H),
        channels: 1,
        samples: samples(W, H, |x, y| black + light(x, y, Cfa::RGGB.colour(x, y))),
        tags: Box::new(move |d| {
            if black > 0 {
                set(d, 50714, black);
            }
            set(d, 50717, u32::from(black + SPAN));
            tags(d);
        }),
        comes: Comes::Mosaic(Cfa::RGGB),
        also: |_| {},
    }
}

fn with(way: Way, also: fn(&Frame)) -> Way {
    Way { also, ..way }
}

fn filters(name: &'static str, cfa: Cfa) -> Way {
    Way {
        samples: samples(W, H, |x, y| 64 + light(x, y, cfa.colour(x, y))),
        comes: Comes::Mosaic(cfa),
        ..bayer(name, 64, move |d| {
            set(d, 33421, [cfa.side() as u16; 2]);
            set(d, 33422, cfa.cell());
        })
    }
}

fn refused(name: &'static str, words: &'static str, tags: impl FnOnce(&mut Directory) + 'static) -> Way {
    Way {
        comes: Comes::Refused(words),
        ..bayer(name, 64, tags)
    }
}

/// With a masked border of twelve columns and eight rows about 64, 70, 80 and 90 by place, and what the light stands on.
fn bordered(name: &'static str, black: [u16; 4], tags: impl FnOnce(&mut Directory) + 'static) -> Way {
    let (left, top) = (12, 8);
    let (w, h) = (W + left, H + top);
    let own = move |x: usize, y: usize| black[(y % 2) * 2 + x % 2];
    Way {
        size: (w, h),
        samples: samples(w, h, |x, y| {
            let under = own(x, y);
            if x < left || y < top {
                // Noise about it.
                under + ((x * 31 + y * 17) % 5) as u16 - 2
            } else {
                under + light(x - left, y - top, Cfa::RGGB.colour(x - left, y - top))
            }
        }),
        tags: Box::new(move |d| {
            set(d, 50717, u32::from(black[0] + SPAN));
            set(d, 50829, [top as u32, left as u32, h as u32, w as u32]);
            tags(d);
        }),
        ..bayer(name, 0, |_| {})
    }
}

fn matrix() -> Vec<SRational> {
    [7000, -1000, -500, -3000, 11000, 2000, -500, 1500, 6000]
        .map(|n| SRational { n, d: 10000 })
        .to_vec()
}

fn ways() -> Vec<Way> {
    let four = |d: &mut Directory, levels: [u16; 4]| {
        set(d, 50713, [2u16, 2]);
        set(d, 50714, levels);
    };
    vec![
        bayer("one black level", 64, |_| {}),
        bayer("no black level and none needed", 0, |_| {}),
        bordered("a black level of each filter", [64, 64, 64, 64], move |d| {
            four(d, [64; 4])
        }),
        bayer("black as fractions", 64, |d| {
            set(d, 50714, &[rational(128, 2)][..])
        }),
        bordered("a masked border and no black level told", [64; 4], |d| {
            set(d, 50830, [0u32, 0, 68, 12]);
        }),
        bordered(
            "a masked border beside a black level that is told",
            [64; 4],
            |d| {
                set(d, 50714, 64u16);
                set(d, 50830, [0u32, 0, 8, 84]);
            },
        ),
        with(
            bayer("a cropped mode", 64, |d| {
                set(d, 50719, [10u32, 6]);
                set(d, 50720, [40u32, 30]);
            }),
            |f| assert_eq!(f.pixels.size(), (40, 30)),
        ),
        filters("blue first", Cfa::BGGR),
        filters("green first", Cfa::GBRG),
        filters("cells of six", Cfa::X_TRANS),
        filters("cells of six from another corner", Cfa::X_TRANS.moved(5, 2)),
        Way {
            comes: Comes::Grey,
            samples: samples(W, H, |x, y| 64 + light(x, y, 1)),
            ..bayer("monochrome", 64, |d| set(d, 262, 34892u16))
        },
        Way {
            comes: Comes::Rgb,
            channels: 3,
            samples: (0..W * H * 3)
                .map(|i| 64 + light(i / 3 % W, i / 3 / W, i % 3))
                .collect(),
            ..bayer("all colours at every pixel", 64, |d| {
                set(d, 262, 34892u16);
                set(d, 50714, [64u16; 3]);
                set(d, 50717, [1064u32; 3]);
            })
        },
        refused("four colours", "other filters than red, green and blue", |d| {
            set(d, 33422, [0u8, 1, 3, 2])
        }),
        refused("white pixels", "other filters than red, green and blue", |d| {
            set(d, 33422, [0u8, 1, 6, 2])
        }),
        refused("quads", "4 × 4 filters", |d| {
            set(d, 33421, [4u16, 4]);
            set(d, 33422, [0u8, 0, 1, 1, 0, 0, 1, 1, 1, 1, 2, 2, 1, 1, 2, 2]);
        }),
        refused("black above white", "its black level", |d| set(d, 50717, 60u32)),
        with(bayer("no balance and no matrix", 64, |_| {}), |f| {
            assert_eq!(f.colour.white_balance, [1.0; 3])
        }),
        with(
            bayer("a balance of nought", 64, |d| {
                set(d, 50721, &matrix()[..]);
                set(d, 50778, 21u16);
                set(d, 50728, &[rational(0, 1), rational(1, 1), rational(1, 2)][..]);
            }),
            |f| assert!(f.colour.white_balance.iter().all(|b| b.is_finite() && *b > 0.0)),
        ),
        with(
            bayer("balance as a place in the diagram", 64, |d| {
                set(d, 50721, &matrix()[..]);
                set(d, 50778, 21u16);
                set(d, 50729, &[rational(3457, 10000), rational(3585, 10000)][..]);
            }),
            |f| assert!(f.colour.white_balance.iter().all(|b| (0.2..5.0).contains(b))),
        ),
        with(
            bayer("an orientation of nought", 64, |d| set(d, 274, 0u16)),
            |f| assert_eq!(f.pixels.size(), (W, H)),
        ),
        with(
            bayer("an orientation that is none", 64, |d| set(d, 274, 9u16)),
            |f| assert_eq!(f.pixels.size(), (W, H)),
        ),
        with(
            bayer("no time of exposure (bulb)", 64, |d| {
                set(d, 33434, &[rational(0, 1)][..])
            }),
            |f| assert_eq!(f.meta.exposure_s, None),
        ),
        with(
            bayer("an exposure over nothing", 64, |d| {
                set(d, 33434, &[rational(1, 0)][..])
            }),
            |f| assert_eq!(f.meta.exposure_s, None),
        ),
        with(
            bayer("an hour's bulb", 64, |d| {
                set(d, 33434, &[rational(3_600_000, 1000)][..])
            }),
            |f| assert_eq!(f.meta.exposure_s, Some(3600.0)),
        ),
        with(
            bayer("an adapted lens: f-number nought", 64, |d| {
                set(d, 33437, &[rational(0, 10)][..])
            }),
            |f| assert_eq!(f.meta.f_number, None),
        ),
        with(
            bayer("an adapted lens: focal length nought", 64, |d| {
                set(d, 37386, &[rational(0, 10)][..])
            }),
            |f| assert_eq!(f.meta.focal_mm, None),
        ),
        with(
            bayer("a date never set", 64, |d| set(d, 36867, "0000:00:00 00:00:00")),
            |f| assert_eq!(f.meta.taken_local, None),
        ),
        with(
            bayer("a date of blanks", 64, |d| set(d, 36867, "    :  :     :  :  ")),
            |f| assert_eq!(f.meta.taken_local, None),
        ),
        with(
            bayer("a clock without a zone", 64, |d| {
                set(d, 36867, "2026:08:12 23:14:05")
            }),
            |f| {
                assert_eq!(f.meta.taken_local.as_deref(), Some("2026-08-12T23:14:05"));
                assert_eq!(f.meta.taken_offset, None);
            },
        ),
        with(bayer("names in blanks", 64, |d| set(d, 272, "      ")), |f| {
            assert_eq!(f.meta.model, None)
        }),
        bayer("notes that are not the maker's", 64, |d| {
            set(d, 37500, Undefined(vec![0xff; 300]))
        }),
    ]
}

#[test]
fn every_way_gives_the_light_or_a_sentence() {
    let all = ways();
    assert!(all.len() >= 30, "{}", all.len());
    for way in all {
        let name = way.name;
        let size = (way.size.0 as u32, way.size.1 as u32);
        let got = read(size, way.channels, &way.samples, way.tags);
        let frame = match (got, &way.comes) {
            (Err(error), Comes::Refused(words)) => {
                let text = error.to_string();
                assert!(text.contains(words) && text.contains("a.dng"), "{name}: {text}");
                assert!(!matches!(error, DecodeError::Died { .. }), "{name}: {text}");
                continue;
            }
            (Ok(_), Comes::Refused(_)) => panic!("{name}: it was taken"),
            (Err(error), _) => panic!("{name}: {error}"),
            (Ok(frame), _) => frame,
        };
        let span = f32::from(SPAN);
        let near = |got: f32, x: usize, y: usize, c: usize| {
            let want = f32::from(light(x, y, c)) / span;
            assert!(
                (got - want).abs() < 1e-6,
                "{name} ({x}, {y}) {c}: {got}, not {want}"
            );
        };
        let (w, h) = frame.pixels.size();
        // The cropped mode begins ten to the right and six down.
        let (left, top) = if w == 40 { (10, 6) } else { (0, 0) };
        match (&frame.pixels, &way.comes) {
            (Pixels::Mosaic(mosaic), Comes::Mosaic(cfa)) => {
                assert_eq!(mosaic.cfa, *cfa, "{name}");
                for (x, y) in (0..h).flat_map(|y| (0..w).map(move |x| (x, y))) {
                    near(
                        mosaic.plane.at(x, y),
                        x + left,
                        y + top,
                        cfa.colour(x + left, y + top),
                    );
                }
            }
            (Pixels::Grey(plane), Comes::Grey) => near(plane.at(31, 17), 31, 17, 1),
            (Pixels::Rgb(picture), Comes::Rgb) => {
                (0..3).for_each(|c| near(picture.at(31, 17)[c], 31, 17, c));
            }
            (other, _) => panic!("{name}: {:?} of another kind", other.size()),
        }
        assert!(
            frame.colour.to_working.iter().flatten().all(|v| v.is_finite()),
            "{name}"
        );
        (way.also)(&frame);
    }
}
