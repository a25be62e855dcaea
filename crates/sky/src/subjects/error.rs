//! Why there is no such subject.

/// Why there is no such subject.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SubjectError {
    /// Nothing was asked for.
    #[error(
        "no subject is named; give a name such as \"Milky Way core\", \"M 31\" or \"HIP 11767\", or RA,DEC in ICRS degrees"
    )]
    Empty,
    /// No such name.
    #[error("no subject is called \"{query}\"; {}", offer(.nearest))]
    Unknown {
        /// What was asked for.
        query: String,
        /// Names that are near it, the nearest first.
        nearest: Vec<String>,
    },
    /// No such star among those embedded.
    #[error(
        "HIP {hip} is not in the embedded catalogue, which holds the stars brighter than V = 8; give its RA,DEC in ICRS degrees instead"
    )]
    Star {
        /// The number asked for.
        hip: u32,
    },
    /// Coordinates beyond the sphere.
    #[error(
        "the {what} in \"{query}\" is {found_deg}; expected {expected} degrees (right ascension first, ICRS)"
    )]
    Coordinates {
        /// What was asked for.
        query: String,
        /// Which of the two.
        what: &'static str,
        /// What it must be.
        expected: &'static str,
        /// What it is.
        found_deg: f64,
    },
    /// Elements of no orbit.
    #[error("the orbit of \"{name}\" cannot be read: {problem}")]
    Orbit {
        /// The comet.
        name: String,
        /// What is wrong with which element.
        problem: String,
    },
}

fn offer(nearest: &[String]) -> String {
    match nearest {
        [] => "give another name, or RA,DEC in ICRS degrees".to_owned(),
        [one] => format!("perhaps {one} is meant"),
        [most @ .., last] => format!("perhaps {} or {last} is meant", most.join(", ")),
    }
}
