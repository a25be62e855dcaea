//! What is put before or behind the lens, as stops.

/// Nominal stops are taken where they are this near to a third, in stops: ND1000 is sold as ten stops.
const NOMINAL: f64 = 0.05;

/// Something that changes the light without being one of the three settings.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Attachment {
    /// A filter that takes this many stops.
    Stops(f64),
    /// A filter that lets one part in so many through (ND8: 8).
    Factor(f64),
    /// A filter of this optical density: 10^−D comes through.
    Density(f64),
    /// A focal reducer (below 1) or teleconverter (above 1): multiplies the f-number.
    Converter(f64),
}

impl Attachment {
    /// Stops of light gained (negative where light is lost), exactly.
    pub fn stops(&self) -> f64 {
        match *self {
            Self::Stops(stops) => -stops,
            Self::Factor(factor) => -factor.log2(),
            Self::Density(density) => -density * std::f64::consts::LOG2_10,
            Self::Converter(factor) => -2.0 * factor.log2(),
        }
    }

    /// Stops as the trade counts them: the nearest third where that is less than 0.05 stop off,
    /// so that ND1000 takes ten and a 1.4× converter one; else exactly. Common practice, no source.
    pub fn nominal_stops(&self) -> f64 {
        let exact = self.stops();
        let third = (exact * 3.0).round() / 3.0;
        if (exact - third).abs() < NOMINAL {
            third
        } else {
            exact
        }
    }
}
