//! The sky alone and the land alone, each all over the frame, so that they can be joined anew elsewhere.

use crate::error::Error;
use crate::job::Monitor;
use crate::pixels::LinearImage;
use crate::stack::{JoinRule, MosaicRows, StackRequest, stack};

/// What the picture is joined from, in reference-frame coordinates.
#[derive(Clone, Debug)]
pub struct Layers {
    /// The stack on the moving stars; the still frames where the landscape hid the sky in every frame.
    pub sky: LinearImage,
    /// The stack on the still tripod, with the stars smeared or clipped away; `None` where there is no landscape.
    pub land: Option<LinearImage>,
}

/// Stacks each of the two by the same rule as the picture.
pub(super) fn stack_layers(
    monitor: &Monitor,
    rows: &dyn MosaicRows,
    request: &StackRequest<'_>,
) -> Result<Layers, Error> {
    let only_sky = StackRequest { join: JoinRule::SkyWhereSeen, ..request.clone() };
    let sky = stack(&monitor.named("Stacking the sky alone"), rows, &only_sky)?.image;
    let only_land = StackRequest { sky: Vec::new(), foreground: None, ..request.clone() };
    let alone = monitor.named("Stacking the land alone");
    let land = if request.land.is_empty() { None } else { Some(stack(&alone, rows, &only_land)?.image) };
    Ok(Layers { sky, land })
}
