//! The directories of a TIFF-based file, read far enough to check what the decoders do not.
//!
//! Sources: TIFF 6.0 (1992), section 2 and the tag descriptions; Adobe DNG specification 1.4 (2012),
//! for sub-directories (tag 330) and the DNG tags. Every offset is checked; loops end.

use crate::raw::error::Refusal;

/// Tags by their numbers in TIFF 6.0, TIFF/EP and DNG.
pub(super) mod tag {
    pub(crate) const NEW_SUBFILE_TYPE: u16 = 254;
    pub(crate) const IMAGE_WIDTH: u16 = 256;
    pub(crate) const IMAGE_LENGTH: u16 = 257;
    pub(crate) const BITS_PER_SAMPLE: u16 = 258;
    pub(crate) const COMPRESSION: u16 = 259;
    pub(crate) const PHOTOMETRIC: u16 = 262;
    pub(crate) const STRIP_OFFSETS: u16 = 273;
    pub(crate) const SAMPLES_PER_PIXEL: u16 = 277;
    pub(crate) const ROWS_PER_STRIP: u16 = 278;
    pub(crate) const STRIP_BYTE_COUNTS: u16 = 279;
    pub(crate) const TILE_WIDTH: u16 = 322;
    pub(crate) const TILE_LENGTH: u16 = 323;
    pub(crate) const TILE_OFFSETS: u16 = 324;
    pub(crate) const TILE_BYTE_COUNTS: u16 = 325;
    pub(crate) const SUB_DIRECTORIES: u16 = 330;
    pub(crate) const SAMPLE_FORMAT: u16 = 339;
    pub(crate) const CFA_REPEAT: u16 = 33421;
    pub(crate) const CFA_PATTERN: u16 = 33422;
    pub(crate) const ICC_PROFILE: u16 = 34675;
    pub(crate) const DNG_VERSION: u16 = 50706;
    pub(crate) const LINEARIZATION_TABLE: u16 = 50712;
    pub(crate) const CFA_LAYOUT: u16 = 50711;
    pub(crate) const BLACK_LEVEL_REPEAT: u16 = 50713;
    pub(crate) const BLACK_LEVEL: u16 = 50714;
    pub(crate) const BLACK_LEVEL_DELTA_H: u16 = 50715;
    pub(crate) const BLACK_LEVEL_DELTA_V: u16 = 50716;
    pub(crate) const WHITE_LEVEL: u16 = 50717;
    pub(crate) const DEFAULT_CROP_ORIGIN: u16 = 50719;
    pub(crate) const DEFAULT_CROP_SIZE: u16 = 50720;
    pub(crate) const COLOR_MATRIX_1: u16 = 50721;
    pub(crate) const COLOR_MATRIX_2: u16 = 50722;
    pub(crate) const CAMERA_CALIBRATION_1: u16 = 50723;
    pub(crate) const CAMERA_CALIBRATION_2: u16 = 50724;
    pub(crate) const ANALOG_BALANCE: u16 = 50727;
    pub(crate) const AS_SHOT_NEUTRAL: u16 = 50728;
    pub(crate) const AS_SHOT_WHITE_XY: u16 = 50729;
    pub(crate) const ILLUMINANT_1: u16 = 50778;
    pub(crate) const ILLUMINANT_2: u16 = 50779;
    pub(crate) const ACTIVE_AREA: u16 = 50829;
    pub(crate) const MASKED_AREAS: u16 = 50830;
}

/// Photometric interpretation of a colour filter array (TIFF/EP) and of demosaiced raw data (DNG).
pub(super) const CFA: u32 = 32803;
pub(super) const LINEAR_RAW: u32 = 34892;

/// More directories than any camera writes: a loop, or a forgery.
const MAX_DIRECTORIES: usize = 64;
/// A table longer than this is not read: a linearization table has at most 65 536 entries.
const MAX_VALUES: usize = 1 << 17;

/// All directories of a file.
pub(super) struct TiffStructure<'a> {
    bytes: &'a [u8],
    big_endian: bool,
    directories: Vec<Directory>,
}

/// One directory: its entries as they stand in the file.
pub(super) struct Directory {
    entries: Vec<Entry>,
}

struct Entry {
    tag: u16,
    kind: u16,
    count: usize,
    /// Where the values stand.
    offset: usize,
    /// Where the entry itself stands.
    place: usize,
}

impl<'a> TiffStructure<'a> {
    /// The structure of a classic TIFF (42 after the byte order); `None` for any other file.
    pub(super) fn parse(bytes: &'a [u8]) -> Option<Self> {
        let big_endian = match bytes.get(..4)? {
            b"II*\0" => false,
            b"MM\0*" => true,
            _ => return None,
        };
        let mut structure = Self { bytes, big_endian, directories: Vec::new() };
        let mut waiting = vec![structure.u32_at(4)? as usize];
        let mut seen = Vec::new();
        while let Some(offset) = waiting.pop() {
            if offset == 0 || seen.contains(&offset) || seen.len() == MAX_DIRECTORIES {
                continue;
            }
            seen.push(offset);
            let Some((directory, next)) = structure.directory_at(offset) else { continue };
            waiting.push(next);
            let below = structure.numbers(&directory, tag::SUB_DIRECTORIES).unwrap_or_default();
            waiting.extend(below.iter().take(MAX_DIRECTORIES).map(|&offset| offset as usize));
            structure.directories.push(directory);
        }
        (!structure.directories.is_empty()).then_some(structure)
    }

    pub(super) fn is_big_endian(&self) -> bool {
        self.big_endian
    }

    pub(super) fn is_dng(&self) -> bool {
        self.anywhere(tag::DNG_VERSION).is_some()
    }

    /// The values of a tag in the first directory that has it.
    pub(super) fn anywhere(&self, tag: u16) -> Option<Vec<f64>> {
        self.directories.iter().find_map(|directory| self.numbers(directory, tag))
    }

    /// The directory of the raw picture: full size, colour filter array or linear raw.
    pub(super) fn raw_directory(&self) -> Option<&Directory> {
        self.directories.iter().find(|directory| {
            let photometric = self.number(directory, tag::PHOTOMETRIC);
            let reduced = self.number(directory, tag::NEW_SUBFILE_TYPE).unwrap_or(0) & 1 != 0;
            !reduced && matches!(photometric, Some(CFA | LINEAR_RAW))
        })
    }

    /// The directory that the file begins with.
    pub(super) fn first_directory(&self) -> &Directory {
        &self.directories[0]
    }

    /// The first value of a tag as a whole number.
    pub(super) fn number(&self, directory: &Directory, tag: u16) -> Option<u32> {
        self.numbers(directory, tag)?.first().map(|&value| value as u32)
    }

    /// All values of a tag; `None` where it is missing, leaves the file or is no number.
    pub(super) fn numbers(&self, directory: &Directory, tag: u16) -> Option<Vec<f64>> {
        let entry = directory.entry(tag)?;
        if entry.count > MAX_VALUES {
            return None;
        }
        (0..entry.count).map(|index| self.value(entry, index)).collect()
    }

    /// The bytes of a tag that holds bytes; `None` where it is missing or leaves the file.
    pub(super) fn tag_bytes(&self, directory: &Directory, tag: u16) -> Option<&'a [u8]> {
        let entry = directory.entry(tag).filter(|entry| size_of_kind(entry.kind) == 1)?;
        self.bytes.get(entry.offset..entry.offset.checked_add(entry.count)?)
    }

    /// The file with the entries of `hidden` renamed to a private tag that no decoder asks for.
    pub(super) fn without(&self, hidden: u16) -> Vec<u8> {
        const PRIVATE: u16 = 0xFFFD;
        let mut bytes = self.bytes.to_vec();
        for entry in self.directories.iter().flat_map(|directory| &directory.entries) {
            if entry.tag == hidden {
                let tag = if self.big_endian { PRIVATE.to_be_bytes() } else { PRIVATE.to_le_bytes() };
                bytes[entry.place..entry.place + 2].copy_from_slice(&tag);
            }
        }
        bytes
    }

    /// Offset and length of each strip or tile.
    pub(super) fn data_blocks(&self, directory: &Directory) -> Vec<(u64, u64)> {
        let pairs = |offsets, counts| {
            let offsets = self.numbers(directory, offsets)?;
            let counts = self.numbers(directory, counts)?;
            Some(offsets.iter().zip(&counts).map(|(&offset, &count)| (offset as u64, count as u64)).collect())
        };
        pairs(tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS)
            .or_else(|| pairs(tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS))
            .unwrap_or_default()
    }

    /// The bytes of a strip or tile; `None` where it leaves the file.
    pub(super) fn block_bytes(&self, (offset, length): (u64, u64)) -> Option<&'a [u8]> {
        let start = usize::try_from(offset).ok()?;
        self.bytes.get(start..start.checked_add(usize::try_from(length).ok()?)?)
    }

    /// Refuses a directory whose picture data end after the file.
    pub(super) fn check_blocks(&self, directory: &Directory) -> Result<(), Refusal> {
        let ends = self.data_blocks(directory).into_iter().map(|(offset, length)| offset.saturating_add(length));
        match ends.max() {
            Some(end) if end > self.bytes.len() as u64 => Err(Refusal::malformed(format!(
                "the picture data end at byte {end} of a file of {} bytes: the file is truncated; copy it from the card again",
                self.bytes.len()
            ))),
            _ => Ok(()),
        }
    }

    /// Refuses a file in which an entry has more bytes than the file: decoders make room for it before they look.
    pub(super) fn check_entries(&self) -> Result<(), Refusal> {
        let mut entries = self.directories.iter().flat_map(|directory| &directory.entries);
        let too_long = |entry: &&Entry| size_of_kind(entry.kind).saturating_mul(entry.count) > self.bytes.len();
        match entries.find(too_long) {
            Some(entry) => Err(Refusal::malformed(format!(
                "entry {} claims {} values in a file of {} bytes: the file is damaged; copy it from the card again",
                entry.tag,
                entry.count,
                self.bytes.len()
            ))),
            None => Ok(()),
        }
    }

    /// The directory with the most picture data: the raw of files that do not mark it.
    pub(super) fn largest_directory(&self) -> &Directory {
        let bytes = |directory: &&Directory| {
            self.data_blocks(directory).iter().fold(0u64, |sum, block| sum.saturating_add(block.1))
        };
        self.directories.iter().max_by_key(bytes).expect("a structure has a directory")
    }

    fn directory_at(&self, offset: usize) -> Option<(Directory, usize)> {
        let count = usize::from(self.u16_at(offset)?);
        let mut entries = Vec::with_capacity(count);
        for index in 0..count {
            let at = offset.checked_add(2 + 12 * index)?;
            let (kind, count) = (self.u16_at(at + 2)?, self.u32_at(at + 4)? as usize);
            let inline = size_of_kind(kind).saturating_mul(count) <= 4;
            let values = if inline { at + 8 } else { self.u32_at(at + 8)? as usize };
            entries.push(Entry { tag: self.u16_at(at)?, kind, count, offset: values, place: at });
        }
        let next = self.u32_at(offset.checked_add(2 + 12 * count)?).unwrap_or(0);
        Some((Directory { entries }, next as usize))
    }

    fn value(&self, entry: &Entry, index: usize) -> Option<f64> {
        let at = entry.offset.checked_add(index.checked_mul(size_of_kind(entry.kind))?)?;
        Some(match entry.kind {
            1 | 7 => f64::from(*self.bytes.get(at)?),
            3 => f64::from(self.u16_at(at)?),
            4 | 13 => f64::from(self.u32_at(at)?),
            5 => f64::from(self.u32_at(at)?) / f64::from(self.u32_at(at + 4)?),
            8 => f64::from(self.u16_at(at)?.cast_signed()),
            9 => f64::from(self.u32_at(at)?.cast_signed()),
            10 => f64::from(self.u32_at(at)?.cast_signed()) / f64::from(self.u32_at(at + 4)?.cast_signed()),
            11 => f64::from(f32::from_bits(self.u32_at(at)?)),
            _ => return None,
        })
    }

    fn u16_at(&self, offset: usize) -> Option<u16> {
        let bytes = self.bytes.get(offset..offset.checked_add(2)?)?.try_into().ok()?;
        Some(if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
    }

    fn u32_at(&self, offset: usize) -> Option<u32> {
        let bytes = self.bytes.get(offset..offset.checked_add(4)?)?.try_into().ok()?;
        Some(if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
    }
}

impl Directory {
    fn entry(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.tag == tag)
    }
}

/// Bytes of one value of a TIFF field type; 1 for unknown ones.
fn size_of_kind(kind: u16) -> usize {
    match kind {
        3 | 8 => 2,
        4 | 9 | 11 | 13 => 4,
        5 | 10 | 12 => 8,
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One directory at byte 8 with the given entries (tag, type, count, value).
    fn tiff(entries: &[(u16, u16, u32, u32)]) -> Vec<u8> {
        let mut bytes = b"II*\0\x08\0\0\0".to_vec();
        bytes.extend((entries.len() as u16).to_le_bytes());
        for &(tag, kind, count, value) in entries {
            bytes.extend(tag.to_le_bytes());
            bytes.extend(kind.to_le_bytes());
            bytes.extend(count.to_le_bytes());
            bytes.extend(value.to_le_bytes());
        }
        bytes.extend([0; 4]);
        bytes
    }

    #[test]
    fn a_directory_that_points_to_itself_is_read_once() {
        let bytes = tiff(&[(tag::SUB_DIRECTORIES, 4, 1, 8), (tag::PHOTOMETRIC, 3, 1, CFA)]);
        let structure = TiffStructure::parse(&bytes).expect("a TIFF");
        assert_eq!(structure.directories.len(), 1, "the loop ends");
        let raw = structure.raw_directory().expect("the colour filter array");
        assert_eq!(structure.number(raw, tag::PHOTOMETRIC), Some(CFA), "its photometric interpretation");
    }

    #[test]
    fn values_outside_the_file_are_missing() {
        let bytes = tiff(&[(tag::BLACK_LEVEL, 4, 4, 4_000_000), (tag::STRIP_OFFSETS, 4, u32::MAX, 8)]);
        let structure = TiffStructure::parse(&bytes).expect("a TIFF");
        let directory = structure.largest_directory();
        assert_eq!(structure.numbers(directory, tag::BLACK_LEVEL), None, "four values beyond the end");
        assert_eq!(structure.numbers(directory, tag::STRIP_OFFSETS), None, "four thousand million values");
    }

    #[test]
    fn every_cut_of_a_file_is_parsed_without_a_panic() {
        let bytes = tiff(&[(tag::IMAGE_WIDTH, 3, 1, 4), (tag::SUB_DIRECTORIES, 4, 2, 20)]);
        for length in 0..bytes.len() {
            let _ = TiffStructure::parse(&bytes[..length]);
        }
    }
}
