//! GeoTIFFs written by GDAL, read by us, against GDAL's and numpy's reading.

use nightloom_sky::Angle;
use nightloom_sky::skyline::{HorizonSettings, Terrain, Tile, TileError, horizon};

use crate::horizon::{hgt_bytes, hgt_name};
use crate::table::rows;

/// Heights are of some 1000 m with slopes up to 80 m per post; measured 0.0001 m.
const HEIGHT_M: f64 = 0.001;

const FILES: [(&str, &[u8]); 7] = [
    (
        "area_i16_deflate_tiles",
        include_bytes!("../reference/area_i16_deflate_tiles.tif"),
    ),
    (
        "point_f32_lzw_strips",
        include_bytes!("../reference/point_f32_lzw_strips.tif"),
    ),
    (
        "nad83_u16_plain",
        include_bytes!("../reference/nad83_u16_plain.tif"),
    ),
    (
        "utm_f32_deflate_tiles",
        include_bytes!("../reference/utm_f32_deflate_tiles.tif"),
    ),
    (
        "utm_south_i32_lzw",
        include_bytes!("../reference/utm_south_i32_lzw.tif"),
    ),
    (
        "etrs_f64_deflate",
        include_bytes!("../reference/etrs_f64_deflate.tif"),
    ),
    ("tilted_i16", include_bytes!("../reference/tilted_i16.tif")),
];

fn bytes(name: &str) -> &'static [u8] {
    FILES.iter().find(|(n, _)| *n == name).expect("a fixture").1
}

#[test]
fn heights_agree_with_an_independent_reader() {
    let table = rows(include_str!("../reference/geotiff.csv"));
    assert_eq!(table.len(), 84);
    for (name, row) in table {
        let tile = Tile::from_geotiff(&name, bytes(&name)).expect("a tile");
        let found = tile.height_m(row[0], row[1]).expect("a height");
        assert!((found - row[2]).abs() < HEIGHT_M, "{name} {row:?}: {found}");
    }
}

#[test]
fn the_no_data_tag_makes_voids_and_small_ones_are_filled() {
    let tile = Tile::from_geotiff("t.tif", bytes("utm_f32_deflate_tiles")).expect("a tile");
    assert_eq!(tile.size(), (44, 36));
    assert_eq!(tile.voids(), (9, 0));
    assert!((tile.spacing_m() - 25.0).abs() < 1e-9);
}

#[test]
fn what_cannot_be_placed_is_refused_in_a_sentence() {
    let told = |bytes: &[u8]| Tile::from_geotiff("ridge.tif", bytes).unwrap_err().to_string();
    assert!(told(b"PK\x03\x04....").contains("unpack"));
    assert!(told(b"not a picture at all").contains("ridge.tif"));
    let whole = bytes("area_i16_deflate_tiles");
    assert!(told(&whole[..whole.len() / 2]).contains("cut short"));
    let swapped = |code: [u8; 2], by: [u8; 2], n: usize| {
        let mut bytes = bytes("utm_f32_deflate_tiles").to_vec();
        let at = bytes.windows(2).position(|w| w == code).expect("the code");
        assert_eq!(n, 1);
        bytes[at..at + 2].copy_from_slice(&by);
        told(&bytes)
    };
    // EPSG:32632 to the Swiss grid, which is no UTM.
    let other = swapped(32_632u16.to_le_bytes(), 2056u16.to_le_bytes(), 1);
    assert!(other.contains("EPSG:2056") && other.contains("UTM"), "{other}");
}

#[test]
fn tiles_that_do_not_share_their_edges_join_without_a_gap() {
    // Two halves of one land as areas, as Copernicus tiles are: between the last post of one and the first
    // of the other lies a cell that belongs to neither.
    let plane = |lat: f64, lon: f64| 500.0 + 2000.0 * (lat - 46.0) + 1000.0 * (lon - 8.0);
    let half = |lon0: f64| geotiff(60, 120, (lon0, 47.0), 1.0 / 120.0, plane);
    let tiles = [half(8.0), half(8.5)].map(|b| Tile::from_geotiff("half.tif", &b).expect("a tile"));
    assert_eq!(tiles[0].height_m(46.5, 8.5), None);
    let terrain = Terrain::new(tiles.to_vec()).expect("terrain");
    for lon in [8.4959, 8.4985, 8.5, 8.5001, 8.503] {
        let found = terrain.height_m(46.5, lon).expect("no gap");
        assert!((found - plane(46.5, lon)).abs() < 0.01, "{lon}: {found}");
    }
    let seen = horizon(&terrain, 46.5, 8.4, &HorizonSettings::default()).expect("a horizon");
    assert!(
        seen.unknown.iter().all(|u| u.nearest_m > 20e3 && !u.void),
        "{:?}",
        seen.unknown
    );
}

/// A float GeoTIFF in longitude and latitude whose pixels are areas.
fn geotiff(
    width: u32,
    height: u32,
    corner: (f64, f64),
    step: f64,
    land: impl Fn(f64, f64) -> f64,
) -> Vec<u8> {
    use tiff::encoder::{TiffEncoder, colortype::Gray32Float};
    use tiff::tags::Tag;
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes).expect("an encoder");
    let mut image = encoder.new_image::<Gray32Float>(width, height).expect("an image");
    let tags = image.encoder();
    let place = [0.0, 0.0, 0.0, corner.0, corner.1, 0.0];
    tags.write_tag(Tag::ModelPixelScaleTag, &[step, step, 0.0][..])
        .expect("a tag");
    tags.write_tag(Tag::ModelTiepointTag, &place[..]).expect("a tag");
    let keys = [1u16, 1, 0, 3, 1024, 0, 1, 2, 1025, 0, 1, 1, 2048, 0, 1, 4326];
    tags.write_tag(Tag::GeoKeyDirectoryTag, &keys[..]).expect("a tag");
    let post = |n: u32| {
        let (row, column) = (f64::from(n / width) + 0.5, f64::from(n % width) + 0.5);
        land(corner.1 - row * step, corner.0 + column * step) as f32
    };
    let posts: Vec<f32> = (0..width * height).map(post).collect();
    image.write_data(&posts).expect("written");
    bytes.into_inner()
}

/// The same numbers on every machine: xorshift64*.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 33) as usize % n
    }
}

#[test]
fn damaged_files_are_refused_or_read_but_never_a_panic() {
    let mut dice = Dice(0x5eed_1234_abcd_0001);
    let (mut refused, mut read) = (0, 0);
    for n in 0..400 {
        let (name, whole) = FILES[n % FILES.len()];
        let mut damaged = whole.to_vec();
        if n % 4 == 0 {
            damaged.truncate(dice.below(whole.len()));
        }
        // Headers lie at the start or, from GDAL, right after: flip there as often as anywhere.
        let within = if n % 2 == 0 {
            600.min(damaged.len())
        } else {
            damaged.len()
        };
        for _ in 0..=dice.below(4) {
            if within > 0 {
                damaged[dice.below(within)] ^= 1 << dice.below(8);
            }
        }
        match Tile::from_geotiff(name, &damaged) {
            Ok(tile) => {
                read += 1;
                let terrain = Terrain::new(vec![tile]).expect("terrain");
                let settings = HorizonSettings {
                    points: 8,
                    range_m: 5e3,
                    ..HorizonSettings::default()
                };
                // Any answer will do, as long as there is one.
                let _ = horizon(&terrain, 46.49, 8.51, &settings);
            }
            Err(error) => {
                refused += 1;
                assert!(error.to_string().starts_with(name), "{error}");
            }
        }
    }
    assert!(refused > 50 && read > 50, "{refused} refused, {read} read");
}

#[test]
fn an_hgt_of_the_wrong_size_or_name_is_told() {
    let whole = hgt_bytes(46, 8, 1201, |_, _| 700.0);
    let told = |name: &str, bytes: &[u8]| Tile::from_hgt(name, bytes).unwrap_err();
    let cut = told("N46E008.hgt", &whole[..whole.len() - 2]);
    assert!(
        matches!(cut, TileError::HgtSize { found: 2_884_800, .. }),
        "{cut}"
    );
    assert!(cut.to_string().contains("cut short"));
    assert!(matches!(
        told("N46E008.hgt", &[]),
        TileError::HgtSize { found: 0, .. }
    ));
    assert!(matches!(
        told("N46E008.hgt.zip", b"PK\x03\x04aa"),
        TileError::Zipped { .. }
    ));
    for name in [
        "ridge.hgt",
        "N46.hgt",
        "X46E008.hgt",
        "N46E0089.hgt",
        "N91E008.hgt",
        "",
        "ÄÖÜN46",
        "N4ßE008",
    ] {
        assert!(matches!(told(name, &whole), TileError::Name { .. }), "{name}");
    }
    for name in ["N46E008.hgt", "tiles/n46e008.SRTMGL1.hgt", "C:\\t\\N46E008.HGT"] {
        let tile = Tile::from_hgt(name, &whole).expect(name);
        assert_eq!(tile.height_m(46.5, 8.5), Some(700.0));
    }
    assert_eq!(hgt_name(-34, -71), "S34W071.hgt");
}

#[test]
fn voids_are_bridged_when_small_and_left_when_large() {
    // A slope with a hole of 5 × 5 posts and one of 60 × 60, and a post of nonsense.
    let step = 1.0 / 1200.0;
    let hole = |lat: f64, lon: f64, at: (f64, f64), half: f64| {
        (lat - at.0).abs() < half * step && (lon - at.1).abs() < half * step
    };
    let land = |lat: f64, lon: f64| {
        if hole(lat, lon, (46.3, 8.3), 2.5) || hole(lat, lon, (46.7, 8.7), 30.5) {
            -32768.0
        } else if hole(lat, lon, (46.5, 8.5), 0.5) {
            12_000.0
        } else {
            1000.0 + 6000.0 * (lat - 46.0)
        }
    };
    let tile = Tile::from_hgt("N46E008.hgt", &hgt_bytes(46, 8, 1201, land)).expect("a tile");
    // Of the large one only the corners are bridged diagonally.
    let (filled, left) = tile.voids();
    assert_eq!(filled + left, 25 + 61 * 61 + 1);
    assert!(filled > 26 && filled < 500, "{filled}");
    let found = tile.height_m(46.3, 8.3).expect("bridged");
    assert!((found - 2800.0).abs() < 1.0, "{found}");
    assert!((tile.height_m(46.5, 8.5).expect("bridged") - 4000.0).abs() < 1.0);
    assert_eq!(tile.height_m(46.7, 8.7), None);
}

/// Rough land between posts of 93 m, from 2 m to 5 km away, against rasterio, scipy and pyproj
/// (make_rough.py). Measured 0.0023°.
#[test]
fn rough_land_stands_where_an_independent_reader_sees_it() {
    const EXACT_RAY_DEG: f64 = 0.02;
    let tile = Tile::from_geotiff("rough.tif", include_bytes!("../reference/rough.tif")).expect("a tile");
    let terrain = Terrain::new(vec![tile]).expect("terrain");
    let settings = HorizonSettings {
        range_m: 5500.0,
        points: 180,
        ..HorizonSettings::default()
    };
    let found = horizon(&terrain, -33.3752, -70.6237, &settings).expect("a horizon");
    let table = rows(include_str!("../reference/rough.csv"));
    assert_eq!(table.len(), 180);
    let off = |row: &[f64]| (found.skyline.altitude(Angle::from_deg(row[0])).deg() - row[1]).abs();
    let worst = table.iter().map(|(_, row)| off(row)).fold(0.0, f64::max);
    assert!(worst < EXACT_RAY_DEG, "{worst}°");
}
