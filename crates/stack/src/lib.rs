//! Calibration, warping, combining, background, colour and tone.
