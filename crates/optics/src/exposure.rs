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
    /// The scene's light that saturates a pixel, N²/(t·ISO/100): a frame's values, as parts of saturation, times
    /// this are light in a unit that does not depend on its settings. By the saturation-based speed of ISO 12232
    /// (exposure at saturation 78/ISO lux·s, H = 0.65·L·t/N²) one unit is a luminance of 1.2 cd/m² where a camera
    /// holds to it; between frames of one camera only the ratio counts, which is exact.
    ///
    /// ```
    /// let long = nightloom_optics::Exposure { seconds: 60.0, f_number: 2.0, iso: 1600.0 };
    /// let short = nightloom_optics::Exposure { seconds: 15.0, ..long };
    /// assert_eq!(short.light_at_saturation() / long.light_at_saturation(), 4.0);
    /// ```
    pub fn light_at_saturation(&self) -> f64 {
        self.f_number * self.f_number / (self.seconds * self.iso / 100.0)
    }
}
