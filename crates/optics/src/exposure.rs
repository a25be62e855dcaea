//! Exposure settings and exposure values.

/// The three settings of an exposure.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Exposure {
    /// Time the shutter is open, seconds.
    pub seconds: f64,
    /// Relative aperture N.
    pub f_number: f64,
    /// ISO speed.
    pub iso: f64,
}

impl Exposure {
    /// Exposure value EV = log2(N²/t) (APEX).
    pub fn ev(&self) -> f64 {
        (self.f_number * self.f_number / self.seconds).log2()
    }
    /// Exposure value at ISO 100: EV − log2(ISO/100).
    pub fn ev100(&self) -> f64 {
        self.ev() - (self.iso / 100.0).log2()
    }
    /// How many times more signal this exposure records from the same scene than `other` does:
    /// the ratio of t·ISO/N².
    pub fn gain_over(&self, other: &Self) -> f64 {
        let signal = |e: &Self| e.seconds * e.iso / (e.f_number * e.f_number);
        signal(self) / signal(other)
    }
}
