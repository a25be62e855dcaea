//! Shape of one star: centre, moments, flux.
