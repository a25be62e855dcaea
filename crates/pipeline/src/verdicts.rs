//! The report of a build, put together.

use std::fs;
use std::path::Path;

use nightloom_stack::{Neutral, NeutralBasis};

use super::inventory::Item;
use super::page::{PageParts, page};
use super::report::{
    BuildReport, ColourReport, FrameReport, LandReport, LensReport, Outputs, SeamReport, SkyReport,
};
use crate::scene::{Made, Scene};
use nightloom_journal::{Bench, BuildError, StepCounts};
use nightloom_outing::{RESULTS, Role, Settings};
use nightloom_stars::Residual;
use serde::{Deserialize, Serialize};

impl Outputs {
    /// Paths inside the outing of all results, for the journal.
    pub(super) fn names(&self) -> Vec<String> {
        let all = [
            &self.picture,
            &self.layers,
            &self.layer_pages,
            &self.layer_sky,
            &self.layer_stars,
            &self.layer_land,
            &self.preview,
            &self.report,
            &self.matte,
            &self.sky,
            &self.land,
            &self.coverage,
            &self.linear,
            &self.skyline,
        ];
        let name = |p: &std::path::PathBuf| Some(format!("{RESULTS}/{}", p.file_name()?.to_str()?));
        all.into_iter().flatten().filter_map(name).collect()
    }
}

impl Scene<'_> {
    /// Puts the report together, and what its page shows beside it.
    pub(super) fn report(&self, bench: &Bench<'_>, made: Made) -> (BuildReport, Shows) {
        let registration = &self.tracked.registration;
        let frames_used = self.tracked.used().count();
        let seam = self.seam(&made);
        let report = BuildReport {
            frames: self
                .items
                .iter()
                .enumerate()
                .map(|(i, item)| self.frame(i, item, &made))
                .collect(),
            sky: Some(SkyReport {
                frames_used,
                registration_rms_px: (self.sky_frames.len() > 1).then_some(self.rms_of_used()),
                noise: f64::from(made.sky.noise[1]),
                rejected_fraction: made.sky.rejected_fraction,
                figures: made.figures,
                identified_stars: self.tracked.identified.as_ref().map_or(0, |i| i.matches.len()),
            }),
            land: LandReport {
                frames_used: self
                    .land
                    .as_ref()
                    .map_or(0, |c| c.frames.len() - made.land.left_out.len()),
                largest_shift_px: made
                    .land
                    .shifts_px
                    .iter()
                    .map(|s| s[0].hypot(s[1]))
                    .fold(0.0, f64::max),
            },
            seam,
            canvas: made.grid,
            outputs: made.outputs,
            seconds: 0.0,
            peak_memory_mib: 0.0,
            warnings: bench.warnings.clone(),
            incomplete: self
                .items
                .iter()
                .filter(|i| i.passing)
                .map(|i| i.name.clone())
                .collect(),
            lens: Some(LensReport {
                focal_px: registration.lens.focal_px,
                centre_px: registration.lens.centre_px,
                radial: registration.lens.radial,
                scale_arcsec_per_px: (1.0 / registration.lens.focal_px).atan().to_degrees() * 3600.0,
            }),
            colour: made.neutral.map(colour),
            light: Some(made.light),
            site_shared: self.settings.files.share_site,
            steps: StepCounts::default(),
        };
        let shows = Shows {
            picture: made.picture_jpeg,
            matte: made.matte_jpeg,
            coverage: made.coverage_jpeg,
            thumbs: self.thumbs(),
            residuals: registration.residuals.clone(),
            sky_size: self.frame_size(self.sky_frames),
        };
        (report, shows)
    }

    /// Over all stars of the frames in the stack, weighted by their number.
    fn rms_of_used(&self) -> f64 {
        let (sum, count) = self.tracked.used().fold((0.0, 0.0), |(sum, count), i| {
            let frame = &self.tracked.registration.frames[i];
            let n = frame.matched as f64;
            (sum + n * frame.rms_px * frame.rms_px, count + n)
        });
        if count > 0.0 { f64::sqrt(sum / count) } else { 0.0 }
    }

    fn seam(&self, made: &Made) -> SeamReport {
        let placed = made.placed.as_ref();
        let reference = self.tracked.registration.reference;
        let alone = self.times.sky[reference]
            .as_ref()
            .map(nightloom_outing::FrameTime::middle);
        SeamReport {
            sky_fraction: made.sky_fraction,
            offset_px: made.offset_px,
            instant: match placed {
                Some(p) => p.timed.then_some(p.placement.instant),
                None => alone,
            },
            instant_reason: placed.map_or_else(
                || "the reference sky frame was taken then".into(),
                |p| p.why.clone(),
            ),
            instant_from_land_s: placed.and_then(|p| {
                let land = p.land_middle.filter(|_| p.timed)?;
                Some(p.placement.instant.seconds_since(land))
            }),
            placement: placed.map_or_else(|| "the reference sky frame".into(), |p| p.by.clone()),
            placement_rms_px: placed.map(|p| p.placement.rms_px).filter(|r| *r > 0.0),
            filled_fraction: made.fill.filled_fraction,
            veiled_fraction: made.fill.veiled_fraction,
            land_gain: made.land_gain,
            luminance_step: made.luminance_step,
            skyline_deg: made.skyline_deg,
        }
    }

    fn frame(&self, index: usize, item: &Item, made: &Made) -> FrameReport {
        let role = item.decision.role.map_or("unknown", Role::word).to_owned();
        let base = FrameReport {
            path: item.name.clone(),
            role,
            role_reason: item.decision.reason.clone(),
            used: item.out.is_none(),
            reason: item.out.clone().unwrap_or_else(|| "used".into()),
            ..FrameReport::default()
        };
        if item.out.is_some() {
            return base;
        }
        let place = |list: &[crate::prepare::Prepared]| list.iter().position(|p| p.item == index);
        match item.decision.role {
            Some(Role::Sky) => place(self.sky_frames).map_or(base.clone(), |i| self.sky_frame(i, base, made)),
            Some(Role::Land) => {
                place(self.land_frames).map_or(base.clone(), |i| self.land_frame(i, base, made))
            }
            _ => FrameReport {
                reason: "in a master frame".into(),
                ..base
            },
        }
    }

    fn sky_frame(&self, i: usize, base: FrameReport, made: &Made) -> FrameReport {
        let verdict = &self.tracked.verdicts[i];
        let registration = &self.tracked.registration.frames[i];
        let stacked = self.tracked.used().position(|u| u == i);
        FrameReport {
            used: verdict.use_it,
            reason: format!("{} ({})", verdict.reason, self.sky_frames[i].facts.calibrated),
            weight: Some(f64::from(verdict.weight)),
            registration_rms_px: registration.rotation.is_some().then_some(registration.rms_px),
            rotation_from_reference: registration.rotation.map(|r| {
                let m = r.matrix();
                std::array::from_fn(|i| std::array::from_fn(|j| m[(i, j)]))
            }),
            rejected_fraction: stacked.and_then(|k| made.sky.rejected.get(k).copied()),
            ..with_field(base, &self.sky_frames[i].facts)
        }
    }

    fn land_frame(&self, i: usize, base: FrameReport, made: &Made) -> FrameReport {
        let facts = &self.land_frames[i].facts;
        let chosen = self.land.iter().flat_map(|c| &c.left_out).find(|l| l.0 == i);
        let left_out = chosen
            .map(|l| l.1.clone())
            .or_else(|| self.left_out_of_stack(i, made));
        let reason = match &left_out {
            Some(reason) => reason.clone(),
            None => format!("stacked ({})", facts.calibrated),
        };
        FrameReport {
            used: left_out.is_none(),
            reason,
            ..with_field(base, facts)
        }
    }

    /// Why a chosen land frame is not in the stack.
    fn left_out_of_stack(&self, i: usize, made: &Made) -> Option<String> {
        let chosen = self.land.as_ref()?;
        let key = self.land_frames[i].key;
        let at = chosen.frames.iter().position(|f| f.frame.key == key)?;
        let found = made.land.left_out.iter().find(|l| l.0 == at)?;
        Some(format!("not in the land: {}", found.1))
    }

    fn thumbs(&self) -> Vec<Option<Vec<u8>>> {
        let prepared = || self.sky_frames.iter().chain(self.land_frames);
        let of = |i: usize| {
            fs::read(&prepared().find(|p| p.item == i)?.thumb)
                .ok()
                .filter(|t| !t.is_empty())
        };
        (0..self.items.len()).map(of).collect()
    }
}

/// What the report's page shows that is not in the report.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Shows {
    /// JPEGs, as are the next ones.
    #[serde(skip)]
    pub(super) picture: Vec<u8>,
    matte: Option<Vec<u8>>,
    coverage: Vec<u8>,
    thumbs: Vec<Option<Vec<u8>>>,
    residuals: Vec<Residual>,
    sky_size: (usize, usize),
}

/// Writes the report's page.
pub(super) fn write_page(
    bench: &Bench<'_>,
    settings: &Settings,
    items: &[Item],
    report: &BuildReport,
    shows: Shows,
) -> Result<(), BuildError> {
    bench.show("Writing the report", 0.0, "")?;
    let Some(path) = &report.outputs.report else {
        return Ok(());
    };
    let parts = PageParts {
        title: title(settings, bench.journal.folder()),
        picture: shows.picture,
        matte: shows.matte,
        coverage: Some(shows.coverage),
        thumbs: shows.thumbs,
        residuals: &shows.residuals,
        sky_size: shows.sky_size,
        settings: settings_text(settings),
        provenance: provenance(items),
    };
    let text = page(report, &parts);
    nightloom_raster::atomic::write_whole(path, |f| std::io::Write::write_all(f, text.as_bytes()))
        .map_err(|e| BuildError::write(path, &e))
}

/// All settings as JSON; the place in degrees, as `outing.toml` has it, unless it is not to be given away with the picture.
fn settings_text(settings: &Settings) -> String {
    let mut all = serde_json::to_value(settings).unwrap_or_default();
    if settings.site.place.is_some() && !settings.files.share_site {
        all["site"]["place"] = serde_json::json!("left out; site.share = true tells it");
    } else if let Some(place) = &settings.site.place {
        all["site"]["place"] = serde_json::json!({
            "latitude_deg": place.latitude.deg(),
            "longitude_deg": place.longitude.deg(),
            "elevation_m": place.elevation_m,
        });
    }
    serde_json::to_string_pretty(&all).unwrap_or_default()
}

fn title(settings: &Settings, folder: &Path) -> String {
    let folder = folder.file_name().map(|n| n.to_string_lossy().into_owned());
    let told = settings.outing.name.clone();
    told.or(folder).unwrap_or_else(|| "An outing".into())
}

fn provenance(items: &[Item]) -> Vec<(String, String)> {
    items
        .iter()
        .filter_map(|i| Some((i.name.clone(), i.hash?.to_string())))
        .collect()
}

fn colour(neutral: Neutral) -> ColourReport {
    let basis = match neutral.basis {
        NeutralBasis::Catalogue => "the catalogue colours of identified stars",
        NeutralBasis::MedianStar => "the median star taken for white",
    };
    ColourReport {
        gains: neutral.gains,
        stars: neutral.stars,
        basis: basis.into(),
    }
}

fn with_field(base: FrameReport, facts: &super::prepare::PreparedFacts) -> FrameReport {
    let field = &facts.field;
    let has_stars = !field.stars.is_empty();
    let adu = f64::from(facts.sky_level[1]) * ((1u64 << facts.bits.min(32)) - 1) as f64;
    FrameReport {
        calibration: Some(facts.calibrated.clone()),
        stars: field.stars.len(),
        fwhm_px: has_stars.then_some(f64::from(field.fwhm_px)),
        elongation: has_stars.then_some(f64::from(field.elongation)),
        background_e_or_adu: Some(adu),
        ..base
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nightloom_sky::Site;

    #[test]
    fn the_report_keeps_the_place_to_itself_unless_it_is_shared() {
        let mut settings = Settings::default();
        settings.site.place = Site::new(47.25, 8.5, 600.0).ok();
        assert!(!settings_text(&settings).contains("47.25"));
        settings.files.share_site = true;
        assert!(settings_text(&settings).contains("47.25"));
    }
}
