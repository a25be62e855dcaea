//! What is to be rendered: place, night, camera, tracker, and what goes wrong.

use crate::role::ShotRole;
use nightloom_optics::{Exposure, Lens};
use nightloom_raster::Cfa;
use nightloom_sky::{Air, Angle, Instant, Site};

/// Pixels of a frame; the sensor is 36 × 24 mm at every size.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Size {
    /// 900 × 600, for tests.
    Small,
    /// 3000 × 2000.
    #[default]
    Default,
    /// 6000 × 4000.
    Full,
}

impl Size {
    /// Width and height in pixels.
    pub const fn pixels(self) -> (usize, usize) {
        match self {
            Self::Small => (900, 600),
            Self::Default => (3000, 2000),
            Self::Full => (6000, 4000),
        }
    }
}

/// What stands over the sensor's pixels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Filters {
    /// Bayer, red first.
    #[default]
    Rggb,
    /// Bayer, blue first.
    Bggr,
    /// Bayer, green first, red beside it.
    Grbg,
    /// Bayer, green first, blue beside it.
    Gbrg,
    /// The 6 × 6 cell of X-Trans sensors.
    XTrans,
    /// None: a monochrome sensor, which here sees as much as under green filters.
    None,
    /// Frames that come with all colours at every pixel, already free of fall-off, dust and hot pixels.
    Linear,
}

impl Filters {
    /// The cell; none for linear frames.
    pub fn cfa(self) -> Cfa {
        match self {
            Self::Rggb => Cfa::RGGB,
            Self::Bggr => Cfa::BGGR,
            Self::Grbg => Cfa::GRBG,
            Self::Gbrg => Cfa::GBRG,
            Self::XTrans => Cfa::X_TRANS,
            Self::None | Self::Linear => Cfa::NONE,
        }
    }
}

/// How many frames of each role.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Counts {
    /// Tracked frames.
    pub sky: usize,
    /// Frames from the fixed tripod.
    pub land: usize,
    /// Dark frames for the sky frames.
    pub dark: usize,
    /// Evenly lit frames.
    pub flat: usize,
}

impl Default for Counts {
    fn default() -> Self {
        Self {
            sky: 12,
            land: 4,
            dark: 6,
            flat: 6,
        }
    }
}

/// The one-axis tracker and its faults.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct TrackerFaults {
    /// How far the axis points too far east, seen from the pole.
    pub axis_off_east: Angle,
    /// How far the axis points too high.
    pub axis_off_up: Angle,
    /// Amplitude of the periodic error (half of peak to peak).
    pub periodic_amplitude: Angle,
    /// Its period, seconds.
    pub periodic_s: f64,
}

impl Default for TrackerFaults {
    fn default() -> Self {
        Self {
            axis_off_east: Angle::from_arcmin(-5.0),
            axis_off_up: Angle::from_arcmin(3.5),
            periodic_amplitude: Angle::from_arcsec(20.0),
            periodic_s: 480.0,
        }
    }
}

/// What happens to which frame (numbers from 0 within the role); `None` where it does not happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Mishaps {
    /// Sky frame under thin cloud.
    pub cloud: Option<usize>,
    /// Sky frame in which the tripod was bumped.
    pub bump: Option<usize>,
    /// Sky frame crossed by an aircraft.
    pub aircraft: Option<usize>,
    /// Sky frame with a meteor.
    pub meteor: Option<usize>,
    /// Satellites over the whole sky sequence; they fall on frames by chance.
    pub satellites: usize,
}

impl Default for Mishaps {
    fn default() -> Self {
        Self {
            cloud: Some(8),
            bump: Some(5),
            aircraft: Some(3),
            meteor: Some(10),
            satellites: 7,
        }
    }
}

impl Mishaps {
    /// Nothing goes wrong.
    pub const fn none() -> Self {
        Self {
            cloud: None,
            bump: None,
            aircraft: None,
            meteor: None,
            satellites: 0,
        }
    }
}

/// A frame taken otherwise than the others of its role.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct OddExposure {
    /// Its role.
    pub role: ShotRole,
    /// Its number within the role, from 0.
    pub index: usize,
    /// Seconds.
    pub seconds: f64,
    /// ISO.
    pub iso: f64,
}

/// A direction the camera is aimed at, without refraction, and its roll.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Aim {
    /// Azimuth of the frame's centre, from north through east.
    pub azimuth: Angle,
    /// Altitude of the frame's centre.
    pub altitude: Angle,
    /// Clockwise turn of the camera about its axis as the photographer sees it, 0 level.
    pub roll: Angle,
}

/// Which of the truth pictures are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TruthPictures {
    /// None; the JSON alone.
    None,
    /// The matte.
    Matte,
    /// The matte, the land, the sky with and without stars, and the composite.
    #[default]
    All,
}

/// A night to be rendered.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Scenario {
    /// Name of the invented place.
    pub place: String,
    /// What in the sky the picture is about.
    pub subject: String,
    /// Where the tripod stands.
    pub site: Site,
    /// The air, for refraction.
    pub air: Air,
    /// Offset of the camera's clock from UTC, minutes east.
    pub utc_offset_min: i32,
    /// How far the camera's clock is ahead of what its offset says, seconds (a wrong clock).
    pub clock_error_s: f64,
    /// Start of the first sky frame.
    pub start: Instant,
    /// Pause from the end of the last sky frame to the first land frame, seconds.
    pub land_pause_s: f64,
    /// Pause between frames, seconds.
    pub frame_pause_s: f64,
    /// Pixels.
    pub size: Size,
    /// What stands over them.
    pub filters: Filters,
    /// Frames of each role.
    pub counts: Counts,
    /// Exposure of a sky frame.
    pub sky_exposure: Exposure,
    /// Exposure of a land frame.
    pub land_exposure: Exposure,
    /// Exposure of a flat.
    pub flat_exposure: Exposure,
    /// Frames whose time and ISO are their own (a bracket, a test frame); the f-number is the lens's.
    pub odd: Vec<OddExposure>,
    /// Focal length, millimetres.
    pub focal_mm: f64,
    /// Radial distortion k₁, k₂, k₃ as in [`Lens`].
    pub radial: [f64; 3],
    /// Where the sky frames are aimed at the start.
    pub sky_aim: Aim,
    /// Where the land frames are aimed.
    pub land_aim: Aim,
    /// The tracker.
    pub tracker: TrackerFaults,
    /// Frames after which the camera is nudged.
    pub nudge_every: usize,
    /// How far a nudge goes, pixels at 6000 across.
    pub nudge_px: f64,
    /// Extra roll spread evenly over the sky frames, from none at the first to this at the last.
    pub roll_over_sky: Angle,
    /// How far the tripod turns between land frames, about the camera's x and y axes and its own axis.
    pub land_turn: [Angle; 3],
    /// Extinction in V, magnitudes per airmass.
    pub extinction_mag: f64,
    /// Full width at half maximum of a star's image before the pixel, pixels; what optics and seeing make of it at this size
    /// when not given.
    pub star_px: Option<f64>,
    /// Surface brightness of the zenith without the Milky Way, V magnitudes per square arcsecond.
    pub zenith_mag: f64,
    /// Faintest synthetic star, V magnitude.
    pub faintest_mag: f64,
    /// What goes wrong.
    pub mishaps: Mishaps,
    /// Truth pictures to write.
    pub truth_pictures: TruthPictures,
    /// Seed of everything that is left to chance.
    pub seed: u64,
}

impl Default for Scenario {
    /// The Northern Cross standing over Owlstone Ridge (invented; in the Southern Carpathians) on
    /// 20 November 2024: dark until the waning moon (71 % lit) clears the horizon behind the camera at
    /// 19:05 UTC; it is 5° high when the land is taken.
    fn default() -> Self {
        Self {
            place: "Owlstone Ridge".into(),
            subject: "the Northern Cross and the Milky Way in Cygnus and Aquila, setting".into(),
            site: Site {
                latitude: Angle::from_deg(45.42),
                longitude: Angle::from_deg(24.10),
                elevation_m: 1240.0,
            },
            air: Air {
                pressure_hpa: 872.0,
                temperature_c: -4.0,
            },
            utc_offset_min: 120,
            clock_error_s: 0.0,
            start: Instant::from_timestamp(jiff::Timestamp::constant(1_732_128_140, 0)),
            land_pause_s: 2640.0,
            frame_pause_s: 4.0,
            size: Size::Default,
            filters: Filters::Rggb,
            counts: Counts::default(),
            sky_exposure: Exposure {
                seconds: 90.0,
                f_number: 2.8,
                iso: 800.0,
            },
            land_exposure: Exposure {
                seconds: 90.0,
                f_number: 2.8,
                iso: 800.0,
            },
            flat_exposure: Exposure {
                seconds: 0.008,
                f_number: 2.8,
                iso: 800.0,
            },
            odd: Vec::new(),
            focal_mm: 24.0,
            radial: [-0.03, 0.004, 0.0],
            sky_aim: Aim {
                azimuth: Angle::from_deg(281.0),
                altitude: Angle::from_deg(31.5),
                roll: Angle::from_deg(7.5),
            },
            land_aim: Aim {
                azimuth: Angle::from_deg(291.0),
                altitude: Angle::from_deg(18.0),
                roll: Angle::from_deg(-0.3),
            },
            tracker: TrackerFaults::default(),
            nudge_every: 3,
            nudge_px: 16.0,
            roll_over_sky: Angle::from_deg(0.0),
            land_turn: [Angle::from_deg(0.0); 3],
            extinction_mag: 0.17,
            star_px: None,
            zenith_mag: 21.75,
            faintest_mag: 12.0,
            mishaps: Mishaps::default(),
            truth_pictures: TruthPictures::All,
            seed: 20_241_120,
        }
    }
}

impl Scenario {
    /// The lens on this sensor. The principal point is off the middle by 0.1 % of the width, as in
    /// any real camera.
    pub fn lens(&self) -> Lens {
        let (width, height) = self.size.pixels();
        let focal_px = self.focal_mm / self.pitch_mm();
        let mut lens = Lens::rectilinear(focal_px, width, height);
        lens.centre_px[0] += 0.001 * width as f64;
        lens.centre_px[1] -= 0.0006 * width as f64;
        lens.radial = self.radial;
        lens
    }

    /// Distance from pixel to pixel, millimetres.
    pub(crate) fn pitch_mm(&self) -> f64 {
        36.0 / self.size.pixels().0 as f64
    }
}

impl Scenario {
    /// The exposure of one frame whose role has `usual`.
    pub(crate) fn exposure(&self, role: ShotRole, index: usize, usual: Exposure) -> Exposure {
        let odd = self.odd.iter().find(|o| (o.role, o.index) == (role, index));
        odd.map_or(usual, |o| Exposure {
            seconds: o.seconds,
            iso: o.iso,
            ..usual
        })
    }
}
