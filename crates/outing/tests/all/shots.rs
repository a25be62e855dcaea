//! The shot list keeps its order, its hours and its counts, and its proposals hold.

use jiff::civil::date;
use jiff::tz::TimeZone;
use nightloom_outing::shots::{
    AirNow, BlockKind, CardSettings, Droppable, FlatLight, Hours, LEAST_SKY_FRAMES, LandLightWanted,
    PowerSettings, Run, ShotList, ShotSettings, ShotsError, TWILIGHT_EV100, card, cold_factor, dew,
    dew_point_c, power, shot_list,
};
use nightloom_sky::night::{Night, NightSample, Nights, Span, Standpoint};
use nightloom_sky::{Angle, Site, subjects};

const LIGHTS: [LandLightWanted; 4] = [
    LandLightWanted::Dusk,
    LandLightWanted::Dawn,
    LandLightWanted::Moon,
    LandLightWanted::Night,
];
/// Rounding of instants to the nanosecond, and of sums, seconds.
const SAME_S: f64 = 1e-3;

fn night_of(
    latitude_deg: f64,
    evening: jiff::civil::Date,
    subject: Option<&str>,
) -> (Night, Vec<NightSample>) {
    let site = Site {
        latitude: Angle::from_deg(latitude_deg),
        longitude: Angle::from_deg(24.1),
        elevation_m: 1240.0,
    };
    let zone = TimeZone::get("Europe/Bucharest").expect("in the database");
    let nights = Nights::new(Standpoint::at(site), zone, evening, evening).expect("dates");
    let subjects: Vec<_> = subject
        .iter()
        .map(|s| subjects::find(s).expect("known"))
        .collect();
    let sky = nights.sky(evening).expect("in the span");
    (sky.night(&subjects).expect("a night"), sky.samples(289, None))
}

/// The Milky Way's core in August; a moon that sets in the evening.
fn august() -> Hours {
    let (night, samples) = night_of(45.42, date(2026, 8, 17), Some("Milky Way core"));
    Hours::of(&night, &samples, false).expect("hours")
}

/// A half moon that sets around midnight.
fn moonlit() -> Hours {
    let (night, samples) = night_of(45.42, date(2026, 11, 17), None);
    Hours::of(&night, &samples, false).expect("hours")
}

fn made(hours: &Hours, settings: &ShotSettings) -> ShotList {
    shot_list(hours, settings).expect("settings that can be")
}

fn of_kind(list: &ShotList, kind: BlockKind) -> u32 {
    list.blocks
        .iter()
        .filter(|b| b.kind == kind)
        .map(|b| b.count)
        .sum()
}

/// Many plans: all lights, few and many frames, with and without checks.
fn plans() -> Vec<ShotSettings> {
    let mut plans = Vec::new();
    for land_light in LIGHTS {
        for flat_light in [FlatLight::Panel, FlatLight::Dawn] {
            for (frames, exposure_s, nudge_every, recheck_min) in [
                (1, 30.0, 0, 0.0),
                (12, 90.0, 4, 30.0),
                (37, 240.0, 5, 20.0),
                (150, 120.0, 3, 2.0),
                (9, 1.5, 1, 1.0),
            ] {
                plans.push(ShotSettings {
                    sky: Run::of(frames, exposure_s, 4.0),
                    nudge_every,
                    recheck_every_s: recheck_min * 60.0,
                    land: Run::of(5, 240.0, 3.0),
                    land_light,
                    flat_light,
                    ..ShotSettings::default()
                });
            }
        }
    }
    plans
}

#[test]
fn blocks_are_in_order_and_do_not_overlap() {
    for hours in [august(), moonlit()] {
        for settings in plans() {
            let list = made(&hours, &settings);
            for pair in list.blocks.windows(2) {
                let apart = pair[1].from.seconds_since(pair[0].to);
                assert!(apart > -SAME_S, "{:?}", pair);
            }
            for block in &list.blocks {
                assert!(block.from < block.to, "{block:?}");
            }
        }
    }
}

#[test]
fn counts_are_as_asked_for_and_times_are_those_of_the_exposures() {
    let hours = august();
    for settings in plans() {
        let list = made(&hours, &settings);
        assert_eq!(of_kind(&list, BlockKind::Sky), settings.sky.frames);
        assert_eq!(of_kind(&list, BlockKind::Dark), settings.darks);
        assert_eq!(of_kind(&list, BlockKind::Flat), settings.flats.frames);
        assert_eq!(of_kind(&list, BlockKind::Test), settings.test_frames);
        if list.fits {
            assert_eq!(of_kind(&list, BlockKind::Land), settings.land.frames);
        }
        assert_eq!(
            list.totals.frames,
            list.blocks.iter().map(|b| b.count).sum::<u32>()
        );
        let light_s = f64::from(settings.sky.frames) * settings.sky.exposure_s;
        assert!((list.totals.sky_s - light_s).abs() < SAME_S);
        for block in list
            .blocks
            .iter()
            .filter(|b| b.count > 0 && b.kind != BlockKind::Test)
        {
            let (exposure, gap) = (block.exposure_s.expect("frames"), block.gap_s.expect("frames"));
            let takes = f64::from(block.count) * exposure + f64::from(block.count - 1) * gap;
            let is = block.to.seconds_since(block.from);
            assert!((is - takes).abs() < SAME_S, "{block:?}: {takes} s of work");
        }
    }
}

#[test]
fn what_fits_is_within_its_hours() {
    let mut fitting = 0;
    for hours in [august(), moonlit()] {
        for settings in plans() {
            let list = made(&hours, &settings);
            assert_eq!(list.fits, list.short.is_empty());
            assert_eq!(list.fits, list.short_by_min == 0.0);
            let sky = || list.blocks.iter().filter(|b| b.kind == BlockKind::Sky);
            let (first, last) = (sky().next().expect("sky"), sky().next_back().expect("sky"));
            assert!(first.from >= hours.sky.from);
            let spare = hours.sky.to.seconds_since(last.to) / 60.0;
            assert!((list.spare_min - spare).abs() < 0.01);
            if !list.fits {
                continue;
            }
            fitting += 1;
            assert!(last.to <= hours.sky.to);
            assert!(list.blocks[0].from >= hours.night.from);
            assert!(list.blocks[list.blocks.len() - 1].to <= hours.night.to);
            for land in list.blocks.iter().filter(|b| b.kind == BlockKind::Land) {
                let inside = |s: &Span| s.from <= land.from && land.to <= s.to;
                match settings.land_light {
                    LandLightWanted::Moon => assert!(hours.moonlit.iter().any(inside)),
                    LandLightWanted::Night => assert!(hours.dark.iter().any(inside)),
                    LandLightWanted::Dusk => assert!(land.to < hours.dark[0].from),
                    LandLightWanted::Dawn => assert!(land.from > hours.dark[0].to),
                }
            }
        }
    }
    assert!(fitting >= 20, "{fitting} plans fit: too few to show anything");
}

#[test]
fn a_plan_that_does_not_fit_says_by_how_much() {
    let hours = august();
    let settings = ShotSettings {
        sky: Run::of(1, 600.0, 5.0),
        nudge_every: 0,
        recheck_every_s: 0.0,
        ..ShotSettings::default()
    };
    // Frames back to back: n·605 − 5 s in a window that begins on its next whole second.
    let room = hours.sky.minutes() * 60.0;
    let most = ((room - 1.0 + 5.0) / 605.0).floor() as u32;
    let with = |frames| ShotSettings {
        sky: settings.sky.with_frames(frames),
        ..settings.clone()
    };
    assert!(made(&hours, &with(most)).fits);
    let list = made(&hours, &with(most + 3));
    assert!(!list.fits);
    let takes = f64::from(most + 3) * 605.0 - 5.0;
    let over = (takes - room) / 60.0;
    assert!(
        (list.short_by_min - over).abs() < 1.0 / 60.0,
        "{} for {over}",
        list.short_by_min
    );
    assert!(list.short[0].contains("sky frames"), "{:?}", list.short);
    // Only sky frames take time in the window; nothing else is to go.
    let cuts = list.proposal.expect("fewer frames fit");
    assert_eq!(cuts.len(), 1);
    assert_eq!(
        (cuts[0].what, cuts[0].frames, cuts[0].keep),
        (Droppable::SkyFrames, 3, most)
    );
}

#[test]
fn dropping_what_is_proposed_makes_it_fit_and_less_does_not() {
    let mut proposals = 0;
    for mut hours in [august(), moonlit()] {
        for back_h in [3.0, 5.0, 9.0] {
            hours.night.to = hours.sky.from.plus_seconds(back_h * 3600.0);
            for settings in plans() {
                let list = made(&hours, &settings);
                let Some(cuts) = &list.proposal else { continue };
                assert!(!list.fits && !cuts.is_empty());
                proposals += 1;
                assert!(made(&hours, &settings.without(cuts)).fits, "{cuts:?}");
                for n in 0..cuts.len() {
                    let mut fewer = cuts.clone();
                    fewer[n].keep += 1;
                    assert!(
                        !made(&hours, &settings.without(&fewer)).fits,
                        "{cuts:?}, and one back"
                    );
                }
                let sky = cuts.iter().find(|c| c.what == Droppable::SkyFrames);
                assert!(sky.is_none_or(|c| c.keep >= LEAST_SKY_FRAMES));
            }
        }
    }
    assert!(proposals >= 20, "{proposals} proposals: too few to show anything");
}

#[test]
fn what_helps_not_is_not_proposed() {
    let mut hours = august();
    // Ten seconds too late: six flats take eleven, and the darks go on while things are packed up and cost nothing.
    let settings = ShotSettings::default();
    let end = made(&hours, &settings).blocks.last().expect("blocks").to;
    hours.night.to = end.plus_seconds(-10.0);
    let list = made(&hours, &settings);
    assert!((list.short_by_min - 1.0 / 6.0).abs() < 0.01);
    let cuts = list.proposal.expect("something can go");
    assert!(cuts.iter().all(|c| c.what == Droppable::Flats), "{cuts:?}");
}

#[test]
fn the_order_of_dropping_is_kept() {
    let list = made(&august(), &ShotSettings::default());
    let order: Vec<Droppable> = list.drop_first.iter().map(|c| c.what).collect();
    assert_eq!(order, Droppable::ORDER);
    assert_eq!(list.drop_first[0].frames, 6);
    // Six darks of 90 s and 4 s between.
    assert!((list.drop_first[1].saves_min - 6.0 * 94.0 / 60.0).abs() < 1e-9);
}

#[test]
fn nudges_and_rechecks_come_when_they_are_due() {
    let settings = ShotSettings {
        sky: Run::of(40, 120.0, 4.0),
        nudge_every: 6,
        recheck_every_s: 1800.0,
        ..ShotSettings::default()
    };
    let list = made(&august(), &settings);
    let mut taken = 0;
    let mut checked = None;
    for block in &list.blocks {
        match block.kind {
            BlockKind::Sky => {
                taken += block.count;
                let since = checked.get_or_insert(block.from);
                assert!(block.to.seconds_since(*since) <= 1800.0 + SAME_S, "{block:?}");
            }
            BlockKind::Nudge => assert!(taken % 6 == 0 && taken < 40),
            BlockKind::Recheck => checked = Some(block.to),
            _ => {}
        }
    }
    let nudges = list.blocks.iter().filter(|b| b.kind == BlockKind::Nudge).count();
    assert_eq!(nudges, 6);
    // 14 frames in 30 min, the two nudges among them counted: 40 frames have two checks between.
    assert_eq!(
        list.blocks
            .iter()
            .filter(|b| b.kind == BlockKind::Recheck)
            .count(),
        2
    );
}

#[test]
fn twilight_land_stands_where_the_light_is_the_wanted_one() {
    let hours = august();
    for (light, at) in [
        (LandLightWanted::Dusk, hours.dusk_light()),
        (LandLightWanted::Dawn, hours.dawn_light()),
    ] {
        let at = at.expect("twilight");
        assert!((hours.ev100_at(at).expect("light") - TWILIGHT_EV100).abs() < 1e-6);
        let settings = ShotSettings {
            land_light: light,
            ..ShotSettings::default()
        };
        let list = made(&hours, &settings);
        let land = list
            .blocks
            .iter()
            .find(|b| b.kind == BlockKind::Land)
            .expect("land");
        let middle = land.from.plus_seconds(land.minutes() * 30.0);
        assert!(middle.seconds_since(at).abs() <= 1.0, "{light:?}");
    }
}

#[test]
fn moonlit_land_waits_for_the_moon_or_goes_before_the_sky() {
    let hours = moonlit();
    let settings = ShotSettings {
        land_light: LandLightWanted::Moon,
        ..ShotSettings::default()
    };
    let list = made(&hours, &settings);
    assert!(list.fits, "{:?}", list.short);
    let place = |kind| list.blocks.iter().position(|b| b.kind == kind).expect("there");
    assert!(place(BlockKind::Land) < place(BlockKind::Sky));
    // The night without a moon has none, and fewer frames do not help.
    let (night, samples) = night_of(45.42, date(2026, 8, 12), None);
    let dark = Hours::of(&night, &samples, false).expect("hours");
    let list = made(&dark, &settings);
    assert!(!list.fits && list.proposal.is_none());
    assert!(list.short[0].contains("moonlight"), "{:?}", list.short);
}

#[test]
fn land_by_night_goes_before_a_subject_that_sets_with_the_night() {
    let mut hours = august();
    // The sky frames fill the last hour of the night.
    let dark = hours.dark[0];
    hours.sky = Span {
        from: dark.to.plus_seconds(-3600.0),
        to: dark.to,
    };
    let settings = ShotSettings {
        sky: Run::of(30, 110.0, 4.0),
        nudge_every: 0,
        recheck_every_s: 0.0,
        land: Run::of(4, 240.0, 4.0),
        land_light: LandLightWanted::Night,
        ..ShotSettings::default()
    };
    let list = made(&hours, &settings);
    assert!(list.fits, "{:?}", list.short);
    let place = |kind| list.blocks.iter().position(|b| b.kind == kind).expect("there");
    assert!(place(BlockKind::Land) < place(BlockKind::Alignment));
}

/// t = N²·(100/ISO)·2^(−1 − EV100), in whole seconds: the exposure value's definition (APEX), a stop below middle grey.
#[test]
fn the_land_s_time_comes_from_its_light() {
    let hours = august();
    let asked = Run::of(3, 8.0, 4.0);
    let dusk = hours
        .land_run(LandLightWanted::Dusk, asked, 4.0, 100.0)
        .expect("numbers")
        .expect("light");
    // 16 · 2^(−1 + 2) = 32 s.
    assert_eq!((dusk.frames, dusk.exposure_s), (3, 32.0));
    let night = hours
        .land_run(LandLightWanted::Night, asked, 2.8, 1600.0)
        .expect("numbers")
        .expect("light");
    let ev100 = hours.land_ev100(LandLightWanted::Night).expect("light");
    let total = 2.8 * 2.8 / 16.0 * (-1.0 - ev100).exp2();
    let frames = (total / 300.0).ceil();
    assert_eq!(f64::from(night.frames), frames.max(3.0));
    assert_eq!(night.exposure_s, (total / frames).round());
    // The planned settings then are a stop over what a meter would have for grey, less the rounding.
    let settings = ShotSettings {
        land: dusk,
        ..ShotSettings::default()
    };
    let list = made(&hours, &settings);
    let land = list
        .blocks
        .iter()
        .find(|b| b.kind == BlockKind::Land)
        .expect("land");
    assert!(land.note.contains("1.0 stops below middle grey"), "{}", land.note);
}

#[test]
fn a_night_without_time_and_numbers_that_cannot_be() {
    let (night, samples) = night_of(65.0, date(2026, 6, 20), None);
    let error = Hours::of(&night, &samples, false).expect_err("no night");
    assert!(matches!(error, ShotsError::NoWindow { .. }));
    let hours = august();
    let long = ShotSettings {
        sky: Run::of(1, 9.0 * 3600.0, 4.0),
        ..ShotSettings::default()
    };
    let error = shot_list(&hours, &long).expect_err("too long");
    assert!(error.to_string().contains("longer than the window"), "{error}");
    for wrong in [
        ShotSettings {
            sky: Run::of(0, 90.0, 4.0),
            ..ShotSettings::default()
        },
        ShotSettings {
            sky: Run::of(5, 0.0, 4.0),
            ..ShotSettings::default()
        },
        ShotSettings {
            land: Run::of(5, f64::NAN, 4.0),
            ..ShotSettings::default()
        },
        ShotSettings {
            walk_s: -1.0,
            ..ShotSettings::default()
        },
        ShotSettings {
            darks: u32::MAX,
            ..ShotSettings::default()
        },
        ShotSettings {
            temperature_c: Some(400.0),
            ..ShotSettings::default()
        },
        ShotSettings {
            temperature_c: Some(4.0),
            humidity_percent: Some(0.0),
            ..ShotSettings::default()
        },
    ] {
        let error = shot_list(&hours, &wrong).expect_err("cannot be");
        assert!(error.to_string().contains("expected"), "{error}");
    }
}

/// A unit of the published last place, °C: 17.987 stands there cut to 17.98, not rounded.
const DEW_C: f64 = 0.01;

/// Alduchov & Eskridge 1996: 22 °C and 78 %, 12 °C and 85 %, 0 °C and 80 %, as published or worked by hand.
#[test]
fn dew_points() {
    for (temperature, humidity, expected) in [(22.0, 78.0, 17.98), (12.0, 85.0, 9.56), (0.0, 80.0, -3.04)] {
        let found = dew_point_c(temperature, humidity);
        assert!((found - expected).abs() < DEW_C, "{found} for {expected}");
    }
    assert!((dew_point_c(7.0, 100.0) - 7.0).abs() < 1e-12);
}

#[test]
fn a_small_dew_margin_is_a_warning() {
    let at = |humidity_percent| AirNow {
        temperature_c: 12.0,
        humidity_percent,
    };
    assert!(dew(at(85.0)).expect("air").warn);
    assert!(!dew(at(80.0)).expect("air").warn);
    let damp = ShotSettings {
        temperature_c: Some(12.0),
        humidity_percent: Some(85.0),
        ..ShotSettings::default()
    };
    assert_eq!(made(&august(), &damp).warnings.len(), 1);
}

#[test]
fn card_arithmetic() {
    // 24 megapixels of 14 bits are 42 million bytes.
    assert!((card(100, &CardSettings::default()).gb - 4.2).abs() < 1e-12);
    let own = CardSettings {
        mb_per_frame: Some(31.5),
        ..CardSettings::default()
    };
    assert!((card(40, &own).gb - 1.26).abs() < 1e-12);
    assert!(card(1, &CardSettings::default()).basis.contains("rough"));
}

/// Common practice, no source: “cold halves a battery”.
#[test]
fn battery_arithmetic() {
    assert!((cold_factor(20.0) - 1.0).abs() < 1e-12 && (cold_factor(35.0) - 1.0).abs() < 1e-12);
    assert!((cold_factor(-10.0) - 0.5).abs() < 1e-12);
    assert!(cold_factor(-40.0) >= 0.3);
    let sky = Run::of(12, 90.0, 10.0);
    let rough = power(6.0 * 3600.0, &sky, None, &PowerSettings::default());
    assert!((rough.charges - 2.0).abs() < 1e-12 && rough.batteries == 2);
    let cold = power(6.0 * 3600.0, &sky, Some(-10.0), &PowerSettings::default());
    assert!((cold.charges - 4.0).abs() < 1e-12);
    // 72 frames of 100 s are two hours, counted in the same cold: it is not taken off twice.
    let own = PowerSettings {
        frames_per_charge: Some(72.0),
        counted_at_c: -10.0,
        ..PowerSettings::default()
    };
    let counted = power(6.0 * 3600.0, &sky, Some(-10.0), &own);
    assert!((counted.charges - 3.0).abs() < 1e-12);
    assert!((power(6.0 * 3600.0, &sky, Some(20.0), &own).charges - 1.5).abs() < 1e-12);
}
