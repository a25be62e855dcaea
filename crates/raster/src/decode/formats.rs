//! What is read, and by what evidence: no format is called tried that is not.

/// By what it is known that files of a format are read rightly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Evidence {
    /// A whole file as a camera wrote it is decoded in the tests, and its pixels are compared with another reader's.
    WholeFile,
    /// Files that the tests or another library wrote are decoded, pixels compared; none is a camera's own.
    Written,
    /// Only headers are looked at in the tests: size, refusal, exposure.
    Header,
    /// Nothing is tried; the decoder that is used says that it reads them.
    Promise,
}

impl Evidence {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::WholeFile => "a camera's whole file in the tests",
            Self::Written => "written by a test or another library, decoded as any other",
            Self::Header => "header only",
            Self::Promise => "the decoder's promise",
        }
    }
}

/// A format of files that is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
pub struct InputFormat {
    /// What it is called.
    pub name: &'static str,
    /// Endings of its files' names, small letters.
    pub endings: &'static [&'static str],
    /// By what it is known to be read.
    pub evidence: Evidence,
    /// What exactly.
    pub note: &'static str,
}

const fn of(
    name: &'static str,
    endings: &'static [&'static str],
    evidence: Evidence,
    note: &'static str,
) -> InputFormat {
    InputFormat {
        name,
        endings,
        evidence,
        note,
    }
}

/// Every format that is taken, the best tried first.
pub const INPUT_FORMATS: &[InputFormat] = &[
    of(
        "DNG",
        &["dng"],
        Evidence::WholeFile,
        "A camera's own and a converted one (reduced, lossy), pixels compared with other readers'; written: Bayer mosaics in four phases, 6 × 6 (X-Trans), linear, monochrome. Other filters are refused.",
    ),
    of(
        "KDC",
        &["kdc"],
        Evidence::WholeFile,
        "One camera's of 1996, pixels compared with LibRaw's; the others by the decoder's promise.",
    ),
    of(
        "FITS",
        &["fits", "fit", "fts"],
        Evidence::Written,
        "8 to 64 bits, whole and floating, mosaics with their offsets; written by astropy.",
    ),
    of(
        "TIFF",
        &["tif", "tiff"],
        Evidence::Written,
        "8 and 16 bits and floating, strips and tiles, compressed or not, with profiles; written by tifffile.",
    ),
    of(
        "PNG",
        &["png"],
        Evidence::Written,
        "8 and 16 bits, with profiles.",
    ),
    of(
        "JPEG",
        &["jpg", "jpeg"],
        Evidence::Written,
        "With EXIF, turned as it says.",
    ),
    of(
        "RAF",
        &["raf"],
        Evidence::Header,
        "Size and damage from the header; pixels by the decoder's promise, Bayer and 6 × 6 (X-Trans).",
    ),
    of(
        "RW2",
        &["rw2"],
        Evidence::Header,
        "Size and damage from the header; pixels by the decoder's promise.",
    ),
    of(
        "CR2, CR3, CRW",
        &["cr2", "cr3", "crw"],
        Evidence::Promise,
        "Bayer only.",
    ),
    of("NEF, NRW", &["nef", "nrw"], Evidence::Promise, "Bayer only."),
    of("ARW, SR2", &["arw", "sr2"], Evidence::Promise, "Bayer only."),
    of("ORF", &["orf"], Evidence::Promise, "Bayer only."),
    of("PEF", &["pef"], Evidence::Promise, "Bayer only."),
    of(
        "other raw",
        &["3fr", "dcr", "erf", "iiq", "mef", "mos", "mrw", "rwl", "srw"],
        Evidence::Promise,
        "Bayer only.",
    ),
];

#[cfg(test)]
mod tests {
    use super::super::kind::{OTHER, RAW};
    use super::INPUT_FORMATS;

    #[test]
    fn every_ending_that_is_taken_is_in_the_table_once() {
        let mut told: Vec<&str> = INPUT_FORMATS.iter().flat_map(|f| f.endings).copied().collect();
        let mut taken: Vec<&str> = RAW.iter().chain(&OTHER).copied().collect();
        told.sort_unstable();
        taken.sort_unstable();
        assert_eq!(told, taken);
    }

    #[test]
    fn the_best_tried_come_first() {
        assert!(INPUT_FORMATS.is_sorted_by_key(|f| f.evidence));
    }
}
