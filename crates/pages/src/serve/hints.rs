//! Hints for the edge of land and sky: kept, and answered at once on the matte.

use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{Query as UrlQuery, State};
use axum::http::StatusCode;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use nightloom_develop::TILE_PX;
use nightloom_outing::Digest;
use nightloom_pipeline::{HintStroke, HintsError, LandHints, LiveEdge, LiveEdgeError, MattePatch};
use serde_json::json;

use super::app::{App, Event};
use super::reply::{Failed, aside};
use super::words;

/// A post of strokes may have so many bytes.
pub(super) const STROKES_BYTES: usize = 8 << 20;

/// The edge under correction, and the matte that the last strokes made of it.
#[derive(Default)]
pub(super) struct Edge {
    live: Mutex<Option<Arc<Live>>>,
    /// Held while hints.toml is compared and written.
    file: Mutex<()>,
}

struct Live {
    edge: LiveEdge,
    width: usize,
    height: usize,
    /// The matte without hints, 0 land to 255 sky.
    base: Vec<u8>,
    shown: Mutex<Option<(Digest, Arc<Vec<u8>>)>>,
}

impl From<LiveEdgeError> for Failed {
    fn from(error: LiveEdgeError) -> Self {
        let status = match error {
            LiveEdgeError::Missing | LiveEdgeError::Damaged(_) => StatusCode::NOT_FOUND,
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        Self(status, error.to_string())
    }
}

impl From<HintsError> for Failed {
    fn from(error: HintsError) -> Self {
        let status = match error {
            HintsError::Unreadable(_) | HintsError::Unwritable(_) => StatusCode::INTERNAL_SERVER_ERROR,
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        Self(status, error.to_string())
    }
}

impl Edge {
    /// What the last build left of the edge, read once.
    fn live(&self, app: &App) -> Result<Arc<Live>, Failed> {
        let key = LiveEdge::key(&app.folder)?;
        let mut held = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(live) = held.as_ref().filter(|l| l.edge.identity() == key) {
            return Ok(Arc::clone(live));
        }
        *held = None;
        let edge = LiveEdge::open(&app.folder)?;
        let matte = edge.matte();
        let live = Arc::new(Live {
            width: matte.width(),
            height: matte.height(),
            base: matte.data().iter().map(|a| byte(*a)).collect(),
            edge,
            shown: Mutex::default(),
        });
        *held = Some(Arc::clone(&live));
        Ok(live)
    }
}

fn byte(alpha: f32) -> u8 {
    (alpha.clamp(0.0, 1.0) * 255.0 + 0.5) as u8
}

impl Live {
    /// The matte with the hints that are in the file now. Who asks while it is made waits for it.
    fn with_hints(&self, app: &App) -> Result<Arc<Vec<u8>>, Failed> {
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        let hints = LandHints::read(&app.folder)?;
        let version = hints.version();
        if let Some((_, matte)) = shown.as_ref().filter(|(of, _)| *of == version) {
            return Ok(Arc::clone(matte));
        }
        let never = AtomicBool::new(false);
        let patches = self.edge.answer(&hints, &never)?;
        let mut matte = self.base.clone();
        patches.iter().for_each(|patch| self.lay(patch, &mut matte));
        let matte = Arc::new(matte);
        *shown = Some((version, Arc::clone(&matte)));
        Ok(matte)
    }

    fn lay(&self, patch: &MattePatch, matte: &mut [u8]) {
        let [ox, oy] = self.edge.origin_px();
        let [x0, y0] = [patch.origin_px[0] as i64 + ox, patch.origin_px[1] as i64 + oy];
        // The picture may be cropped through the window.
        let (skip, x0) = ((-x0).max(0) as usize, x0.max(0) as usize);
        for (y, row) in (y0..).zip((0..patch.alpha.height()).map(|y| patch.alpha.row(y))) {
            let Some(y) = usize::try_from(y).ok().filter(|y| *y < self.height) else {
                continue;
            };
            let to = &mut matte[y * self.width..][..self.width];
            let shown = to.iter_mut().skip(x0).zip(row.iter().skip(skip));
            shown.for_each(|(to, a)| *to = byte(*a));
        }
    }
}

/// The strokes that are kept, and the frame they lie on.
pub(super) async fn kept(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let told = aside(move || {
        let frame = LiveEdge::land_frame(&app.folder)?;
        let hints = LandHints::read(&app.folder)?;
        Ok::<_, Failed>(json!({
            "version": hints.version().to_string(),
            "land_frame_px": frame.size_px,
            "origin_px": frame.origin_px,
            "strokes_on_px": hints.land_frame_px,
            "strokes": hints.strokes,
        }))
    });
    Ok(axum::Json(told.await??).into_response())
}

/// Reads what is needed to answer strokes at once.
pub(super) async fn ready(State(app): State<Arc<App>>) -> Result<Response, Failed> {
    let told = aside(move || {
        let live = app.edge.live(&app)?;
        live.with_hints(&app)?;
        Ok::<_, Failed>(json!({ "width_px": live.width, "height_px": live.height }))
    });
    Ok(axum::Json(told.await??).into_response())
}

#[derive(serde::Deserialize)]
pub(super) struct Brushed {
    /// The strokes' version that these were brushed on.
    was: String,
    /// All of them.
    strokes: Vec<HintStroke>,
}

/// Keeps strokes, if nobody else has changed them meanwhile.
pub(super) async fn keep(
    State(app): State<Arc<App>>,
    axum::Json(brushed): axum::Json<Brushed>,
) -> Result<Response, Failed> {
    let told = aside(move || {
        let _held = app.edge.file.lock().unwrap_or_else(PoisonError::into_inner);
        let _turn = nightloom_outing::turn_to_write(&app.folder)
            .map_err(|e| Failed(StatusCode::CONFLICT, e.to_string()))?;
        let frame = LiveEdge::land_frame(&app.folder)?;
        let now = LandHints::read(&app.folder)?;
        if now.version().to_string() != brushed.was {
            return Err(Failed(StatusCode::CONFLICT, words::HINTS_CHANGED.into()));
        }
        let hints = LandHints {
            land_frame_px: frame.size_px,
            strokes: brushed.strokes,
        };
        hints.write(&app.folder)?;
        // As it will be read again: numbers are kept to a hundredth of a pixel.
        let version = LandHints::read(&app.folder)?.version().to_string();
        app.tell(Event::Hints {
            version: version.clone(),
        });
        Ok(json!({ "version": version, "strokes": hints.strokes.len() }))
    });
    Ok(axum::Json(told.await??).into_response())
}

#[derive(serde::Deserialize)]
pub(super) struct Tile {
    #[serde(default)]
    level: u32,
    #[serde(default)]
    x: usize,
    #[serde(default)]
    y: usize,
    /// The strokes' version wanted; “none” for the matte without any.
    version: String,
}

/// One tile of the matte as bare bytes, 0 land to 255 sky, with one more column and row of its neighbours.
pub(super) async fn matte(
    State(app): State<Arc<App>>,
    UrlQuery(asked): UrlQuery<Tile>,
) -> Result<Response, Failed> {
    let drawn = aside(move || {
        let live = app.edge.live(&app)?;
        let whole = match asked.version.as_str() {
            "none" => Arc::new(live.base.clone()),
            _ => live.with_hints(&app)?,
        };
        let missing = || Failed(StatusCode::NOT_FOUND, words::NOTHING_HERE.into());
        tile(&whole, [live.width, live.height], &asked).ok_or_else(missing)
    });
    let headers = [
        (CONTENT_TYPE, "application/octet-stream"),
        (CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, drawn.await??).into_response())
}

fn tile(matte: &[u8], [width, height]: [usize; 2], asked: &Tile) -> Option<Vec<u8>> {
    let side = 1usize
        .checked_shl(asked.level)
        .filter(|s| *s <= width.max(height).next_power_of_two())?;
    let (columns, rows) = (width.div_ceil(side), height.div_ceil(side));
    let (x0, y0) = (asked.x.checked_mul(TILE_PX)?, asked.y.checked_mul(TILE_PX)?);
    if x0 >= columns || y0 >= rows {
        return None;
    }
    let (w, h) = (TILE_PX.min(columns - x0), TILE_PX.min(rows - y0));
    let mut out = Vec::with_capacity((w + 1) * (h + 1));
    for j in y0..=y0 + h {
        let j = j.min(rows - 1);
        for i in x0..=x0 + w {
            let i = i.min(columns - 1);
            let (mut sum, mut n) = (0u64, 0u64);
            for y in j * side..((j + 1) * side).min(height) {
                let row = &matte[y * width + i * side..y * width + ((i + 1) * side).min(width)];
                sum += row.iter().map(|v| u64::from(*v)).sum::<u64>();
                n += row.len() as u64;
            }
            out.push((sum / n.max(1)) as u8);
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(level: u32, x: usize, y: usize) -> Tile {
        Tile {
            level,
            x,
            y,
            version: String::new(),
        }
    }

    #[test]
    fn tiles_are_means_and_know_their_neighbours() {
        let size = [700, 30];
        let matte: Vec<u8> = (0..700 * 30)
            .map(|i| if i % 700 < 512 { 0 } else { 255 })
            .collect();
        let first = tile(&matte, size, &asked(0, 0, 0)).unwrap();
        assert_eq!(first.len(), 513 * 31);
        assert_eq!((first[511], first[512]), (0, 255), "the neighbour's first column");
        let half = tile(&matte, size, &asked(1, 0, 0)).unwrap();
        assert_eq!(half.len(), 351 * 16);
        assert_eq!((half[255], half[256]), (0, 255));
        let last = tile(&matte, size, &asked(10, 0, 0)).unwrap();
        assert_eq!(last, [(255 * 188 / 700) as u8; 4]);
        for (level, x, y) in [(0, 2, 0), (0, 0, 1), (11, 0, 0), (200, 0, 0), (0, usize::MAX, 0)] {
            assert!(
                tile(&matte, size, &asked(level, x, y)).is_none(),
                "{level} {x} {y}"
            );
        }
    }
}
