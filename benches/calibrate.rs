//! Speed of what is done once to each frame before detection: 24 megapixels of an invented mosaic.
//!
//! `cargo bench --no-default-features --bench calibrate`

use divan::Bencher;
use divan::counter::ItemsCount;
use nightsheaf::calibrate::{ContentMeasure, DefectFinder, LineProfile, Masters, NoiseModel, calibrate};
use nightsheaf::pixels::{CalibratedFrame, Cfa, Layout, Orientation, Plane, Size};
use nightsheaf::raw::{CameraColor, Metadata, RawFrame, TransferFunction};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SIZE: Size = Size { width: 6000, height: 4000 };
/// Of [`raw`]: four bytes of random bits on a level, read as noise alone.
const NOISE: NoiseModel = NoiseModel { read_variance: 2.0e-5, photon_variance_per_unit: 1.0e-6 };

fn main() {
    divan::main();
}

/// A level with noise that is the sum of four random bytes: nearly normal, 148 data numbers wide.
fn raw() -> RawFrame {
    let mut random = ChaCha8Rng::seed_from_u64(24);
    let sample = |_, _| {
        let bytes = random.next_u32().to_le_bytes();
        1024 + bytes.into_iter().map(u16::from).sum::<u16>()
    };
    RawFrame {
        layout: Layout::Mosaic(Cfa::RGGB),
        planes: vec![Plane::from_fn(SIZE, sample)],
        black_level: [1024.0; 4],
        white_level: 32_767,
        transfer: TransferFunction::Linear,
        color: CameraColor::SRGB,
        orientation: Orientation::Normal,
        metadata: Metadata::default(),
        margins: nightsheaf::raw::Margins::default(),
    }
}

fn calibrated() -> CalibratedFrame {
    calibrate(&raw(), &Masters::default())
}

#[divan::bench]
fn calibrate_frame(bencher: Bencher<'_, '_>) {
    let raw = raw();
    bencher.counter(ItemsCount::new(SIZE.area())).bench(|| calibrate(&raw, &Masters::default()));
}

#[divan::bench]
fn defect_suspects(bencher: Bencher<'_, '_>) {
    let frame = calibrated();
    bencher.counter(ItemsCount::new(SIZE.area())).bench(|| DefectFinder::suspects(&frame, &NOISE));
}

#[divan::bench]
fn what_a_frame_shows(bencher: Bencher<'_, '_>) {
    let raw = raw();
    bencher.counter(ItemsCount::new(SIZE.area())).bench(|| ContentMeasure::of(&raw));
}

#[divan::bench]
fn means_of_rows_and_columns(bencher: Bencher<'_, '_>) {
    let frame = calibrated();
    let sky = |_: usize, _: usize, _: usize, row: &mut [f32]| row.fill(0.016);
    bencher.counter(ItemsCount::new(SIZE.area())).bench(|| LineProfile::of(&frame, &NOISE, &sky));
}

#[divan::bench]
fn noise_of_a_pair(bencher: Bencher<'_, '_>) {
    let (first, second) = (calibrated(), calibrated());
    bencher.bench(|| NoiseModel::from_pair(&first, &second));
}
