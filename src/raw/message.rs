//! The one message from the child to the parent: a length, a JSON header, then the samples in bulk.
//!
//! All numbers little-endian: `u32` length of the header in bytes, the header, then the planes one after
//! the other, row by row, two bytes a sample; then the means of the masked margins, `f32` each.

use std::io::{self, Read, Write};

use serde::{Deserialize, Serialize};

use crate::job::peak_memory_bytes;
use crate::pixels::{Layout, Orientation, Plane, Size};
use crate::raw::error::{DecodeError, Refusal};
use crate::raw::facts::FrameFacts;
use crate::raw::frame::{CameraColor, Metadata, RawFrame, TransferFunction};
use crate::raw::margins::{LineMeans, Margins};

/// A header is some hundred bytes; more than this is not one.
const MAX_HEADER_BYTES: u32 = 1 << 16;
/// Bytes converted at a time: within the second-level cache, and as much as a pipe takes.
const CHUNK_BYTES: usize = 1 << 16;

#[derive(Serialize, Deserialize)]
struct Header {
    layout: Layout,
    size: Size,
    black_level: [f32; 4],
    white_level: u16,
    transfer: TransferFunction,
    color: CameraColor,
    orientation: Orientation,
    metadata: Metadata,
    /// Whether means beside the rows, and beside the columns, follow the planes.
    margins: [bool; 2],
    /// Of the child, until the samples are written.
    peak_memory_bytes: Option<u64>,
}

/// A frame, and the most memory that the child had, where its system tells.
pub(super) struct Received {
    pub(super) frame: RawFrame,
    pub(super) peak_memory_bytes: Option<u64>,
}

/// Writes what became of a file.
pub(super) fn write_result(result: Result<RawFrame, Refusal>, out: &mut impl Write) -> io::Result<()> {
    let (header, planes, margins) = match result {
        Ok(frame) => (Ok(header_of(&frame)), frame.planes, frame.margins),
        Err(refusal) => (Err(refusal), Vec::new(), Margins::default()),
    };
    write_text(&header, out)?;
    for plane in &planes {
        write_samples(plane.samples(), out)?;
    }
    for means in [&margins.rows, &margins.columns].into_iter().flatten().flat_map(|means| &means.halves) {
        let bytes: Vec<u8> = means.iter().flat_map(|mean| mean.to_le_bytes()).collect();
        out.write_all(&bytes)?;
    }
    out.flush()
}

/// Writes what a file says of itself.
pub(super) fn write_facts(result: Result<FrameFacts, Refusal>, out: &mut impl Write) -> io::Result<()> {
    write_text(&result, out)?;
    out.flush()
}

/// Reads what a file says of itself.
pub(super) fn read_facts(input: &mut impl Read) -> io::Result<Result<FrameFacts, DecodeError>> {
    let facts = serde_json::from_slice::<Result<FrameFacts, Refusal>>(&read_text(input)?)?;
    Ok(facts.map_err(DecodeError::from))
}

fn write_text(value: &impl Serialize, out: &mut impl Write) -> io::Result<()> {
    let text = serde_json::to_vec(value)?;
    let length = u32::try_from(text.len()).map_err(io::Error::other)?;
    out.write_all(&length.to_le_bytes())?;
    out.write_all(&text)
}

fn read_text(input: &mut impl Read) -> io::Result<Vec<u8>> {
    let mut length = [0; 4];
    input.read_exact(&mut length)?;
    let length = u32::from_le_bytes(length);
    if length > MAX_HEADER_BYTES {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "the header is too long"));
    }
    let mut text = vec![0; length as usize];
    input.read_exact(&mut text)?;
    Ok(text)
}

/// Reads what became of a file; nothing is allocated before the declared size is checked.
pub(super) fn read_result(input: &mut impl Read, max_pixels: usize) -> io::Result<Result<Received, DecodeError>> {
    let text = read_text(input)?;
    let header: Header = match serde_json::from_slice::<Result<Header, Refusal>>(&text)? {
        Ok(header) => header,
        Err(refusal) => return Ok(Err(refusal.into())),
    };
    if header.size.width.saturating_mul(header.size.height) > max_pixels {
        return Err(io::Error::new(io::ErrorKind::InvalidData, "the picture is larger than allowed"));
    }
    let planes =
        (0..header.layout.n_planes()).map(|_| read_plane(header.size, input)).collect::<io::Result<Vec<_>>>()?;
    let [rows, columns] = header.margins;
    let margins = Margins {
        rows: if rows { Some(read_means(header.size.height, input)?) } else { None },
        columns: if columns { Some(read_means(header.size.width, input)?) } else { None },
    };
    let peak_memory_bytes = header.peak_memory_bytes;
    Ok(Ok(Received { frame: frame_of(header, planes, margins), peak_memory_bytes }))
}

fn header_of(frame: &RawFrame) -> Header {
    Header {
        layout: frame.layout,
        size: frame.size(),
        black_level: frame.black_level,
        white_level: frame.white_level,
        transfer: frame.transfer,
        color: frame.color,
        orientation: frame.orientation,
        metadata: frame.metadata.clone(),
        margins: [frame.margins.rows.is_some(), frame.margins.columns.is_some()],
        peak_memory_bytes: peak_memory_bytes(),
    }
}

fn write_samples(samples: &[u16], out: &mut impl Write) -> io::Result<()> {
    let mut bytes = vec![0; CHUNK_BYTES];
    for chunk in samples.chunks(CHUNK_BYTES / 2) {
        for (pair, sample) in bytes.chunks_exact_mut(2).zip(chunk) {
            pair.copy_from_slice(&sample.to_le_bytes());
        }
        out.write_all(&bytes[..2 * chunk.len()])?;
    }
    Ok(())
}

fn read_plane(size: Size, input: &mut impl Read) -> io::Result<Plane<u16>> {
    let mut samples = Vec::with_capacity(size.area());
    let mut bytes = vec![0; CHUNK_BYTES];
    let mut left = 2 * size.area();
    while left > 0 {
        let chunk = &mut bytes[..left.min(CHUNK_BYTES)];
        input.read_exact(chunk)?;
        samples.extend(chunk.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])));
        left -= chunk.len();
    }
    Ok(Plane::from_vec(size, samples).expect("one sample a pixel was read"))
}

fn read_means(n: usize, input: &mut impl Read) -> io::Result<LineMeans> {
    let mut half = || -> io::Result<Vec<f32>> {
        let mut bytes = vec![0; 4 * n];
        input.read_exact(&mut bytes)?;
        let (means, _) = bytes.as_chunks::<4>();
        Ok(means.iter().map(|mean| f32::from_le_bytes(*mean)).collect())
    };
    Ok(LineMeans { halves: [half()?, half()?] })
}

fn frame_of(header: Header, planes: Vec<Plane<u16>>, margins: Margins) -> RawFrame {
    RawFrame {
        layout: header.layout,
        planes,
        black_level: header.black_level,
        white_level: header.white_level,
        transfer: header.transfer,
        color: header.color,
        orientation: header.orientation,
        metadata: header.metadata,
        margins,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Cfa;

    fn frame() -> RawFrame {
        RawFrame {
            layout: Layout::Mosaic(Cfa::RGGB),
            planes: vec![Plane::from_fn(Size { width: 301, height: 207 }, |x, y| (x * 211 + y * 7) as u16)],
            black_level: [512.0, 511.5, 512.0, 513.0],
            white_level: 16_383,
            transfer: TransferFunction::Linear,
            color: CameraColor::SRGB,
            orientation: Orientation::Rotate90,
            metadata: Metadata { make: Some("Maker".to_owned()), exposure_secs: Some(13.0), ..Metadata::default() },
            margins: Margins { rows: Some(LineMeans { halves: [vec![0.25; 207], vec![-1.5; 207]] }), columns: None },
        }
    }

    #[test]
    fn a_frame_arrives_as_it_was_sent() {
        let mut message = Vec::new();
        write_result(Ok(frame()), &mut message).expect("memory takes everything");
        let received = read_result(&mut message.as_slice(), 100_000).expect("whole").expect("a frame");
        assert_eq!(received.frame, frame(), "every field and every sample");
    }

    #[test]
    fn a_message_cut_anywhere_is_an_error_and_never_a_frame() {
        let mut message = Vec::new();
        write_result(Ok(frame()), &mut message).expect("memory takes everything");
        for length in [0, 3, 4, 100, message.len() / 2, message.len() - 1] {
            assert!(read_result(&mut &message[..length], 100_000).is_err(), "{length} bytes of {}", message.len());
        }
    }

    #[test]
    fn a_frame_over_the_limit_is_refused_before_its_samples_are_read() {
        let mut message = Vec::new();
        write_result(Ok(frame()), &mut message).expect("memory takes everything");
        assert!(read_result(&mut message.as_slice(), 1000).is_err(), "62 307 pixels where 1000 are allowed");
    }
}
