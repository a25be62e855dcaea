//! A frame measured and identified, as its check needs it.

use crate::cause::{SkyStar, Veil, View, veil};
use nalgebra::Vector3;
use nightloom_optics::Lens;
use nightloom_raster::{Frame, Plane};
use nightloom_sky::{Instant, catalogue};
use nightloom_stars::{Background, BackgroundSettings, BlindIdentification, Field};

use super::Standing;
use crate::single::{FrameLight, LensTold, Lenses, SkyPlace, Sought, Stance, light_of, seek, tangent};
use nightloom_outing::World;

/// Reach within which a star is the catalogue's, pixels.
const REACH_PX: f64 = 3.0;
/// Sine of the altitude that a picture's middle has at least, or place and time are wrong.
const LOWEST: f64 = -0.05;
/// Sine of the altitude (15°) below which haze hides stars on clear nights too.
const HAZY: f64 = 0.26;
/// Stars nearer to the frame's edge are not expected, pixels.
const EDGE_PX: f64 = 12.0;

/// What one frame gave.
pub(super) struct Look {
    pub(super) plane: Plane,
    pub(super) field: Field,
    pub(super) found: Option<BlindIdentification>,
    pub(super) view: View,
    pub(super) veil: Option<Veil>,
    /// Stars and sky in magnitudes, where identified.
    pub(super) light: Option<FrameLight>,
}

impl Look {
    /// Width and height of the brightness, pixels.
    pub(super) fn size(&self) -> [usize; 2] {
        [self.plane.width(), self.plane.height()]
    }

    /// ICRS direction of the picture's middle.
    pub(super) fn middle(&self) -> Option<Vector3<f64>> {
        let at = [
            0.5 * (self.field.width as f64 - 1.0),
            0.5 * (self.field.height as f64 - 1.0),
        ];
        self.found.as_ref()?.direction(at)
    }

    pub(super) fn centre(&self) -> Option<SkyPlace> {
        let d = self.middle()?;
        Some(SkyPlace {
            ra_deg: d.y.atan2(d.x).to_degrees().rem_euclid(360.0),
            dec_deg: d.z.clamp(-1.0, 1.0).asin().to_degrees(),
        })
    }

    /// Arcseconds per pixel at the middle, where the lens is known.
    pub(super) fn scale_arcsec_px(&self) -> Option<f64> {
        let scale = self.view.lens.scale_at(self.view.lens.centre_px)?;
        self.view
            .scaled
            .then(|| (scale.radial.rad() * scale.tangential.rad()).sqrt().to_degrees() * 3600.0)
    }

    /// What `identify` tells of the same frame.
    pub(super) fn sky_mag(&self) -> Option<f64> {
        self.light.as_ref()?.sky_mag_arcsec2
    }
}

pub(super) fn look(
    frame: &Frame,
    lens: &LensTold,
    lenses: Option<&Lenses>,
    standing: &Standing,
    world: &dyn World,
) -> Look {
    let plane = frame.pixels.brightness();
    let size = [plane.width(), plane.height()];
    let known = lenses.and_then(|l| l.find(&frame.meta, size));
    let when = standing.middle.unwrap_or_else(|| world.now());
    let Sought { field, found, .. } = seek(&plane, frame, lens, known, when);
    let hint = tangent(lens, &frame.meta, size);
    let view = view(found.as_ref(), hint, size);
    let mut look = Look {
        plane,
        field,
        found,
        view,
        veil: None,
        light: None,
    };
    let stance = standing
        .site
        .zip(standing.middle)
        .map(|(site, middle)| Stance::new(site, middle))
        .filter(|s| look.middle().is_some_and(|d| s.height(&d) > LOWEST));
    look.light = look
        .found
        .as_ref()
        .map(|found| light_of(frame, &look.field, found, stance.as_ref()));
    let background = Background::sampled(&look.plane, None, &BackgroundSettings::default(), 4);
    let noise = |x: f64, y: f64| f64::from(background.noise_at(x, y));
    look.veil = look.found.as_ref().filter(|f| !f.mirrored).and_then(|f| {
        let misses = look.light.as_ref().map_or(&[][..], |l| &l.misses);
        veil(
            &sky_stars(&look.field, f, when, stance.as_ref()),
            misses,
            size,
            noise,
        )
    });
    look
}

fn view(found: Option<&BlindIdentification>, hint: Option<f64>, [width, height]: [usize; 2]) -> View {
    let half = 0.5 * (width as f64).hypot(height as f64);
    match found {
        Some(f) if !f.mirrored => View {
            lens: f.found.lens,
            scaled: true,
            pole: Some(f.found.attitude * Vector3::z()),
        },
        Some(f) => View {
            lens: Lens::rectilinear(f.found.lens.focal_px, width, height),
            scaled: true,
            pole: None,
        },
        None => View {
            // Without any hint, a moderate wide angle.
            lens: Lens::rectilinear(half / hint.unwrap_or(0.7), width, height),
            scaled: hint.is_some(),
            pole: None,
        },
    }
}

/// The catalogue's stars that stand in the frame's sky, and which of them were found.
fn sky_stars(
    field: &Field,
    found: &BlindIdentification,
    when: Instant,
    stance: Option<&Stance>,
) -> Vec<SkyStar> {
    let mut by_column: Vec<(f64, usize)> = field.stars.iter().enumerate().map(|(i, s)| (s.x, i)).collect();
    by_column.sort_by(|a, b| a.0.total_cmp(&b.0));
    let reach = REACH_PX.max(2.0 * found.found.rms_px);
    let (right, low) = (field.width as f64 - EDGE_PX, field.height as f64 - EDGE_PX);
    let near_land = field.land.grown(1);
    catalogue::stars()
        .iter()
        .filter_map(|star| {
            let stands = star.direction(when).into_inner();
            if stance.is_some_and(|s| s.height(&stands) < HAZY) {
                return None;
            }
            let d = found.found.attitude * stands;
            let [x, y] = found.found.lens.project(&d)?;
            let inside = x > EDGE_PX && y > EDGE_PX && x < right && y < low;
            (inside && !near_land.is_land(x, y)).then(|| {
                let from = by_column.partition_point(|c| c.0 < x - reach);
                let own = by_column[from..]
                    .iter()
                    .take_while(|c| c.0 <= x + reach)
                    .map(|c| &field.stars[c.1])
                    .filter(|s| (s.x - x).hypot(s.y - y) < reach)
                    .max_by(|a, b| a.flux.total_cmp(&b.flux));
                SkyStar {
                    x,
                    y,
                    v_mag: f64::from(star.v_mag),
                    flux: own.filter(|s| !s.saturated).map(|s| f64::from(s.flux)),
                    found: own.is_some(),
                }
            })
        })
        .collect()
}
