//! The edge of land and sky: found once for a land stack, corrected by the photographer's hints.

use std::fs::File;
use std::io::BufReader;

use nightloom_raster::atomic::write_whole;
use nightloom_raster::{Plane, Rgb};
use nightloom_seam::{
    Coarse, Evidence, Finding, Matte, MatteSettings, Places, SeparateSettings, Stroke, Temporal, apply,
    group_strokes, matte, read_edge, separate, solve_group, write_edge,
};

use nightloom_outing::hash_bytes;

use super::join::with_work;
use super::land::LandStack;
use crate::hints::{EDGE_STEP, EdgeFacts, LandHints};
use nightloom_journal::{Bench, BuildError, StepKey};

/// What the land frames tell of the edge.
pub(super) struct Edge {
    /// The matte and the land picture's star-free sky.
    pub(super) matte: Matte,
    /// What was found.
    pub(super) finding: Finding,
    /// The matte before the photographer's hints, where there are any: they move neither the moment shown nor the crop.
    pub(super) unhinted: Option<Plane>,
}

impl Edge {
    /// The matte as found.
    pub(super) fn found(&self) -> &Plane {
        self.unhinted.as_ref().unwrap_or(&self.matte.alpha)
    }
}

/// The land stack in its frame's pixels and how it came about.
pub(super) struct Ground<'a> {
    pub(super) land: &'a LandStack,
    /// Path of the first land frame, and how many there are.
    pub(super) frame: &'a str,
    pub(super) frames: usize,
    /// Middles of the first frame's star trails.
    pub(super) stars: &'a [[f32; 2]],
    /// What is known from where the camera looked.
    pub(super) places: &'a Places,
}

/// Finds the matte in the land stack and corrects it by the hints.
pub(super) fn find_edge(
    bench: &mut Bench<'_>,
    ground: &Ground<'_>,
    hints: &LandHints,
) -> Result<Edge, BuildError> {
    let (mut coarse, mut found) = kept_or_found(bench, ground)?;
    let size = ground.land.frame_px;
    let mut unhinted = None;
    match hints.on_canvas(size, [0, 0]) {
        Ok(strokes) if strokes.is_empty() => {}
        Ok(strokes) => {
            unhinted = Some(found.alpha.clone());
            correct(bench, ground, &mut coarse, &mut found, &strokes)?;
        }
        Err(error) => bench.warn(format!("The hints for the edge were left out: {error}.")),
    }
    Ok(Edge {
        finding: coarse.finding,
        matte: found,
        unhinted,
    })
}

/// The edge without hints, which only the land stack decides.
fn kept_or_found(bench: &mut Bench<'_>, ground: &Ground<'_>) -> Result<(Coarse, Matte), BuildError> {
    let land = ground.land;
    let key = StepKey::new(EDGE_STEP, 9)
        .input("land", land.key)
        .settings(&(ground.frames, ground.stars))
        .input("places", hash_bytes(ground.places.bytes()))
        .finish();
    let (name, path) = bench.work_file(EDGE_STEP, key, "edge")?;
    if bench.kept::<EdgeFacts>(EDGE_STEP, key).is_some() {
        let file = File::open(&path).map_err(|e| BuildError::read(&path, &e))?;
        if let Ok(kept) = read_edge(&mut BufReader::with_capacity(1 << 20, file), &land.picture) {
            return Ok(kept);
        }
    }
    let found = find(bench, ground)?;
    bench.show("Keeping the edge", 1.0, "")?;
    write_whole(&path, |out| write_edge(out, &found.0, &found.1))
        .map_err(|e| BuildError::write(&path, &e))?;
    let facts = EdgeFacts {
        land: land.work.clone(),
        edge: name.clone(),
        frame: ground.frame.to_owned(),
        land_px: land.frame_px,
        frames: ground.frames,
    };
    bench.done(EDGE_STEP, key, &[&name], &facts)?;
    Ok(found)
}

fn find(bench: &Bench<'_>, ground: &Ground<'_>) -> Result<(Coarse, Matte), BuildError> {
    let land = ground.land;
    let temporal = (ground.frames > 1).then_some(Temporal {
        mean: &land.mean,
        variance: &land.variance,
    });
    let evidence = Evidence {
        temporal,
        stars: ground.stars,
        places: Some(ground.places),
        ..Evidence::of_land(&land.picture, ground.frames)
    };
    let coarse = with_work(bench, "Telling land from sky", |work| {
        separate(&evidence, &SeparateSettings::default(), work)
    })?;
    let found = with_work(bench, "Drawing the matte", |work| {
        matte(&evidence, &coarse, &MatteSettings::default(), work)
    })?;
    Ok((coarse, found))
}

/// Solves the windows round the strokes again.
fn correct(
    bench: &Bench<'_>,
    ground: &Ground<'_>,
    coarse: &mut Coarse,
    found: &mut Matte,
    strokes: &[Stroke],
) -> Result<(), BuildError> {
    let settings = MatteSettings::default();
    let picture: &Rgb = &ground.land.picture;
    let evidence = Evidence::of_land(picture, ground.frames);
    let groups = group_strokes(coarse, strokes, &settings);
    let mut patches = Vec::new();
    for (i, group) in groups.iter().enumerate() {
        bench.show("Following the hints", i as f64 / groups.len() as f64, "")?;
        patches.push(with_work(bench, "Following the hints", |work| {
            solve_group(&evidence, coarse, found, strokes, group, &settings, work)
        })?);
    }
    with_work(bench, "Following the hints", |work| {
        apply(&evidence, coarse, found, &patches, &settings, work)
    })
}
