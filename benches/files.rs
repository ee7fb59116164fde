//! Speed of what touches files: decoding a frame, the scratch file, the finished picture; 24 megapixels each.
//!
//! `cargo bench --no-default-features --bench files`; files lie in the folder of the package while it runs.

use divan::Bencher;
use divan::counter::ItemsCount;
use nightsheaf::develop::{DevelopSettings, Development, develop};
use nightsheaf::export::{Compression, FileMetadata, Finished, TiffPicture, write_tiff};
use nightsheaf::job::Monitor;
use nightsheaf::pixels::{CalibratedFrame, Cfa, Layout, LinearImage, Mask, Orientation, Plane, Rect, Size};
use nightsheaf::raw::{CameraColor, Margins, Metadata, RawFrame, TransferFunction, decode_unprotected};
use nightsheaf::scratch::{ScratchSpec, ScratchStore};
use nightsheaf::stack::MosaicRows;
use nightsheaf::synthetic::dng::write_cfa_dng;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

const SIZE: Size = Size { width: 6000, height: 4000 };
const LAYOUT: Layout = Layout::Mosaic(Cfa::RGGB);
/// Columns by rows that the stack reads of a frame for one of its tiles, with margins.
const TILE: Size = Size { width: 144, height: 80 };

fn main() {
    divan::main();
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir_in(env!("CARGO_MANIFEST_DIR")).expect("a folder on a disk")
}

/// Sky with the noise of three random bytes.
fn sky() -> Plane<u16> {
    let mut random = ChaCha8Rng::seed_from_u64(24);
    Plane::from_fn(SIZE, |_, _| {
        1800 + random.next_u32().to_le_bytes()[..3].iter().map(|&byte| u16::from(byte)).sum::<u16>()
    })
}

fn linear(plane: &Plane<u16>) -> Plane<f32> {
    plane.map(|sample| (f32::from(sample) - 1024.0) / 31_743.0)
}

fn stack() -> LinearImage {
    let plane = linear(&sky());
    LinearImage { planes: [plane.clone(), plane.clone(), plane] }
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn decode(bencher: Bencher<'_, '_>) {
    let folder = folder();
    let path = folder.path().join("frame.dng");
    let frame = RawFrame {
        layout: LAYOUT,
        planes: vec![sky()],
        black_level: [1024.0; 4],
        white_level: 32_767,
        transfer: TransferFunction::Linear,
        color: CameraColor::SRGB,
        orientation: Orientation::Normal,
        metadata: Metadata::default(),
        margins: Margins::default(),
    };
    write_cfa_dng(&path, &frame).expect("room for 48 MB");
    drop(frame);
    bencher
        .counter(ItemsCount::new(SIZE.area()))
        .bench_local(|| decode_unprotected(&path, SIZE.area()).expect("just written"));
}

fn store(n_frames: usize) -> (ScratchStore, CalibratedFrame) {
    let spec = ScratchSpec { layout: LAYOUT, size: SIZE, n_frames, lowest: -0.1, highest: 1.5 };
    let store = ScratchStore::create(&[env!("CARGO_MANIFEST_DIR").into()], spec).expect("room for the frames");
    let frame = CalibratedFrame { layout: LAYOUT, planes: vec![linear(&sky())], saturated: Mask::empty(SIZE) };
    (store, frame)
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn write_to_scratch(bencher: Bencher<'_, '_>) {
    let (store, frame) = store(1);
    bencher.counter(ItemsCount::new(SIZE.area())).bench_local(|| store.write(0, &frame).expect("reserved"));
}

/// All tiles of a frame, one after the other.
#[divan::bench(sample_count = 10, sample_size = 1)]
fn read_from_scratch(bencher: Bencher<'_, '_>) {
    let (store, frame) = store(1);
    store.write(0, &frame).expect("reserved");
    let mut planes = vec![Vec::new()];
    bencher.counter(ItemsCount::new(SIZE.area())).bench_local(|| {
        for y in (0..SIZE.height - TILE.height).step_by(64) {
            for x in (0..SIZE.width - TILE.width).step_by(128) {
                store.read_rect(0, Rect { x, y, size: TILE }, &mut planes).expect("just written");
            }
        }
    });
}

#[divan::bench(sample_count = 5, sample_size = 1)]
fn develop_picture(bencher: Bencher<'_, '_>) {
    let image = stack();
    let development = Development::prepare(&image, &CameraColor::SRGB, None, &DevelopSettings::default());
    bencher.counter(ItemsCount::new(SIZE.area())).bench_local(|| develop(&image, &development));
}

/// Developed while it is written, as a run does it; with deflate too.
#[divan::bench(args = [Compression::None, Compression::Deflate], sample_count = 5, sample_size = 1)]
fn write_picture(bencher: Bencher<'_, '_>, compression: Compression) {
    let (image, folder) = (stack(), folder());
    let development = Development::prepare(&image, &CameraColor::SRGB, None, &DevelopSettings::default());
    let path = folder.path().join("night.tif");
    let finished = Finished::Developed { image: &image, development: &development };
    bencher.counter(ItemsCount::new(SIZE.area())).bench_local(|| {
        let picture = TiffPicture::Finished(finished, Orientation::Normal);
        write_tiff(&Monitor::silent(), &path, picture, &FileMetadata::default(), compression).expect("room for 144 MB");
    });
}
