//! The file of hints: what goes in comes out, and nonsense is a sentence.

use std::fs;

use nightloom_pipeline::{HINTS_TOML, HintKind, HintStroke, LandHints, LiveEdge};

use crate::temp::Temp;

fn hints() -> LandHints {
    let stroke = |is, radius_px, points_px: &[[f32; 2]]| HintStroke {
        is,
        radius_px,
        points_px: points_px.to_vec(),
    };
    let long: Vec<[f32; 2]> = (0..40)
        .map(|i| [i as f32 * 2.25, 100.0 - i as f32 * 0.5])
        .collect();
    LandHints {
        land_frame_px: [600, 400],
        strokes: vec![
            stroke(HintKind::Land, 12.0, &[[10.0, 20.5]]),
            stroke(HintKind::Sky, 2.5, &long),
        ],
    }
}

#[test]
fn what_is_written_is_read_and_no_stroke_is_no_file() {
    let folder = Temp::new();
    assert_eq!(LandHints::read(folder.path()).unwrap(), LandHints::default());
    let hints = hints();
    hints.write(folder.path()).unwrap();
    let again = LandHints::read(folder.path()).unwrap();
    assert_eq!(again, hints);
    assert_eq!(again.version(), hints.version());
    let text = fs::read_to_string(folder.path().join(HINTS_TOML)).unwrap();
    assert!(
        text.starts_with("# Hints for the edge")
            && text.contains("\n[[stroke]]\nis = \"land\"\nradius_px = 12\n"),
        "{text}"
    );
    let none = LandHints {
        strokes: Vec::new(),
        ..hints
    };
    none.write(folder.path()).unwrap();
    assert!(!folder.path().join(HINTS_TOML).exists());
    assert_eq!(none.version(), LandHints::default().version());
}

#[test]
fn nonsense_is_a_sentence_that_names_the_stroke() {
    let folder = Temp::new();
    let head = "land_frame_px = [600, 400]\n";
    let stroke = |is: &str, radius: &str, points: &str| {
        format!(
            "{head}[[stroke]]\nis = \"land\"\nradius_px = 3\npoints_px = [[1, 2]]\n[[stroke]]\nis = {is}\nradius_px = {radius}\npoints_px = {points}\n"
        )
    };
    for (text, parts) in [
        ("land_frame_px = [600".to_owned(), vec!["TOML"]),
        ("[[stroke]]\n".to_owned(), vec!["land_frame_px", "[6000, 4000]"]),
        (
            "land_frame_px = [0, 400]\n[[stroke]]\nis=\"sky\"\nradius_px=1\npoints_px=[[1,2]]\n".to_owned(),
            vec!["land_frame_px"],
        ),
        (format!("{head}strokes = 3\n"), vec!["strokes", "[[stroke]]"]),
        (
            stroke("\"water\"", "3", "[[1, 2]]"),
            vec!["stroke 2", "water", "land", "sky"],
        ),
        (
            stroke("\"sky\"", "0.2", "[[1, 2]]"),
            vec!["stroke 2", "radius_px", "0.2", "0.5"],
        ),
        (
            stroke("\"sky\"", "nan", "[[1, 2]]"),
            vec!["stroke 2", "radius_px"],
        ),
        (stroke("\"sky\"", "3", "[]"), vec!["stroke 2", "0 points"]),
        (
            stroke("\"sky\"", "3", "[[1, 2, 3]]"),
            vec!["stroke 2", "points_px"],
        ),
        (stroke("\"sky\"", "3", "[[1, inf]]"), vec!["stroke 2", "inf"]),
        (
            stroke("\"sky\"", "3", "[[1, 90000]]"),
            vec!["stroke 2", "90000", "600×400"],
        ),
        (
            format!("{}colour = 3\n", stroke("\"sky\"", "3", "[[1, 2]]")),
            vec!["stroke 2", "colour"],
        ),
    ] {
        fs::write(folder.path().join(HINTS_TOML), &text).unwrap();
        let said = LandHints::read(folder.path()).expect_err(&text).to_string();
        assert!(said.starts_with(HINTS_TOML), "{said}");
        for part in parts {
            assert!(said.contains(part), "{text}\n{said} does not name {part}");
        }
    }
    let mut many = hints();
    many.strokes = vec![many.strokes[0].clone(); 1001];
    assert!(many.check().is_err());
    assert!(many.write(folder.path()).is_err());
}

#[test]
fn strokes_follow_the_land_frame_onto_any_canvas() {
    let hints = hints();
    let moved = hints.on_canvas([600, 400], [0, 50]).unwrap();
    assert_eq!(moved[0].points, [[10.0, 70.5]]);
    // Half size: pixel 10 covers half of pixel 4.75 there.
    let half = hints.on_canvas([300, 200], [0, 0]).unwrap();
    assert_eq!(half[0].points, [[4.75, 10.0]]);
    assert_eq!(half[0].radius_px, 6.0);
    let said = hints.on_canvas([400, 600], [0, 0]).unwrap_err().to_string();
    assert!(said.contains("600×400") && said.contains("400×600"), "{said}");
}

#[test]
fn without_a_picture_there_is_no_edge_to_correct() {
    let folder = Temp::new();
    let said = LiveEdge::key(folder.path()).unwrap_err().to_string();
    assert!(said.contains("make the picture first"), "{said}");
}
