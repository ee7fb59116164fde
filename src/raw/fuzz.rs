//! Generated input for the parsers of this module: whatever the bytes, they return, and allocate no more than the
//! limits allow. The outside decoders are not called here.

use proptest::collection::vec;
use proptest::prelude::*;

use crate::raw::content::kind_of_content;
use crate::raw::depths::raise_depth;
use crate::raw::dng::{Coding, DngFacts};
use crate::raw::error::Refusal;
use crate::raw::frame::RawFrame;
use crate::raw::message::{read_result, write_result};
use crate::raw::metadata::read_exif;
use crate::raw::pictures::jpeg_is_complete;
use crate::raw::plausible::check_plausible;
use crate::raw::profile::apply_profile;
use crate::raw::tiff_structure::TiffStructure;

const MAX_PIXELS: usize = 1 << 20;

/// Tags that the parsers ask for, and some that they do not.
const TAGS: [u16; 38] = [
    254, 256, 257, 258, 259, 262, 271, 273, 274, 277, 278, 279, 306, 322, 323, 324, 325, 330, 339, 33421, 33422, 33434,
    34665, 34853, 36867, 50706, 50711, 50712, 50713, 50714, 50715, 50717, 50719, 50720, 50721, 50728, 50729, 50829,
];

/// A directory entry: mostly plausible, now and then anything.
fn entry() -> impl Strategy<Value = (u16, u16, u32, u32)> {
    let tag = prop_oneof![9 => prop::sample::select(&TAGS[..]), 1 => any::<u16>()];
    let kind = prop_oneof![9 => 1_u16..=13, 1 => any::<u16>()];
    let count = prop_oneof![6 => 0_u32..=4, 3 => 4_u32..=40, 1 => any::<u32>()];
    let value = prop_oneof![5 => 0_u32..=70, 2 => 0_u32..=600, 1 => Just(32_803), 1 => Just(34_892), 1 => any::<u32>()];
    (tag, kind, count, value)
}

/// A TIFF with up to three directories and a tail of any bytes.
fn tiff() -> impl Strategy<Value = Vec<u8>> {
    (any::<bool>(), vec((vec(entry(), 0..30), 0_u32..400), 1..4), vec(any::<u8>(), 0..800)).prop_map(
        |(big, directories, tail)| {
            let short = |value: u16| if big { value.to_be_bytes() } else { value.to_le_bytes() };
            let long = |value: u32| if big { value.to_be_bytes() } else { value.to_le_bytes() };
            let mut bytes = if big { b"MM\0*".to_vec() } else { b"II*\0".to_vec() };
            bytes.extend(long(8));
            for (entries, next) in directories {
                // Entries are few.
                bytes.extend(short(entries.len() as u16));
                for (tag, kind, count, value) in entries {
                    bytes.extend([short(tag), short(kind)].concat());
                    bytes.extend([long(count), long(value)].concat());
                }
                bytes.extend(long(next));
            }
            bytes.extend(tail);
            bytes
        },
    )
}

fn read_all(bytes: &[u8]) {
    let _ = read_exif(bytes);
    let _ = jpeg_is_complete(bytes);
    let _ = raise_depth(&mut bytes.to_vec());
    let _ = kind_of_content(bytes);
    let Some(structure) = TiffStructure::parse(bytes) else { return };
    let _ = structure.check_blocks(structure.largest_directory());
    if let Ok(facts) = DngFacts::read(&structure, MAX_PIXELS)
        && let Coding::Plain { bits } = facts.coding
        && let Ok(samples) = facts.plain_samples(&structure, bits)
    {
        let (planes, _) = facts.planes(samples).expect("the plain samples are counted by the size");
        assert!(planes.iter().all(|plane| plane.size().area() <= MAX_PIXELS), "within the limit");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_directories_are_read_without_a_panic(bytes in tiff()) {
        read_all(&bytes);
    }

    #[test]
    fn any_bytes_are_read_without_a_panic(bytes in vec(any::<u8>(), 0..600)) {
        read_all(&bytes);
        let _ = read_result(&mut bytes.as_slice(), MAX_PIXELS);
    }

    #[test]
    fn any_profile_is_a_message_or_leaves_a_sound_frame(
        place in 0_usize..600, value in any::<u8>(), length in 0_usize..600,
    ) {
        use moxcms::ColorProfile;
        let mut profile = ColorProfile::new_srgb().encode().expect("a profile can be written");
        let n = profile.len();
        profile[place % n] = value;
        profile.truncate(if length == 0 { n } else { length });
        let mut frame = frame();
        match apply_profile(&mut frame, &profile) {
            Ok(()) => prop_assert!(frame.color.camera_from_xyz.as_flattened().iter().all(|x| x.is_finite())),
            Err(refusal) => prop_assert!(matches!(refusal, Refusal::Malformed(_) | Refusal::Unsupported(_))),
        }
    }

    #[test]
    fn a_message_with_any_byte_changed_is_a_frame_or_an_error(place in 0_usize..4000, value in any::<u8>()) {
        let mut message = Vec::new();
        write_result(Ok(frame()), &mut message).expect("memory takes everything");
        let n = message.len();
        message[place % n] = value;
        if let Ok(Ok(received)) = read_result(&mut message.as_slice(), MAX_PIXELS) {
            let _ = check_plausible(&received.frame);
        }
    }
}

fn frame() -> RawFrame {
    use crate::pixels::{Layout, Orientation, Plane, Size};
    use crate::raw::frame::{CameraColor, Metadata, TransferFunction};
    RawFrame {
        layout: Layout::Rgb,
        planes: vec![Plane::from_fn(Size { width: 20, height: 12 }, |x, y| ((x * 31 + y * 17) % 256) as u16); 3],
        black_level: [0.0; 4],
        white_level: 255,
        transfer: TransferFunction::Srgb,
        color: CameraColor::SRGB,
        orientation: Orientation::Normal,
        metadata: Metadata::default(),
        margins: crate::raw::Margins::default(),
    }
}
