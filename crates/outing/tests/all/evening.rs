//! How an evening is told.

use nightloom_outing::evening::Shows;

#[test]
fn heights_are_those_of_the_handbooks() {
    // Mount Everest, 8848.86 m or 29 031.7 ft (joint survey of Nepal and China, 2020; from memory).
    let feet = Shows {
        feet: true,
        ..Shows::default()
    };
    assert_eq!(feet.height(8848.86), "29032 ft");
    assert_eq!(Shows::default().height(8848.86), "8849 m");
    assert_eq!(feet.height(0.0), "0 ft");
}
