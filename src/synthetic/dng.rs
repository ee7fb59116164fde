//! Writes a mosaic as a DNG file: classic TIFF 6.0, little endian, one directory, one uncompressed strip.
//!
//! Tags: Adobe Digital Negative specification 1.4 and EXIF 2.32 (CIPA DC-008), numbers beside the names.

use std::io::{self, Write};
use std::path::Path;

use jiff::civil;

use crate::pixels::{CfaColor, Layout, Plane, Size};
use crate::raw::frame::{Metadata, RawFrame};

/// Writes `frame` to `path`; a frame without a mosaic is refused.
pub fn write_cfa_dng(path: &Path, frame: &RawFrame) -> io::Result<()> {
    write(path, frame, frame.planes.first(), 0)
}

/// As [`write_cfa_dng`], with all samples of a sensor whose first columns and rows are masked (ActiveArea, MaskedAreas).
pub fn write_sensor_dng(path: &Path, frame: &RawFrame, sensor: &Plane<u16>, masked_px: usize) -> io::Result<()> {
    let Size { width, height } = frame.size();
    if sensor.size() != (Size { width: width + masked_px, height: height + masked_px }) {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "the sensor is not as large as frame and margins"));
    }
    write(path, frame, Some(sensor), masked_px)
}

fn write(path: &Path, frame: &RawFrame, sensor: Option<&Plane<u16>>, masked_px: usize) -> io::Result<()> {
    let (Layout::Mosaic(cfa), Some(sensor)) = (frame.layout, sensor) else {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "only a mosaic can be written as a raw file"));
    };
    let size = sensor.size();
    let n_bytes = 2 * size.area() as u32;
    let metadata = &frame.metadata;
    let pattern = cfa.0.as_flattened().iter().map(|color| *color as u8).collect::<Vec<_>>();
    let make = metadata.make.as_deref().unwrap_or("Unknown");
    let model = metadata.model.as_deref().unwrap_or("Unknown");
    let mut directory = vec![
        Entry::long(254, &[0]),
        Entry::long(256, &[size.width as u32]),
        Entry::long(257, &[size.height as u32]),
        Entry::short(258, &[16]),
        Entry::short(259, &[1]),
        Entry::short(262, &[32_803]),
        Entry::ascii(270, "Invented night scene; no camera took this picture"),
        Entry::ascii(271, make),
        Entry::ascii(272, model),
        Entry::long(273, &[0]),
        Entry::short(274, &[frame.orientation.tag()]),
        Entry::short(277, &[1]),
        Entry::long(278, &[size.height as u32]),
        Entry::long(279, &[n_bytes]),
        Entry::short(284, &[1]),
        Entry::short(33_421, &[2, 2]),
        Entry::bytes(33_422, &pattern),
        Entry::long(34_665, &[0]),
        Entry::bytes(50_706, &[1, 4, 0, 0]),
        Entry::bytes(50_707, &[1, 1, 0, 0]),
        Entry::ascii(50_708, &format!("{make} {model}")),
        Entry::bytes(50_710, &[CfaColor::Red as u8, CfaColor::Green as u8, CfaColor::Blue as u8]),
        Entry::short(50_713, &[2, 2]),
        Entry::rational(50_714, &frame.black_level.map(|level| (f64::from(level), 256))),
        Entry::long(50_717, &[u32::from(frame.white_level)]),
        Entry::signed_rational(50_721, frame.color.camera_from_xyz.as_flattened()),
        Entry::rational(50_728, &frame.color.as_shot_neutral.map(|part| (part, 1_000_000))),
        // Light source 21: D65.
        Entry::short(50_778, &[21]),
        Entry::long(50_829, &[masked_px as u32, masked_px as u32, size.height as u32, size.width as u32]),
    ];
    if masked_px > 0 {
        let [margin, width, height] = [masked_px, size.width, size.height].map(|length| length as u32);
        directory.push(Entry::long(50_830, &[0, 0, height, margin, 0, margin, margin, width]));
    }
    if let Some(time) = metadata.capture_time {
        directory.push(Entry::ascii(306, &clock_reading(time.clock_secs).0));
    }
    let mut exif = exif_entries(metadata, frame.size().width);

    let exif_offset = 8 + length(&directory);
    let pixels_offset = exif_offset + length(&exif);
    set_long(&mut directory, 34_665, exif_offset);
    set_long(&mut directory, 273, pixels_offset);
    let mut bytes = Vec::with_capacity((pixels_offset + n_bytes) as usize);
    bytes.extend_from_slice(b"II\x2a\0\x08\0\0\0");
    append(&mut bytes, &mut directory);
    append(&mut bytes, &mut exif);
    bytes.extend(sensor.samples().iter().flat_map(|sample| sample.to_le_bytes()));
    std::fs::File::create(path)?.write_all(&bytes)
}

fn exif_entries(metadata: &Metadata, width: usize) -> Vec<Entry> {
    let mut entries = vec![Entry::undefined(36_864, b"0232")];
    if let Some(secs) = metadata.exposure_secs {
        entries.push(Entry::rational(33_434, &[(secs, 1_000_000)]));
    }
    if let Some(aperture) = metadata.aperture {
        entries.push(Entry::rational(33_437, &[(aperture, 100)]));
    }
    if let Some(iso) = metadata.iso {
        entries.push(Entry::short(34_855, &[iso.min(65_535) as u16]));
    }
    if let Some(focal_mm) = metadata.focal_mm {
        entries.push(Entry::rational(37_386, &[(focal_mm, 1000)]));
    }
    if let Some(sensor_width_mm) = metadata.sensor_width_mm {
        // Pixels per centimetre (unit 3).
        entries.push(Entry::rational(41_486, &[(10.0 * width as f64 / sensor_width_mm, 10_000)]));
        entries.push(Entry::rational(41_487, &[(10.0 * width as f64 / sensor_width_mm, 10_000)]));
        entries.push(Entry::short(41_488, &[3]));
    }
    if let Some(celsius) = metadata.temperature_celsius {
        entries.push(Entry::signed_rational(0x9400, &[celsius]));
    }
    if let Some(lens) = &metadata.lens {
        entries.push(Entry::ascii(42_036, lens));
    }
    if let Some(time) = metadata.capture_time {
        let (whole, thousandths) = clock_reading(time.clock_secs);
        entries.push(Entry::ascii(36_867, &whole));
        entries.push(Entry::ascii(37_521, &format!("{thousandths:03}")));
        if let Some(minutes) = time.utc_offset_minutes {
            let sign = if minutes < 0 { '-' } else { '+' };
            let size = minutes.unsigned_abs();
            entries.push(Entry::ascii(36_881, &format!("{sign}{:02}:{:02}", size / 60, size % 60)));
        }
    }
    entries
}

/// "YYYY:MM:DD HH:MM:SS" and thousandths of a second.
fn clock_reading(clock_secs: f64) -> (String, i64) {
    let milliseconds = (clock_secs * 1000.0).round() as i64;
    let start = civil::date(1970, 1, 1).at(0, 0, 0, 0);
    let time = start.saturating_add(jiff::SignedDuration::from_secs(milliseconds.div_euclid(1000)));
    let text = format!(
        "{:04}:{:02}:{:02} {:02}:{:02}:{:02}",
        time.year(),
        time.month(),
        time.day(),
        time.hour(),
        time.minute(),
        time.second()
    );
    (text, milliseconds.rem_euclid(1000))
}

/// One tag with its value as it stands in the file.
struct Entry {
    tag: u16,
    kind: u16,
    count: u32,
    value: Vec<u8>,
}

impl Entry {
    fn bytes(tag: u16, values: &[u8]) -> Self {
        Self { tag, kind: 1, count: values.len() as u32, value: values.to_vec() }
    }

    /// Characters outside ASCII become question marks.
    fn ascii(tag: u16, text: &str) -> Self {
        let value: Vec<u8> =
            text.chars().map(|c| if c.is_ascii() && c != '\0' { c as u8 } else { b'?' }).chain([0]).collect();
        Self { tag, kind: 2, count: value.len() as u32, value }
    }

    fn short(tag: u16, values: &[u16]) -> Self {
        let value = values.iter().flat_map(|value| value.to_le_bytes()).collect();
        Self { tag, kind: 3, count: values.len() as u32, value }
    }

    fn long(tag: u16, values: &[u32]) -> Self {
        let value = values.iter().flat_map(|value| value.to_le_bytes()).collect();
        Self { tag, kind: 4, count: values.len() as u32, value }
    }

    /// Values as fractions of the given denominators.
    fn rational(tag: u16, values: &[(f64, u32)]) -> Self {
        let parts = values.iter().flat_map(|&(value, under)| [(value * f64::from(under)).round() as u32, under]);
        let value = parts.flat_map(u32::to_le_bytes).collect();
        Self { tag, kind: 5, count: values.len() as u32, value }
    }

    fn undefined(tag: u16, values: &[u8]) -> Self {
        Self { kind: 7, ..Self::bytes(tag, values) }
    }

    /// Values as fractions of ten thousand, the custom of the matrices of this format.
    fn signed_rational(tag: u16, values: &[f64]) -> Self {
        let parts = values.iter().flat_map(|value| [(value * 10_000.0).round() as i32, 10_000]);
        let value = parts.flat_map(i32::to_le_bytes).collect();
        Self { tag, kind: 10, count: values.len() as u32, value }
    }
}

/// Bytes of a directory with the values that do not fit into it.
fn length(entries: &[Entry]) -> u32 {
    let outside = |entry: &Entry| if entry.value.len() > 4 { entry.value.len().next_multiple_of(2) } else { 0 };
    (6 + 12 * entries.len() + entries.iter().map(outside).sum::<usize>()) as u32
}

fn set_long(entries: &mut [Entry], tag: u16, value: u32) {
    for entry in entries.iter_mut().filter(|entry| entry.tag == tag) {
        entry.value = value.to_le_bytes().to_vec();
    }
}

/// Appends a directory, sorted by tag, and its values.
fn append(bytes: &mut Vec<u8>, entries: &mut [Entry]) {
    entries.sort_by_key(|entry| entry.tag);
    let mut values = Vec::new();
    let values_offset = bytes.len() + 6 + 12 * entries.len();
    bytes.extend_from_slice(&(entries.len() as u16).to_le_bytes());
    for entry in entries.iter() {
        bytes.extend_from_slice(&entry.tag.to_le_bytes());
        bytes.extend_from_slice(&entry.kind.to_le_bytes());
        bytes.extend_from_slice(&entry.count.to_le_bytes());
        if entry.value.len() <= 4 {
            let mut inside = entry.value.clone();
            inside.resize(4, 0);
            bytes.extend_from_slice(&inside);
        } else {
            bytes.extend_from_slice(&((values_offset + values.len()) as u32).to_le_bytes());
            values.extend_from_slice(&entry.value);
            values.resize(values.len().next_multiple_of(2), 0);
        }
    }
    bytes.extend_from_slice(&0_u32.to_le_bytes());
    bytes.extend_from_slice(&values);
}
