//! The directory of the place (EXIF 2.32, GPS attributes); written only where the person asked for it.

use std::io::{Seek, Write};

use tiff::TiffResult;
use tiff::encoder::{DirectoryEncoder, Rational, TiffEncoder, TiffKind};
use tiff::tags::Tag;

use crate::export::exif::{write_text, write_undefined};
use crate::raw::Place;

const VERSION: Tag = Tag::Unknown(0);
const LATITUDE_LETTER: Tag = Tag::Unknown(1);
const LATITUDE: Tag = Tag::Unknown(2);
const LONGITUDE_LETTER: Tag = Tag::Unknown(3);
const LONGITUDE: Tag = Tag::Unknown(4);
const BELOW_SEA: Tag = Tag::Unknown(5);
const ALTITUDE: Tag = Tag::Unknown(6);
const DATUM: Tag = Tag::Unknown(18);
const METHOD: Tag = Tag::Unknown(27);

/// Eight bytes of character code, then the name: frames tell their place by a receiver.
const RECEIVER: &[u8] = b"ASCII\0\0\0GPS";

/// A millionth of a minute of arc is 2 mm.
const PARTS_OF_A_MINUTE: u32 = 1_000_000;

/// Writes the directory and gives its place in the file.
pub(super) fn write_place<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    place: Place,
) -> TiffResult<K::OffsetType> {
    let mut directory = encoder.extra_directory()?;
    directory.write_tag(VERSION, &[2_u8, 3, 0, 0][..])?;
    write_angle(&mut directory, [LATITUDE_LETTER, LATITUDE], place.latitude_deg, ["N", "S"])?;
    write_angle(&mut directory, [LONGITUDE_LETTER, LONGITUDE], place.longitude_deg, ["E", "W"])?;
    if let Some(meters) = place.altitude_m {
        directory.write_tag(BELOW_SEA, u8::from(meters < 0.0))?;
        // Float casts saturate, and no place on the Earth is near the limit.
        directory.write_tag(ALTITUDE, Rational { n: (meters.abs() * 100.0).round() as u32, d: 100 })?;
    }
    write_text(&mut directory, DATUM, "WGS-84")?;
    write_undefined(&mut directory, METHOD, RECEIVER)?;
    Ok(directory.finish_with_offsets()?.offset)
}

/// Whole degrees, minutes with their decimals, no seconds.
fn write_angle<W: Write + Seek, K: TiffKind>(
    directory: &mut DirectoryEncoder<'_, W, K>,
    [letter_tag, tag]: [Tag; 2],
    degrees: f64,
    [positive, negative]: [&str; 2],
) -> TiffResult<()> {
    write_text(directory, letter_tag, if degrees < 0.0 { negative } else { positive })?;
    // At most 180 · 60 · 10⁶ parts, kept whole so that 60 minutes never appear.
    let parts = (degrees.abs() * 60.0 * f64::from(PARTS_OF_A_MINUTE)).round() as u64;
    let of_a_degree = 60 * u64::from(PARTS_OF_A_MINUTE);
    let whole = |n: u64, d: u32| Rational { n: u32::try_from(n).unwrap_or(u32::MAX), d };
    let minutes = whole(parts % of_a_degree, PARTS_OF_A_MINUTE);
    directory.write_tag(tag, &[whole(parts / of_a_degree, 1), minutes, whole(0, 1)][..])
}
