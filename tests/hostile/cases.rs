//! Ten thousand damaged files, each made from a good one by its number alone.

use std::fs;
use std::io::Cursor;
use std::path::Path;

use image::{DynamicImage, ImageBuffer, ImageFormat, Rgb};
use nightsheaf::pixels::{ColorEncoding, Primaries, Transfer};
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How many there are.
pub(crate) const N_CASES: usize = 10_000;
/// Places that each good file is cut at.
const N_CUTS: usize = 64;
/// Numbers that sizes, counts and offsets are replaced by.
const NUMBERS: [u32; 12] = [0, 1, 2, 7, 8, 0xFF, 0xFFFF, 0x1_0000, 60_000, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF];

/// A good file.
#[derive(Clone)]
pub(crate) struct Good {
    pub(crate) name: String,
    pub(crate) bytes: Vec<u8>,
}

/// A damaged one.
pub(crate) struct Case {
    /// With the ending of its kind.
    pub(crate) name: String,
    pub(crate) bytes: Vec<u8>,
    /// The good file that this is the beginning of: a picture, if there is one, must be that file's.
    pub(crate) cut_from: Option<Good>,
}

/// The good files: every raw of the reference folders and small pictures of each kind.
pub(crate) fn good_files() -> Vec<Good> {
    let mut files = Vec::new();
    for folder in ["raw_variants", "dng_variants"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(folder);
        for entry in fs::read_dir(folder).expect("a folder of the project") {
            let path = entry.expect("an entry").path();
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            if [".dng", ".3fr"].iter().any(|ending| name.ends_with(ending)) {
                files.push(Good { name, bytes: fs::read(&path).expect("a reference file") });
            }
        }
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    let mut random = ChaCha8Rng::seed_from_u64(41);
    let eight = image::RgbImage::from_fn(60, 44, |_, _| Rgb(random.random()));
    let sixteen = ImageBuffer::<Rgb<u16>, Vec<u16>>::from_fn(60, 44, |_, _| Rgb(random.random()));
    for (name, picture, format) in [
        ("picture.tif", DynamicImage::ImageRgb8(eight.clone()), ImageFormat::Tiff),
        ("picture.png", DynamicImage::ImageRgb8(eight.clone()), ImageFormat::Png),
        ("picture.jpg", DynamicImage::ImageRgb8(eight.clone()), ImageFormat::Jpeg),
        ("deep.tif", DynamicImage::ImageRgb16(sixteen.clone()), ImageFormat::Tiff),
        ("deep.png", DynamicImage::ImageRgb16(sixteen), ImageFormat::Png),
    ] {
        let mut bytes = Cursor::new(Vec::new());
        picture.write_to(&mut bytes, format).expect("memory takes everything");
        files.push(Good { name: name.to_owned(), bytes: bytes.into_inner() });
    }
    files.push(Good { name: "profiled.jpg".to_owned(), bytes: with_profile(&eight) });
    files
}

/// A JPEG with a color profile, which has offsets and counts of its own.
fn with_profile(picture: &image::RgbImage) -> Vec<u8> {
    use image::ImageEncoder;
    let encoding = ColorEncoding { primaries: Primaries::Rec2020, transfer: Transfer::Srgb };
    let mut bytes = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 95);
    encoder.set_icc_profile(nightsheaf::export::icc::profile(encoding)).expect("a JPEG can hold a profile");
    let (width, height) = picture.dimensions();
    encoder.write_image(picture.as_raw(), width, height, image::ExtendedColorType::Rgb8).expect("memory");
    bytes
}

/// The case of this number; the same number gives the same bytes.
pub(crate) fn case(good: &[Good], number: usize) -> Case {
    let n_cuts = good.len() * N_CUTS;
    let mut random = ChaCha8Rng::seed_from_u64(number as u64);
    if number < n_cuts {
        return cut(&good[number / N_CUTS], number % N_CUTS);
    }
    let file = &good[number % good.len()];
    let damaged = |bytes: Vec<u8>| Case { name: file.name.clone(), bytes, cut_from: None };
    match (number - n_cuts) / good.len() % 13 {
        0..=3 => damaged(flipped(file, &mut random)),
        4..=6 => damaged(renumbered(file, &mut random)),
        7 => damaged(circular(file, &mut random)),
        8 => damaged(emptied(file, &mut random)),
        9 => damaged(spliced(file, &good[random.random_range(0..good.len())], &mut random)),
        10 => damaged(with_block(file, &mut random)),
        11 => disguised(file, &mut random),
        _ => damaged(noise(file, &mut random)),
    }
}

/// From nothing left to one byte missing.
fn cut(file: &Good, place: usize) -> Case {
    let length = place * (file.bytes.len() - 1) / (N_CUTS - 1);
    Case { name: file.name.clone(), bytes: file.bytes[..length].to_vec(), cut_from: Some(file.clone()) }
}

/// One to eight bits turned; two files in three near the beginning, where it hurts most.
fn flipped(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let mut bytes = file.bytes.clone();
    let reach = if random.random_range(0..3) == 0 { bytes.len() } else { bytes.len().min(800) };
    for _ in 0..random.random_range(1..=8) {
        bytes[random.random_range(0..reach)] ^= 1 << random.random_range(0..8);
    }
    bytes
}

/// The entries of the first directory of a TIFF in either byte order: where each begins.
fn entries(bytes: &[u8]) -> Vec<usize> {
    let is_big = bytes.starts_with(b"MM");
    if !is_big && !bytes.starts_with(b"II") {
        return Vec::new();
    }
    let long: [u8; 4] = bytes[4..8].try_into().expect("four bytes");
    let at = if is_big { u32::from_be_bytes(long) } else { u32::from_le_bytes(long) } as usize;
    let short: [u8; 2] = bytes[at..at + 2].try_into().expect("two bytes");
    let count = if is_big { u16::from_be_bytes(short) } else { u16::from_le_bytes(short) };
    (0..usize::from(count)).map(|index| at + 2 + 12 * index).collect()
}

fn put(bytes: &mut [u8], at: usize, number: u32) {
    let is_big = bytes.starts_with(b"MM") || !bytes.starts_with(b"II");
    let number = if is_big { number.to_be_bytes() } else { number.to_le_bytes() };
    let end = (at + 4).min(bytes.len());
    bytes[at..end].copy_from_slice(&number[..end - at]);
}

/// A size, a count, a type or an offset of an entry becomes another number; elsewhere any four bytes near the start.
fn renumbered(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let mut bytes = file.bytes.clone();
    let entries = entries(&bytes);
    for _ in 0..random.random_range(1..=3) {
        let number = NUMBERS[random.random_range(0..NUMBERS.len())];
        let at = match entries.len() {
            0 => random.random_range(0..bytes.len().min(400)),
            n => entries[random.random_range(0..n)] + [4, 8, 8][random.random_range(0..3)],
        };
        put(&mut bytes, at, number);
    }
    bytes
}

/// Directories that lead to themselves, to each other, or into the samples.
fn circular(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let mut bytes = file.bytes.clone();
    let entries = entries(&bytes);
    let Some((&first, &last)) = entries.first().zip(entries.last()) else { return flipped(file, random) };
    let targets = [first - 2, 8, 0, 4, last, bytes.len() - 40, bytes.len() / 2];
    let target = targets[random.random_range(0..targets.len())] as u32;
    put(&mut bytes, last + 12, target);
    // An entry becomes a way to more directories: 330 of type LONG, or the one of EXIF or of the place.
    let tag: u16 = [330, 34_665, 34_853][random.random_range(0..3)];
    let at = entries[random.random_range(0..entries.len())];
    let is_big = bytes.starts_with(b"MM");
    for (place, value) in [(at, tag), (at + 2, 4)] {
        bytes[place..place + 2].copy_from_slice(&if is_big { value.to_be_bytes() } else { value.to_le_bytes() });
    }
    put(&mut bytes, at + 4, [1, 2, 0xFFFF, 0xFFFF_FFFF][random.random_range(0..4)]);
    put(&mut bytes, at + 8, target);
    bytes
}

/// Strips and tiles of no bytes, at no place, of no rows; or all of a run of entries without values.
fn emptied(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let mut bytes = file.bytes.clone();
    let is_big = bytes.starts_with(b"MM");
    let entries = entries(&bytes);
    let blocks = [273_u16, 278, 279, 322, 323, 324, 325, 258, 277];
    let wanted = blocks[random.random_range(0..blocks.len())];
    for at in entries {
        let tag: [u8; 2] = bytes[at..at + 2].try_into().expect("two bytes");
        let tag = if is_big { u16::from_be_bytes(tag) } else { u16::from_le_bytes(tag) };
        if tag == wanted || random.random_range(0..12) == 0 {
            put(&mut bytes, at + [4, 8][random.random_range(0..2)], 0);
        }
    }
    if bytes == file.bytes {
        let half = bytes.len() / 2;
        bytes[half..].fill(0);
    }
    bytes
}

/// The head of one file and the tail of another.
fn spliced(file: &Good, other: &Good, random: &mut impl Rng) -> Vec<u8> {
    let head = random.random_range(0..file.bytes.len());
    let tail = random.random_range(0..other.bytes.len());
    [&file.bytes[..head], &other.bytes[tail..]].concat()
}

/// A block of one value, or of noise, somewhere; or a block left out.
fn with_block(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let mut bytes = file.bytes.clone();
    let start = random.random_range(0..bytes.len());
    let end = (start + random.random_range(1..2000)).min(bytes.len());
    match random.random_range(0..4) {
        0 => bytes[start..end].fill(0),
        1 => bytes[start..end].fill(0xFF),
        2 => random.fill_bytes(&mut bytes[start..end]),
        _ => {
            bytes.drain(start..end);
        }
    }
    bytes
}

/// What calls itself a camera's own file: its first bytes over those of a good file, or before boxes and numbers of no
/// sense.
fn disguised(file: &Good, random: &mut impl Rng) -> Case {
    const MARKS: [(&str, &[u8]); 8] = [
        ("raf", b"FUJIFILMCCD-RAW 0201FF383501X-T0"),
        ("cr3", b"\0\0\0\x18ftypcrx \0\0\0\x01crx isom"),
        ("crw", b"II\x1a\0\0\0HEAPCCDR\x02\0\x01\0"),
        ("mrw", b"\0MRM\0\0\x10\0\0PRD\0\0\0\x18"),
        ("x3f", b"FOVb\0\0\x02\0"),
        ("orf", b"IIRO\x08\0\0\0"),
        ("orf", b"IIRS\x08\0\0\0"),
        ("rw2", b"IIU\0\x08\0\0\0"),
    ];
    const BOXES: [&[u8; 4]; 10] =
        [b"moov", b"uuid", b"trak", b"mdia", b"minf", b"stbl", b"stsz", b"co64", b"CMT1", b"mdat"];
    let (ending, mark) = MARKS[random.random_range(0..MARKS.len())];
    let mut bytes = mark.to_vec();
    if random.random_range(0..2) == 0 {
        bytes.extend(file.bytes.iter().skip(mark.len()));
    } else {
        for _ in 0..random.random_range(1..40) {
            let number = match random.random_range(0..3) {
                0 => NUMBERS[random.random_range(0..NUMBERS.len())],
                1 => random.random_range(8..600),
                _ => random.random(),
            };
            bytes.extend(number.to_be_bytes());
            bytes.extend(BOXES[random.random_range(0..BOXES.len())]);
        }
        let body = bytes.len();
        bytes.resize(body + random.random_range(0..3000), 0);
        random.fill_bytes(&mut bytes[body..]);
    }
    Case { name: format!("disguised.{ending}"), bytes, cut_from: None }
}

/// Random bytes, with or without the first bytes of a good file.
fn noise(file: &Good, random: &mut impl Rng) -> Vec<u8> {
    let heads = [0, 4, 8, 16, 60, 200];
    let head = heads[random.random_range(0..heads.len())].min(file.bytes.len());
    let mut bytes = file.bytes[..head].to_vec();
    bytes.resize(head + random.random_range(0..3000), 0);
    random.fill_bytes(&mut bytes[head..]);
    bytes
}
