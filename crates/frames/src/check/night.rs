//! What is known of the night beside the pixels: place, time, moon, the camera's kind.

use crate::cause::{MoonTold, NightTold};
use nightloom_optics::Projection;
use nightloom_optics::sensor::{IsoFigures, classes};
use nightloom_raster::{Frame, FrameMeta};
use nightloom_sky::brightness::{Lights, MoonLight, SkyOverSite, SkyPatch};
use nightloom_sky::{
    Angle, EarthOrientation, Observer, SolarBody, Target, moon_illuminated_fraction, moon_phase_angle,
};

use super::look::Look;
use super::{CheckOptions, Standing};

pub(super) fn told(frame: &Frame, seen: &Look, standing: &Standing, options: &CheckOptions) -> NightTold {
    let meta = &frame.meta;
    let camera = camera(meta);
    let lights = lights(standing);
    NightTold {
        exposure_s: meta.exposure_s.filter(|t| t.is_finite() && *t > 0.0),
        scale_arcsec_px: seen.scale_arcsec_px(),
        moon: lights.as_ref().and_then(|l| moon(l, seen, standing)),
        sun_altitude_deg: lights.as_ref().map(|l| l.sun_altitude.deg()),
        read_noise: camera.map(|c| c.read_noise_e / c.full_well_e),
        shot_per_level: camera.map(|c| 1.0 / c.full_well_e),
        sharp_px: options.sharp_px,
        veil: seen.veil,
        sky_mag: seen.sky_mag(),
        starlight: None,
        linear: frame.was_linear,
        identified: seen.found.is_some(),
        f_number: meta.f_number,
        iso: meta.iso,
        fisheye: seen
            .found
            .as_ref()
            .is_some_and(|f| f.found.lens.projection != Projection::Rectilinear),
    }
}

/// Typical figures of a camera with such pixels.
fn camera(meta: &FrameMeta) -> Option<IsoFigures> {
    let (pitch, iso) = (meta.pixel_um?, meta.iso?);
    classes()
        .into_iter()
        .min_by(|a, b| (a.pitch_um - pitch).abs().total_cmp(&(b.pitch_um - pitch).abs()))?
        .at_iso(iso)
        .ok()
}

fn lights(standing: &Standing) -> Option<Lights> {
    let (site, at) = (standing.site?, standing.middle?);
    let observer = Observer::new(&site, at, EarthOrientation::default()).ok()?;
    let altitude = |body| observer.altitude(&Target::Body(body));
    let (_, distance_km) = observer.icrs(&Target::Body(SolarBody::Moon));
    Some(Lights {
        sun_altitude: altitude(SolarBody::Sun),
        moon: MoonLight {
            altitude: altitude(SolarBody::Moon),
            phase: moon_phase_angle(at).ok()?,
            distance_km: distance_km?,
        },
    })
}

/// Where the frame was not identified, half way up and well away from the moon.
const SOMEWHERE: (f64, f64) = (45.0, 60.0);

fn moon(lights: &Lights, seen: &Look, standing: &Standing) -> Option<MoonTold> {
    let (site, at) = (standing.site?, standing.middle?);
    let patch = seen.middle().and_then(|d| {
        let observer = Observer::new(&site, at, EarthOrientation::default()).ok()?;
        let (moon, _) = observer.icrs(&Target::Body(SolarBody::Moon));
        let height = (site.ground_from_icrs(at) * d).z.clamp(-1.0, 1.0).asin();
        Some(SkyPatch {
            altitude: Angle::from_rad(height.max(0.02)),
            moon_separation: Angle::from_rad(moon.angle(&d)),
        })
    });
    let patch = patch.unwrap_or(SkyPatch {
        altitude: Angle::from_deg(SOMEWHERE.0),
        moon_separation: Angle::from_deg(SOMEWHERE.1),
    });
    Some(MoonTold {
        altitude_deg: lights.moon.altitude.deg(),
        lit: moon_illuminated_fraction(at).ok()?,
        cost_mag: SkyOverSite::default().moon_cost_mag(lights, &patch).max(0.0),
    })
}
