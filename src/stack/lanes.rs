//! Pixels side by side: what one vector instruction treats at once.

/// Pixels treated side by side.
pub(super) const LANES: usize = 16;
/// One sample of each of them.
pub(super) type Lanes = [f32; LANES];

/// The same where it is written and read again and again: in lines of the cache of its own, none of which it shares.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
#[repr(align(64))]
pub(super) struct Aligned(pub(super) Lanes);

/// The samples of a group of pixels that begins at `start`.
#[inline(always)]
pub(super) fn group(plane: &[f32], start: usize) -> Lanes {
    plane[start..start + LANES].try_into().expect("a group has as many samples")
}

/// One value for each pixel of a group.
///
/// A loop of our own: what a library function calls is not sure to be compiled for the vector width at hand.
#[inline(always)]
pub(super) fn each(value: impl Fn(usize) -> f32) -> Lanes {
    let mut lanes = [0.0; LANES];
    for (place, lane) in lanes.iter_mut().enumerate() {
        *lane = value(place);
    }
    lanes
}

/// The greater of two; a comparison and a choice, which vectors have.
#[inline(always)]
pub(super) fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The lesser of two.
#[inline(always)]
pub(super) fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}
