//! Angles whose unit lives in the names of constructors and getters.

use std::ops::{Add, Mul, Neg, Sub};

/// A plane angle. Not wrapped: 370° stays 370° until [`Angle::wrapped_360`] is asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
#[serde(transparent)]
pub struct Angle {
    radians: f64,
}

impl Angle {
    /// From radians.
    pub const fn from_rad(radians: f64) -> Self {
        Self { radians }
    }
    /// From degrees.
    pub const fn from_deg(degrees: f64) -> Self {
        Self {
            radians: degrees * (std::f64::consts::PI / 180.0),
        }
    }
    /// From arcminutes.
    pub const fn from_arcmin(arcmin: f64) -> Self {
        Self::from_deg(arcmin / 60.0)
    }
    /// From arcseconds.
    pub const fn from_arcsec(arcsec: f64) -> Self {
        Self::from_deg(arcsec / 3600.0)
    }
    /// In radians.
    pub const fn rad(self) -> f64 {
        self.radians
    }
    /// In degrees.
    pub const fn deg(self) -> f64 {
        self.radians * (180.0 / std::f64::consts::PI)
    }
    /// In arcminutes.
    pub const fn arcmin(self) -> f64 {
        self.deg() * 60.0
    }
    /// In arcseconds.
    pub const fn arcsec(self) -> f64 {
        self.deg() * 3600.0
    }
    /// Sine.
    pub fn sin(self) -> f64 {
        self.radians.sin()
    }
    /// Cosine.
    pub fn cos(self) -> f64 {
        self.radians.cos()
    }
    /// Tangent.
    pub fn tan(self) -> f64 {
        self.radians.tan()
    }
    /// The same direction in 0° to 360°.
    pub fn wrapped_360(self) -> Self {
        Self {
            radians: self.radians.rem_euclid(std::f64::consts::TAU),
        }
    }
    /// The same direction in −180° to 180°.
    pub fn wrapped_180(self) -> Self {
        let half = std::f64::consts::PI;
        Self {
            radians: (self.radians + half).rem_euclid(2.0 * half) - half,
        }
    }
}

impl Add for Angle {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self {
            radians: self.radians + other.radians,
        }
    }
}
impl Sub for Angle {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self {
            radians: self.radians - other.radians,
        }
    }
}
impl Neg for Angle {
    type Output = Self;
    fn neg(self) -> Self {
        Self {
            radians: -self.radians,
        }
    }
}
impl Mul<f64> for Angle {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self {
            radians: self.radians * factor,
        }
    }
}
