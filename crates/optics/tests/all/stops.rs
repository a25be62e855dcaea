//! Stops, marks and equivalents.

use nightloom_optics::{
    Attachment, Equivalent, Exposure, LadderLimits, Limit, Setting, StopsError, Written, compare, ladder,
    solve,
};

/// What "exact" means for an equivalent, stops.
const EXACT_STOPS: f64 = 1e-9;
/// Marks are rounded at most this far from what they stand for: f/1.2 and 1/6 s are farthest, stops.
const ROUNDING_STOPS: f64 = 0.15;

fn read(text: &str) -> Written {
    Written::parse("from", text).unwrap()
}

fn solved(from: &str, to: &str) -> Equivalent {
    solve(&read(from), &Written::parse("to", to).unwrap()).unwrap()
}

fn light(e: &Exposure) -> f64 {
    (e.seconds * e.iso / (e.f_number * e.f_number)).log2()
}

/// The remembered starting point and its ladder: common practice, no source.
#[test]
fn the_sum_that_is_done_on_paper() {
    let answer = solved("15s f/2.8 ISO6400", "f/4 ISO800");
    assert_eq!(answer.solved, Setting::Time);
    assert_eq!(
        answer.to,
        Exposure {
            seconds: 240.0,
            f_number: 4.0,
            iso: 800.0
        }
    );
    assert!((answer.stops.time - 4.0).abs() < EXACT_STOPS);
    assert!((answer.stops.aperture + 1.0).abs() < EXACT_STOPS);
    assert!((answer.stops.iso + 3.0).abs() < EXACT_STOPS);
    // What the marks stand for: 16 s by four stops.
    assert!((answer.exact.seconds - 256.0).abs() < 1e-6);
    // 15 · 8 · (4/2.8)².
    assert!((answer.as_written.seconds - 244.897_959).abs() < 1e-5);
    for (to, seconds) in [
        ("f/2.8 ISO6400", 15.0),
        ("f/2.8 ISO1600", 60.0),
        ("f/2.8 ISO800", 120.0),
    ] {
        assert_eq!(solved("15s f/2.8 ISO6400", to).to.seconds, seconds, "{to}");
    }
}

/// Camera marks, from memory of what any camera's dial shows.
#[test]
fn answers_are_the_marks_of_the_trade() {
    let time = |from: &str, to: &str| solved(from, to).to.seconds;
    assert_eq!(time("1/125 f/8 ISO100", "f/16 ISO100"), 1.0 / 30.0);
    assert_eq!(time("1/60 f/8 ISO100", "f/16 ISO50"), 1.0 / 8.0);
    assert_eq!(time("30s f/2.8 ISO3200", "f/2.8 ISO1600"), 60.0);
    assert_eq!(time("30s f/2.8 ISO3200", "f/2.8 ISO2500"), 40.0);
    assert_eq!(time("10s f/2.2 ISO1000", "f/3.5 ISO640"), 40.0);
    assert_eq!(solved("20s f/1.8 ISO3200", "60s f/2.8").to.iso, 2500.0);
    assert_eq!(solved("15s f/2.8 ISO6400", "240s ISO800").to.f_number, 4.0);
    assert_eq!(solved("15s f/2.8 ISO6400", "4min ISO800").to.f_number, 4.0);
    assert_eq!(solved("13s f/2 ISO3200", "25s ISO3200").to.f_number, 2.8);
}

/// APEX (from memory): one stop is a factor of two of time and ISO, of the root of two of the f-number.
#[test]
fn exact_values_are_exact() {
    let cases = [
        ("16s f/2.82842712474619 ISO6400", "f/4 ISO800", 256.0),
        ("12s f/2 ISO1600", "f/4 ISO400", 192.0),
        ("7.3s f/2 ISO800", "f/8 ISO100", 7.3 * 16.0 * 8.0),
        ("11s f/0.95 ISO800", "f/1.9 ISO800", 44.0),
    ];
    for (from, to, seconds) in cases {
        let answer = solved(from, to);
        assert!(
            (answer.to.seconds / seconds).log2().abs() < EXACT_STOPS,
            "{from} to {to}: {answer:?}"
        );
    }
    // Any settings to any settings: the exact and the written answers hold the exposure.
    let mut checked = 0;
    for from in [
        "15s f/2.8 ISO6400",
        "1/13 f/3.5 ISO125",
        "47s f/1.7 ISO64",
        "2' f/11 ISO102400",
    ] {
        for to in ["f/4 ISO800", "3s ISO400", "1/250s f/9.5", "90s f/1.4"] {
            let (answer, from) = (solved(from, to), read(from));
            let written = from.complete("from").unwrap();
            let meant = Exposure {
                seconds: Setting::Time.meant(written.seconds),
                f_number: Setting::Aperture.meant(written.f_number),
                iso: Setting::Iso.meant(written.iso),
            };
            assert!((light(&answer.exact) - light(&meant)).abs() < EXACT_STOPS);
            assert!((light(&answer.as_written) - light(&written)).abs() < EXACT_STOPS);
            assert!(answer.stops.sum().abs() < EXACT_STOPS);
            // The trade's answer differs by roundings of marks only: two f-numbers, two ISOs, two times.
            assert!((light(&answer.to) - light(&written)).abs() < 4.0 * ROUNDING_STOPS);
            checked += 1;
        }
    }
    assert_eq!(checked, 16);
}

#[test]
fn all_three_given_are_compared_as_written() {
    let by = |from: &str, to: &str| compare(&read(from), &read(to)).unwrap();
    let same = by("15s f/2.8 ISO6400", "240s f/4 ISO800");
    let raw = (240f64 / 15.0).log2() - 3.0 + 2.0 * (2.8f64 / 4.0).log2();
    assert!((same.difference_stops - raw).abs() < EXACT_STOPS);
    assert!(same.marked_difference_stops.abs() < EXACT_STOPS);
    // EV100 = log2(N²/t) − log2(ISO/100), as written.
    assert!((same.ev100 - ((2.8f64 * 2.8 / 15.0).log2() - 6.0)).abs() < EXACT_STOPS);
    assert!((same.to_ev100 - ((16f64 / 240.0).log2() - 3.0)).abs() < EXACT_STOPS);
    assert!((same.ev100 - same.to_ev100 - raw).abs() < EXACT_STOPS);
    assert!((by("10s f/4 ISO800", "20s f/4 ISO1600").difference_stops - 2.0).abs() < EXACT_STOPS);
    assert!((by("10s f/4 ISO800", "10s f/8 ISO800").difference_stops + 2.0).abs() < EXACT_STOPS);
}

/// Every mark stands within a rounding of its exact value, and finds its place again.
#[test]
fn series_are_regular() {
    for setting in [Setting::Time, Setting::Aperture, Setting::Iso] {
        let (first, last) = setting.ends();
        for place in first..=last {
            let mark = setting.marked(place).unwrap();
            assert_eq!(setting.place_of(mark), Some(place), "{setting:?} {mark}");
            let off = setting.stops_between(setting.exact(place), mark);
            assert!(off.abs() < ROUNDING_STOPS, "{setting:?} {mark}: {off} stops");
        }
        assert!(setting.marked(first - 1).is_none() && setting.marked(last + 1).is_none());
        assert!(setting.marks().windows(2).all(|w| w[0] < w[1]));
    }
    // The whole stops of ISO 2720 and ISO 12232 (from memory).
    let stops = |setting: Setting, from: f64| -> [f64; 8] {
        let place = setting.place_of(from).unwrap();
        std::array::from_fn(|n| setting.marked(place + 3 * n as i32).unwrap())
    };
    assert_eq!(
        stops(Setting::Aperture, 1.0),
        [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0]
    );
    assert_eq!(
        stops(Setting::Iso, 100.0),
        [100.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 6400.0, 12800.0]
    );
    assert_eq!(
        stops(Setting::Time, 1.0 / 125.0).map(|t| (1.0 / t).round()),
        [125.0, 60.0, 30.0, 15.0, 8.0, 4.0, 2.0, 1.0]
    );
    assert_eq!(
        stops(Setting::Time, 1.0),
        [1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0, 120.0]
    );
}

#[test]
fn settings_are_read_as_they_are_written() {
    let time = |text: &str| read(text).seconds.unwrap();
    for (text, seconds) in [
        ("15s", 15.0),
        ("15 s", 15.0),
        ("15 sec", 15.0),
        ("15\"", 15.0),
        ("15″", 15.0),
        ("1/15", 1.0 / 15.0),
        ("1/15s", 1.0 / 15.0),
        ("1 / 15 s", 1.0 / 15.0),
        ("0.5s", 0.5),
        ("250ms", 0.25),
        ("4m", 240.0),
        ("2min", 120.0),
        ("2'", 120.0),
        ("2'30\"", 150.0),
        ("2m30s", 150.0),
        ("1h 10 min", 4200.0),
    ] {
        assert!((time(text) - seconds).abs() < 1e-12, "{text}");
    }
    let expected = Written {
        seconds: Some(15.0),
        f_number: Some(2.8),
        iso: Some(6400.0),
        attachments: vec![],
    };
    for text in [
        "15s f/2.8 ISO6400",
        "ISO 6400, f2.8, 15 s",
        "F/2.8; iso6400; 15\"",
        "15s ƒ/2.8 Iso 6400",
    ] {
        assert_eq!(read(text), expected, "{text}");
    }
    assert_eq!(read("1/15 f/4").f_number, Some(4.0));
    assert_eq!(
        read("15s ND8 ND 0.9 ND 3 stops 1.4x x0.71").attachments,
        [
            Attachment::Factor(8.0),
            Attachment::Density(0.9),
            Attachment::Stops(3.0),
            Attachment::Converter(1.4),
            Attachment::Converter(0.71)
        ]
    );
}

/// Each error names the field and shows how to write it.
#[test]
fn slips_are_answered_with_a_sentence_and_an_example() {
    let said = |text: &str| Written::parse("--from", text).unwrap_err().to_string();
    for (text, part) in [
        ("15 f/2.8 ISO6400", "15 has no unit; write 15s"),
        ("15", "or 1/15 for a fraction of a second"),
        ("15s 2.8 ISO6400", "f/2.8 for an aperture"),
        ("15s f/0 ISO6400", "the f-number is f/0"),
        ("15s f/-2.8 ISO6400", "the f-number is f/-2.8"),
        ("0s f/2.8 ISO6400", "the time is 0 s"),
        ("-15s f/2.8 ISO6400", "the time is -15 s"),
        ("1/0 f/2.8 ISO6400", "the time is 1/0"),
        ("1/-15 f/2.8 ISO6400", "above zero, like 15s or 1/15"),
        ("15s f/2.8 ISO850", "the nearest mark is ISO800"),
        ("15s f/2.8 ISO0", "the ISO is 0"),
        ("15s f/2.8 ISO-800", "like ISO6400"),
        ("15s f/2.8 ISO", "no number after ISO; write it like ISO6400"),
        ("15s f/ ISO800", "no number after f/"),
        ("15s 20s f/4", "the time is given twice"),
        ("f/4 f/5.6", "the f-number is given twice"),
        ("15s f/2,8 ISO800", "2,8 has a comma"),
        ("30h f/2.8 ISO100", "longer than any night"),
        ("fast", "no number after f/"),
        ("15s f/2.8 ISO800 please", "please is not understood"),
        ("15s f/1.2.3", "1.2.3 is not understood"),
        ("15s ND3", "ND3 can be a factor"),
        ("15s 0x", "a converter is 0"),
        ("🌌", "🌌 is not understood"),
    ] {
        let said = said(text);
        assert!(
            said.starts_with("--from: ") && said.contains(part),
            "{text}: {said}"
        );
    }
    let missing = solve(&read("15s f/2.8"), &read("f/4 ISO800")).unwrap_err();
    assert!(matches!(missing, StopsError::Missing { what: "the ISO", .. }));
    let few = solve(&read("15s f/2.8 ISO800"), &read("f/4")).unwrap_err();
    assert!(
        few.to_string().contains("the time and the ISO are missing"),
        "{few}"
    );
    assert!(solve(&read("15s f/2.8 ISO800"), &read("1s f/4 ISO800")).is_err());
}

/// Anything at all is read or refused, never a panic.
#[test]
fn no_text_is_a_panic() {
    let parts = [
        "15", "s", "'", "″", "/", "f", "ƒ", "iso", "-", ".", "nd", "x", "é", "9e9", ",", " ", "1", "🌌", "\0",
    ];
    let mut state = 1u32;
    let (mut read, mut refused) = (0, 0);
    for _ in 0..20_000 {
        let mut text = String::new();
        for _ in 0..(state >> 8) % 7 + 1 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            text += parts[(state >> 16) as usize % parts.len()];
        }
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        match Written::parse("text", &text) {
            Ok(w) => {
                read += 1;
                for value in [w.seconds, w.f_number, w.iso].into_iter().flatten() {
                    assert!(value.is_finite() && value > 0.0, "{text}");
                }
            }
            Err(_) => refused += 1,
        }
    }
    assert!(read > 100 && refused > 1000, "{read} {refused}");
}

#[test]
fn what_cannot_be_set_is_said() {
    let said = |from: &str, to: &str| solved(from, to).remarks().join(" ");
    assert_eq!(said("15s f/2.8 ISO6400", "f/4 ISO800"), "");
    assert_eq!(
        said("15s f/2.8 ISO6400", "90s f/2.8"),
        "The nearest mark is ISO 1250, 0.14 stop brighter."
    );
    assert!(said("15s f/2.8 ISO6400", "1s ISO100").contains("faster than f/0.5"));
    assert!(said("15s f/2.8 ISO6400", "1/8000s f/22").contains("No camera has that ISO"));
    assert!(said("15s f/2.8 ISO6400", "f/64 ISO6").contains("No night is that long"));
}

/// Filters and converters: ND1000 is sold as ten stops, a 1.4× converter costs one (common
/// practice, no source); exactly they are log2 1000 and 2 log2 1.4.
#[test]
fn attachments_are_stops() {
    let near = |a: f64, b: f64| (a - b).abs() < EXACT_STOPS;
    assert!(near(Attachment::Factor(1000.0).nominal_stops(), -10.0));
    assert!(near(Attachment::Factor(1000.0).stops(), -(1000f64.log2())));
    assert!(near(Attachment::Density(3.0).nominal_stops(), -10.0));
    assert!(near(Attachment::Density(0.9).nominal_stops(), -3.0));
    assert!(near(Attachment::Converter(1.4).nominal_stops(), -1.0));
    assert!(near(Attachment::Converter(0.71).nominal_stops(), 1.0));
    assert!(near(Attachment::Converter(2.0).stops(), -2.0));
    // No third is near 1.53 stops.
    assert!(near(
        Attachment::Converter(1.7).nominal_stops(),
        -2.0 * 1.7f64.log2()
    ));

    let answer = solved("1/60 f/8 ISO100", "f/8 ISO100 ND64");
    assert!((answer.to.seconds - 1.0).abs() < EXACT_STOPS && near(answer.stops.attachments, -6.0));
    assert_eq!(solved("15s f/4 ISO1600", "f/4 ISO1600 0.71x").to.seconds, 8.0);
    // A filter on both sides is none.
    assert_eq!(solved("15s f/4 ISO1600 ND8", "f/4 ISO800 ND8").to.seconds, 30.0);
}

#[test]
fn a_ladder_ends_where_a_limit_is_met_and_says_which() {
    let from = read("15s f/2.8 ISO6400").complete("from").unwrap();
    let rungs = |limits: &LadderLimits, thirds: i32| {
        let ladder = ladder(&from, thirds, limits).unwrap();
        let rungs: Vec<(f64, f64, f64)> = ladder
            .rungs
            .iter()
            .map(|r| (r.settings.seconds, r.settings.f_number, r.settings.iso))
            .collect();
        (rungs, ladder.ended_by)
    };
    let paper = LadderLimits {
        lowest_iso: Some(800.0),
        narrowest: Some(4.0),
        ..LadderLimits::default()
    };
    assert_eq!(
        rungs(&paper, 3),
        (
            vec![
                (15.0, 2.8, 6400.0),
                (30.0, 2.8, 3200.0),
                (60.0, 2.8, 1600.0),
                (120.0, 2.8, 800.0),
                (240.0, 4.0, 800.0)
            ],
            vec![Limit::LowestIso, Limit::Narrowest]
        )
    );
    let short = LadderLimits {
        longest_s: Some(100.0),
        ..paper
    };
    assert_eq!(rungs(&short, 3).1, [Limit::Longest]);
    assert_eq!(rungs(&short, 3).0.len(), 3);
    let wide = LadderLimits {
        widest: Some(2.0),
        highest_iso: Some(12800.0),
        ..LadderLimits::default()
    };
    assert_eq!(
        rungs(&wide, -3),
        (
            vec![(15.0, 2.8, 6400.0), (8.0, 2.0, 6400.0), (4.0, 2.0, 12800.0)],
            vec![Limit::Widest, Limit::HighestIso]
        )
    );
    // In thirds, with ISO and aperture sharing a stop: 800 is only two thirds below 1250.
    let odd = read("15s f/2.8 ISO1250").complete("from").unwrap();
    let shared = ladder(&odd, 3, &paper).unwrap();
    assert_eq!(
        shared.rungs[1].settings,
        read("30s f/3.2 ISO800").complete("x").unwrap()
    );
    assert_eq!(shared.rungs.len(), 2);
    // Every rung is the same exposure by the marks.
    let (all, _) = rungs(&LadderLimits::default(), 1);
    assert!(all.len() > 20);
    for (t, n, iso) in all {
        let there = read(&format!("{t}s f/{n} ISO{iso}"));
        let off = compare(&read("15s f/2.8 ISO6400"), &there)
            .unwrap()
            .marked_difference_stops;
        assert!(off.abs() < EXACT_STOPS, "{t} {n} {iso}: {off}");
    }
    let beyond = LadderLimits {
        longest_s: Some(10.0),
        ..LadderLimits::default()
    };
    assert!(matches!(
        ladder(&from, 3, &beyond),
        Err(StopsError::BeyondLimit { .. })
    ));
    assert!(ladder(&from, 0, &paper).is_err());
}
