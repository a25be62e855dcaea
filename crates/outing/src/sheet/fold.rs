//! Long lists made short enough for a phone.

use super::words::{fill, say};
use crate::shots::{Block, BlockKind};

/// With more lines than this, sky frames and the nudges between them become one line.
const LONG: usize = 300;
/// No sheet holds more lines than this.
pub(super) const MOST: usize = 600;

/// The same list; if it is long, with the frames between two re-checks in one line.
pub(super) fn folded(blocks: &[Block], nudge_every: u32) -> Vec<Block> {
    if blocks.len() <= LONG {
        return blocks.to_vec();
    }
    let mut short: Vec<Block> = Vec::new();
    for block in blocks {
        match (short.last_mut(), block.kind) {
            (Some(run), BlockKind::Sky | BlockKind::Nudge) if run.kind == BlockKind::Sky => {
                run.to = block.to;
                run.count += block.count;
                if block.kind == BlockKind::Nudge {
                    run.note = match nudge_every {
                        1 => say::NUDGE_EACH.into(),
                        n => fill(say::NUDGES, &[("n", &n.to_string())]),
                    };
                }
            }
            _ => short.push(block.clone()),
        }
    }
    short
}
