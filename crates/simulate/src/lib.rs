//! A night with known truth, rendered into raw frames.
