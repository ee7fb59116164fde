//! Samples as 16-bit fixed point: code = (sample − lowest) / step, rounded, little-endian.

use std::ops::Range;

use pulp::{Arch, NullaryFnOnce};

/// Bytes of a stored sample.
pub(super) const SAMPLE_BYTES: usize = 2;

/// The fixed point of a burst.
#[derive(Clone, Copy, Debug)]
pub(super) struct Code {
    pub(super) step: f32,
    pub(super) lowest: f32,
}

impl Code {
    pub(super) fn encode(self, samples: &[f32], codes: &mut [u8]) {
        let (codes, _) = codes.as_chunks_mut::<SAMPLE_BYTES>();
        let per_step = 1.0 / self.step;
        let start = 0.5 - self.lowest * per_step;
        Arch::new().dispatch(Encode { per_step, start, samples, codes });
    }

    /// Decodes some columns of the rows of a strip into rows of `width` samples, from column `first` on.
    pub(super) fn decode(self, strip: StripRows<'_>, samples: &mut [f32], width: usize, first: usize) {
        Arch::new().dispatch(Decode { code: self, strip, samples, width, first });
    }
}

/// A closure would not be compiled for the vector width at hand: this is inlined for certain.
struct Encode<'a> {
    per_step: f32,
    start: f32,
    samples: &'a [f32],
    codes: &'a mut [[u8; SAMPLE_BYTES]],
}

impl NullaryFnOnce for Encode<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (code, &sample) in self.codes.iter_mut().zip(self.samples) {
            // A float cast saturates: samples beyond the range are held at its ends.
            *code = ((sample * self.per_step + self.start) as u16).to_le_bytes();
        }
    }
}

/// Rows of a strip as they lie in the file, `width` codes each, and the columns that are wanted of them.
pub(super) struct StripRows<'a> {
    pub(super) codes: &'a [u8],
    pub(super) width: usize,
    pub(super) columns: Range<usize>,
}

/// The way back.
struct Decode<'a> {
    code: Code,
    strip: StripRows<'a>,
    samples: &'a mut [f32],
    width: usize,
    first: usize,
}

impl NullaryFnOnce for Decode<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { code: Code { step, lowest }, strip, samples, width: target_width, first } = self;
        let StripRows { codes, width, columns } = strip;
        let (codes, _) = codes.as_chunks::<SAMPLE_BYTES>();
        for (samples, codes) in samples.chunks_exact_mut(target_width).zip(codes.chunks_exact(width)) {
            let samples = &mut samples[first..first + columns.len()];
            for (sample, &code) in samples.iter_mut().zip(&codes[columns.clone()]) {
                *sample = f32::from(u16::from_le_bytes(code)) * step + lowest;
            }
        }
    }
}
