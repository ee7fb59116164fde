//! The row loops of calibration, in the widest vectors that the machine has.

use pulp::Arch;

/// Samples side by side: even, so that the two columns of a mosaic keep their places.
const LANES: usize = 16;

/// (sample − black of its column) × scale.
pub(super) fn linear_row(samples: &[u16], black: [f32; 2], scale: f32, target: &mut [f32]) {
    let black: [f32; LANES] = std::array::from_fn(|lane| black[lane % 2]);
    Arch::new().dispatch(|| {
        let (samples, last_samples) = samples.as_chunks::<LANES>();
        let (target, last_target) = target.as_chunks_mut::<LANES>();
        for (target, samples) in target.iter_mut().zip(samples) {
            for lane in 0..LANES {
                target[lane] = (f32::from(samples[lane]) - black[lane]) * scale;
            }
        }
        for ((target, &sample), black) in last_target.iter_mut().zip(last_samples).zip(black) {
            *target = (f32::from(sample) - black) * scale;
        }
    });
}

/// Adds the samples at or above the white level to the mask.
pub(super) fn mark_saturated(samples: &[u16], white_level: u16, mask: &mut [bool]) {
    Arch::new().dispatch(|| {
        for (marked, &sample) in mask.iter_mut().zip(samples) {
            *marked |= sample >= white_level;
        }
    });
}

/// Less the master.
pub(super) fn subtract_row(target: &mut [f32], master: &[f32]) {
    Arch::new().dispatch(|| {
        for (target, &master) in target.iter_mut().zip(master) {
            *target -= master;
        }
    });
}

/// Less bias + (dark − bias) × ratio.
pub(super) fn subtract_scaled_row(target: &mut [f32], bias: &[f32], dark: &[f32], ratio: f32) {
    Arch::new().dispatch(|| {
        for ((target, &bias), &dark) in target.iter_mut().zip(bias).zip(dark) {
            *target -= bias + (dark - bias) * ratio;
        }
    });
}

/// Over the flat.
pub(super) fn divide_row(target: &mut [f32], flat: &[f32]) {
    Arch::new().dispatch(|| {
        for (target, &flat) in target.iter_mut().zip(flat) {
            *target /= flat;
        }
    });
}
