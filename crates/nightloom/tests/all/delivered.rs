//! What a build writes; for the tests and for the example that harms.

/// Everything a build of land and sky delivers, by name.
pub(crate) const DELIVERED: [&str; 9] = [
    "picture.tif",
    "layers.ora",
    "matte.tif",
    "sky.tif",
    "land.tif",
    "coverage.tif",
    "linear.fits",
    "preview.jpg",
    "report.html",
];
