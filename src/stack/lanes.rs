//! Pixels side by side: what one vector instruction treats at once.

/// Pixels treated side by side.
pub(super) const LANES: usize = 16;
/// One sample of each of them.
pub(super) type Lanes = [f32; LANES];

/// The samples of a group of pixels that begins at `start`.
#[inline(always)]
pub(super) fn group(plane: &[f32], start: usize) -> Lanes {
    plane[start..start + LANES].try_into().expect("a group has as many samples")
}

/// One value for each pixel of a group.
#[inline(always)]
pub(super) fn each(value: impl Fn(usize) -> f32) -> Lanes {
    std::array::from_fn(value)
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
