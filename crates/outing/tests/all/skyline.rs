//! Tiles and skylines on disk.

use std::fs;
use std::io::{Cursor, Write};
use std::path::PathBuf;

use nightloom_outing::{
    SKYLINE_CSV, SiteSettings, SkylineFileError, StoreOptions, measured_skyline, outing_skyline, read_tiles,
    store_skyline,
};
use nightloom_sky::Angle;
use nightloom_sky::skyline::{HorizonSettings, North, horizon};

use crate::temp::Temp;

/// A plain 500 m high with a wall in the south.
fn hgt() -> Vec<u8> {
    let post = |n: usize| if n / 1201 == 700 { 900i16 } else { 500 };
    (0..1201 * 1201).flat_map(|n| post(n).to_be_bytes()).collect()
}

fn zipped(name: &str, bytes: &[u8]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let options =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Deflated);
    writer.start_file(name, options).unwrap();
    writer.write_all(bytes).unwrap();
    writer.finish().unwrap().into_inner()
}

#[test]
fn tiles_are_read_plain_and_zipped_and_far_ones_are_not_opened() {
    let temp = Temp::new();
    temp.file("N46E008.hgt", &hgt());
    temp.file("N46E009.hgt.zip", &zipped("N46E009.hgt", &hgt()));
    // Too far to be opened, and damaged.
    temp.file("N20E009.hgt", b"damaged");
    temp.file("notes.txt", b"not a tile");
    let tiles = read_tiles(&[temp.path().into()], 46.5, 8.5, 150e3).unwrap();
    assert_eq!((tiles.reports.len(), tiles.too_far), (2, 1));
    assert_eq!(tiles.terrain.height_m(46.5, 9.5), Some(500.0));
    let named = [temp.path().join("N46E008.hgt"), temp.path().join("N46E008.hgt")];
    assert_eq!(read_tiles(&named, 46.5, 8.5, 150e3).unwrap().reports.len(), 1);
}

#[test]
fn every_trouble_with_tiles_names_the_file() {
    let temp = Temp::new();
    temp.file("empty/readme.txt", b"");
    temp.file("N46E008.hgt", &hgt()[..1000]);
    temp.file("N46E009.hgt.zip", &zipped("readme.txt", b"x"));
    temp.file("N46E007.zip", b"PK\x03\x04 damaged");
    temp.file("ridge.png", b"");
    let told = |name: &str| {
        let error = read_tiles(&[temp.path().join(name)], 46.5, 8.5, 150e3)
            .unwrap_err()
            .to_string();
        assert!(error.contains(name), "{error}");
        error
    };
    assert!(told("empty").contains(".hgt"));
    assert!(told("N46E008.hgt").contains("cut short"));
    assert!(told("N46E009.hgt.zip").contains("no .hgt"));
    told("N46E007.zip");
    assert!(told("ridge.png").contains("no elevation tile"));
    assert!(told("N46E010.hgt").contains("cannot be read"));
    let far = read_tiles(&[temp.path().join("N46E008.hgt")], 8.5, 46.5, 150e3).unwrap_err();
    assert!(matches!(far, SkylineFileError::TooFar { count: 1, .. }), "{far}");
    let none: [PathBuf; 0] = [];
    assert!(
        read_tiles(&none, 46.5, 8.5, 150e3)
            .unwrap_err()
            .to_string()
            .contains("no elevation tile was given")
    );
}

#[test]
fn a_skyline_is_stored_beside_the_outing_and_read_again() {
    let temp = Temp::new();
    temp.file("tiles/N46E008.hgt", &hgt());
    let tiles = read_tiles(&[temp.path().join("tiles")], 46.5, 8.5, 150e3).unwrap();
    let found = horizon(&tiles.terrain, 46.5, 8.5, &HorizonSettings::default()).unwrap();
    let path = temp.path().join(SKYLINE_CSV);
    let mut options = StoreOptions {
        about: vec!["One tile.".into()],
        computed: true,
        force: false,
    };
    assert_eq!(store_skyline(&path, &found.skyline, &options).unwrap(), None);
    // What was computed may be computed again.
    assert_eq!(store_skyline(&path, &found.skyline, &options).unwrap(), None);
    let back = outing_skyline(temp.path(), &SiteSettings::default())
        .unwrap()
        .unwrap();
    let south = Angle::from_deg(180.0);
    assert!((back.altitude(south) - found.skyline.altitude(south)).deg().abs() < 1e-4);
    assert!(back.altitude(south).deg() > 2.0);
    // What the photographer measured may not be replaced unasked.
    let own = "0,1\n30,1\n60,1\n90,1\n120,1\n150,1\n180,1\n210,1\n240,1\n270,1\n300,1\n330,1\n";
    fs::write(&path, own).unwrap();
    let refused = store_skyline(&path, &found.skyline, &options).unwrap_err();
    assert!(matches!(refused, SkylineFileError::Exists { .. }));
    options.force = true;
    let kept = store_skyline(&path, &found.skyline, &options).unwrap().unwrap();
    assert_eq!(fs::read_to_string(kept).unwrap(), own);
}

/// A skyline that somebody writes meanwhile is seen, and not replaced.
#[test]
fn a_skyline_written_meanwhile_stays() {
    let temp = Temp::new();
    temp.file("N46E006.hgt", &hgt());
    let tiles = read_tiles(&[temp.path().to_owned()], 46.5, 6.5, 30_000.0).unwrap();
    let found = horizon(&tiles.terrain, 46.5, 6.5, &HorizonSettings::default()).unwrap();
    let path = temp.path().join(SKYLINE_CSV);
    let turn = nightloom_outing::turn_to_write(temp.path()).unwrap();
    std::thread::scope(|scope| {
        let stored = scope.spawn(|| store_skyline(&path, &found.skyline, &StoreOptions::default()));
        std::thread::sleep(std::time::Duration::from_millis(300));
        assert!(!stored.is_finished(), "it did not wait");
        fs::write(&path, "0,1\n180,1\n").unwrap();
        drop(turn);
        let refused = stored.join().unwrap().unwrap_err();
        assert!(matches!(refused, SkylineFileError::Exists { .. }), "{refused}");
    });
    assert_eq!(fs::read_to_string(&path).unwrap(), "0,1\n180,1\n");
}

#[test]
fn an_outing_takes_the_skyline_it_names() {
    let temp = Temp::new();
    assert!(
        outing_skyline(temp.path(), &SiteSettings::default())
            .unwrap()
            .is_none()
    );
    let lines: String = (0..36).map(|n| format!("{},{}\n", n * 10, n % 5)).collect();
    temp.file("measured/ridge.csv", lines.as_bytes());
    let settings =
        nightloom_outing::parse_settings("[site]\nskyline = \"measured/ridge.csv\"\n", "outing.toml")
            .unwrap();
    let skyline = outing_skyline(temp.path(), &settings.site).unwrap().unwrap();
    assert!((skyline.altitude(Angle::from_deg(40.0)).deg() - 4.0).abs() < 1e-9);
    let named = SiteSettings {
        skyline: Some("gone.csv".into()),
        ..SiteSettings::default()
    };
    assert!(
        outing_skyline(temp.path(), &named)
            .unwrap_err()
            .to_string()
            .contains("gone.csv")
    );
    temp.file("bad.csv", b"0,1\n200,x\n");
    let error = measured_skyline(&temp.path().join("bad.csv"), North::True)
        .unwrap_err()
        .to_string();
    assert!(error.contains("bad.csv") && error.contains("line 2"), "{error}");
}
