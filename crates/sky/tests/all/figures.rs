//! Lines between bright stars: what the eye joins.

use nightloom_sky::subjects::figures::{Figure, figures};

fn of(abbreviation: &str) -> &'static Figure {
    let all = figures().iter();
    let mut all = all.filter(|f| f.constellation.abbreviation == abbreviation);
    all.next().expect("a figure")
}

/// Whether each star of a chain is joined to the next, by their Hipparcos numbers.
fn joined(figure: &Figure, chain: &[u32]) -> bool {
    let hips = |[i, j]: [usize; 2]| [figure.stars[i].hip, figure.stars[j].hip];
    let lines: Vec<[u32; 2]> = figure.lines.iter().map(|line| hips(*line)).collect();
    chain
        .windows(2)
        .all(|pair| lines.contains(&[pair[0], pair[1]]) || lines.contains(&[pair[1], pair[0]]))
}

/// Rows of stars that every description of the sky names as such (from memory): the names are the IAU's.
#[test]
fn rows_that_everyone_sees_are_joined() {
    // Alnitak, Alnilam, Mintaka.
    assert!(joined(of("Ori"), &[26727, 26311, 25930]), "the belt");
    // Alkaid, Mizar, Alioth, Megrez, Phecda, Merak, Dubhe.
    let dipper = [67301, 65378, 62956, 59774, 58001, 53910, 54061];
    assert!(joined(of("UMa"), &dipper), "the dipper but for its brim");
    // Segin, Ruchbah, gamma.
    assert!(joined(of("Cas"), &[8886, 6686, 4427]), "half of the W");
    // Deneb, Sadr; Sadr, Aljanah.
    assert!(
        joined(of("Cyg"), &[102_098, 100_453, 102_488]),
        "the swan's tail and wing"
    );
    // Fang, Dschubba, Acrab; Antares between Alniyat and tau.
    assert!(joined(of("Sco"), &[78265, 78401, 78820]), "the scorpion's head");
    assert!(joined(of("Sco"), &[80112, 80763, 81266]), "its heart");
}

#[test]
fn every_figure_is_one_piece_of_its_own_stars() {
    assert!(figures().len() > 60, "{}", figures().len());
    for figure in figures() {
        let name = figure.constellation.name;
        // The graph holds the shortest tree (Toussaint 1980, theorem 1), so it is connected.
        let mut reached = vec![0];
        for _ in 0..figure.stars.len() {
            let ends = figure
                .lines
                .iter()
                .filter_map(|[i, j]| match [i, j].map(|k| reached.contains(k)) {
                    [true, false] => Some(*j),
                    [false, true] => Some(*i),
                    _ => None,
                });
            let next: Vec<usize> = ends.collect();
            reached.extend(next);
        }
        reached.sort_unstable();
        reached.dedup();
        assert_eq!(reached.len(), figure.stars.len(), "{name} is in pieces");
        assert!(figure.stars.is_sorted_by(|a, b| a.v_mag <= b.v_mag), "{name}");
    }
}
