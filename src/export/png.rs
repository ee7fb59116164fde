//! 16-bit PNG (ISO/IEC 15948:2004, third edition of 2025 for eXIf) with profile and exposure data.
//!
//! Strips are filtered and deflated several at a time: each ends on a byte boundary without ending
//! the stream (RFC 1951, an empty stored block), so that they join to one zlib stream (RFC 1950).

use std::io::Write;
use std::path::Path;

use flate2::{Compress, Crc, FlushCompress};

use crate::export::exif::{FileMetadata, exif_block};
use crate::export::replace::replace_file;
use crate::export::strips::{finished_rows, for_each_strip};
use crate::export::{ExportError, Finished, icc, sides, xmp};
use crate::job::Monitor;
use crate::pixels::Orientation;

/// Most pixels along a side (PNG: 31 bits).
const MOST_ALONG_A_SIDE: u32 = i32::MAX as u32;

/// Deflate level: noise cannot be packed, and higher levels only take time.
const DEFLATE_LEVEL: u32 = 1;

/// Filter type 1: difference to the pixel on the left.
const FILTER_SUB: u8 = 1;

/// Bytes of a pixel: three samples of two bytes.
const PIXEL_BYTES: usize = 6;

/// Writes a PNG.
pub fn write_png(
    monitor: &Monitor,
    path: &Path,
    picture: Finished<'_>,
    orientation: Orientation,
    metadata: &FileMetadata,
) -> Result<(), ExportError> {
    let upright = orientation.upright_size(picture.size());
    let (width, height) = sides(upright, "PNG", MOST_ALONG_A_SIDE)?;
    replace_file(path, 6 * upright.area() as u64, |file| {
        file.write_all(b"\x89PNG\r\n\x1a\n")?;
        // 16 bits, RGB, deflate, adaptive filters, not interlaced.
        let header = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[16, 2, 0, 0, 0]].concat();
        write_chunk(file, b"IHDR", &header)?;
        write_chunk(file, b"iCCP", &profile_chunk(&icc::profile(picture.encoding())))?;
        write_chunk(file, b"eXIf", &exif_block(metadata, picture.encoding(), None)?)?;
        // Not compressed, no language, no other name for the keyword.
        let text = [xmp::PNG_KEYWORD.as_bytes(), b"\0\0\0\0\0", &xmp::packet(metadata)].concat();
        write_chunk(file, b"iTXt", &text)?;
        // The zlib header: deflate with a window of 32 KiB, a check on both bytes (RFC 1950).
        write_chunk(file, b"IDAT", &[0x78, 0x5E])?;
        let mut sum = Adler::EMPTY;
        let make = |rows| pack(&filter(&finished_rows(picture, orientation, rows), upright.width));
        for_each_strip(monitor, upright.height, make, |strip| {
            sum = sum.join(strip.sum);
            Ok(write_chunk(file, b"IDAT", &strip.deflated)?)
        })?;
        // An empty last block ends the stream.
        let end = [&[0x03, 0x00][..], &sum.value().to_be_bytes()].concat();
        write_chunk(file, b"IDAT", &end)?;
        Ok(write_chunk(file, b"IEND", &[])?)
    })
}

fn write_chunk(file: &mut impl Write, kind: &[u8; 4], data: &[u8]) -> std::io::Result<()> {
    let mut crc = Crc::new();
    crc.update(kind);
    crc.update(data);
    // Strips, profile and exposure data are far below 4 GiB.
    file.write_all(&(data.len() as u32).to_be_bytes())?;
    file.write_all(kind)?;
    file.write_all(data)?;
    file.write_all(&crc.sum().to_be_bytes())
}

/// Name, method 0, and the deflated profile.
fn profile_chunk(profile: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::ZlibEncoder::new(b"ICC profile\0\0".to_vec(), flate2::Compression::best());
    encoder.write_all(profile).expect("memory takes any number of bytes");
    encoder.finish().expect("memory takes any number of bytes")
}

/// Rows of big-endian samples as differences, each row after its filter type.
fn filter(pixels: &[[u16; 3]], width: usize) -> Vec<u8> {
    let mut filtered = Vec::with_capacity((PIXEL_BYTES * width + 1) * pixels.len().div_ceil(width));
    for row in pixels.chunks_exact(width) {
        filtered.push(FILTER_SUB);
        let mut left = [0_u8; PIXEL_BYTES];
        for pixel in row {
            let [red, green, blue] = pixel.map(u16::to_be_bytes);
            let bytes = [red[0], red[1], green[0], green[1], blue[0], blue[1]];
            let difference: [u8; PIXEL_BYTES] = std::array::from_fn(|idx| bytes[idx].wrapping_sub(left[idx]));
            filtered.extend_from_slice(&difference);
            left = bytes;
        }
    }
    filtered
}

/// A piece of the zlib stream and the checksum of what it holds.
struct Packed {
    deflated: Vec<u8>,
    sum: Adler,
}

fn pack(bytes: &[u8]) -> Packed {
    let mut compress = Compress::new(flate2::Compression::new(DEFLATE_LEVEL), false);
    let mut deflated = Vec::with_capacity(bytes.len() + bytes.len() / 100 + 64);
    loop {
        let done = usize::try_from(compress.total_in()).expect("a strip fits in memory");
        let spare = deflated.capacity() - deflated.len();
        compress
            .compress_vec(&bytes[done..], &mut deflated, FlushCompress::Sync)
            .expect("deflate accepts any bytes in any order");
        let all_taken = compress.total_in() == bytes.len() as u64;
        // A flush is complete only when it left room in the buffer.
        if all_taken && spare > 0 && deflated.len() < deflated.capacity() {
            return Packed { deflated, sum: Adler::of(bytes) };
        }
        deflated.reserve(bytes.len() / 2 + 64);
    }
}

/// The Adler-32 checksum of RFC 1950, which can be joined from pieces.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Adler {
    a: u64,
    b: u64,
    len: u64,
}

impl Adler {
    const EMPTY: Self = Self { a: 1, b: 0, len: 0 };

    /// Largest prime below 2^16.
    const MODULUS: u64 = 65521;

    fn of(bytes: &[u8]) -> Self {
        let mut sum = Self::EMPTY;
        // So many bytes keep the sums far within 64 bits.
        for chunk in bytes.chunks(1 << 16) {
            for &byte in chunk {
                sum.a += u64::from(byte);
                sum.b += sum.a;
            }
            sum.a %= Self::MODULUS;
            sum.b %= Self::MODULUS;
        }
        sum.len = bytes.len() as u64;
        sum
    }

    /// The checksum of these bytes followed by those of `next`.
    fn join(self, next: Self) -> Self {
        let carried = (next.len % Self::MODULUS) * (self.a + Self::MODULUS - 1);
        Self {
            a: (self.a + next.a + Self::MODULUS - 1) % Self::MODULUS,
            b: (self.b + next.b + carried) % Self::MODULUS,
            len: self.len + next.len,
        }
    }

    fn value(self) -> u32 {
        // Both sums are below 2^16.
        ((self.b << 16) | self.a) as u32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_checksum_of_pieces_is_that_of_the_whole() {
        // From Python's zlib 1.2.13: zlib.adler32(b"one clear night").
        assert_eq!(Adler::of(b"one clear night").value(), 0x2C64_05A4, "a known value");
        let bytes: Vec<u8> = (0..200_000_u32).map(|idx| (idx.wrapping_mul(idx) >> 7) as u8).collect();
        let (first, second) = bytes.split_at(70_001);
        assert_eq!(Adler::of(first).join(Adler::of(second)), Adler::of(&bytes), "joined from two");
        assert_eq!(Adler::EMPTY.join(Adler::of(&bytes)), Adler::of(&bytes), "joined to nothing");
    }
}
