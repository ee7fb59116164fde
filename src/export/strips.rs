//! Upright strips of a picture, pixel by pixel, made while the file is written.

use std::ops::Range;

use rayon::prelude::*;

use crate::develop::{Development, RowPlace};
use crate::export::{CAMERA_BLACK, ExportError, Finished};
use crate::job::Monitor;
use crate::pixels::{LinearImage, Orientation, Plane, Size, to_code_u16};

/// Rows of a strip: about a megabyte for a 24-megapixel picture.
pub(super) const ROWS_PER_STRIP: usize = 32;

/// Strips made at a time and then written in order.
const STRIPS_AT_A_TIME: usize = 16;

/// Columns copied together when rows become columns, so that both sides stay in cache.
const BLOCK: usize = 64;

/// Makes every strip of `height` rows, several at a time, and hands them to `write` in order.
pub(super) fn for_each_strip<T: Send>(
    monitor: &Monitor,
    height: usize,
    make: impl Fn(Range<usize>) -> T + Sync,
    mut write: impl FnMut(T) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let starts: Vec<usize> = (0..height).step_by(ROWS_PER_STRIP).collect();
    for group in starts.chunks(STRIPS_AT_A_TIME) {
        monitor.step("Writing", group[0], height)?;
        let strips: Vec<T> = group.par_iter().map(|&start| make(start..(start + ROWS_PER_STRIP).min(height))).collect();
        for strip in strips {
            write(strip)?;
        }
    }
    Ok(())
}

/// Upright rows of a picture for the eye.
pub(super) fn finished_rows(finished: Finished<'_>, orientation: Orientation, rows: Range<usize>) -> Vec<[u16; 3]> {
    match finished {
        Finished::Encoded(image) => interleave(&image.planes, orientation, rows, |code| code),
        Finished::Developed { image, development } => {
            develop_rows(image, orientation, rows, |camera, place, out: &mut [[u16; 3]]| {
                development.row_interleaved(camera, place, out);
            })
        }
    }
}

/// Upright rows of linear light.
pub(super) fn light_rows(
    image: &LinearImage,
    development: &Development,
    orientation: Orientation,
    rows: Range<usize>,
) -> Vec<[f32; 3]> {
    develop_rows(image, orientation, rows, |camera, place, out: &mut [[f32; 3]]| {
        development.row_linear(camera, place, out);
    })
}

/// Rows as measured, not turned.
pub(super) fn camera_rows(image: &LinearImage, rows: Range<usize>) -> Vec<[u16; 3]> {
    let black = f32::from(CAMERA_BLACK);
    interleave(&image.planes, Orientation::Normal, rows, |value| to_code_u16(black + value * (65535.0 - black)))
}

fn develop_rows<T: Copy + Default>(
    image: &LinearImage,
    orientation: Orientation,
    rows: Range<usize>,
    develop_row: impl Fn([&[f32]; 3], RowPlace, &mut [[T; 3]]),
) -> Vec<[T; 3]> {
    let size = image.size();
    let width = orientation.upright_size(size).width;
    let camera = [0, 1, 2].map(|channel: usize| gather(&image.planes[channel], orientation, rows.clone()));
    let mut out = vec![[T::default(); 3]; width * rows.len()];
    for ((idx, y), out) in rows.enumerate().zip(out.chunks_exact_mut(width)) {
        let row = idx * width..(idx + 1) * width;
        let camera = [&camera[0][row.clone()], &camera[1][row.clone()], &camera[2][row]];
        develop_row(camera, upright_row_place(size, orientation, y), out);
    }
    out
}

fn interleave<T: Copy + Default, U: Copy>(
    planes: &[Plane<T>; 3],
    orientation: Orientation,
    rows: Range<usize>,
    convert: impl Fn(T) -> U,
) -> Vec<[U; 3]> {
    let [red, green, blue] = [0, 1, 2].map(|channel: usize| gather(&planes[channel], orientation, rows.clone()));
    let pixels = red.iter().zip(&green).zip(&blue);
    pixels.map(|((&red, &green), &blue)| [convert(red), convert(green), convert(blue)]).collect()
}

/// Upright rows of one stored channel.
fn gather<T: Copy + Default>(plane: &Plane<T>, orientation: Orientation, rows: Range<usize>) -> Vec<T> {
    if orientation == Orientation::Normal {
        let width = plane.width();
        return plane.samples()[rows.start * width..rows.end * width].to_vec();
    }
    let size = plane.size();
    let width = orientation.upright_size(size).width;
    let mut out = vec![T::default(); width * rows.len()];
    for block in (0..width).step_by(BLOCK) {
        let columns = block..(block + BLOCK).min(width);
        for (y, out) in rows.clone().zip(out.chunks_exact_mut(width)) {
            for (x, out) in columns.clone().zip(&mut out[columns.clone()]) {
                let (stored_x, stored_y) = orientation.stored_from_upright(x, y, size);
                *out = plane.at(stored_x, stored_y);
            }
        }
    }
    out
}

/// Where an upright row lies in the stored frame.
fn upright_row_place(stored: Size, orientation: Orientation, y: usize) -> RowPlace {
    let place = |x: usize| {
        let (stored_x, stored_y) = orientation.stored_from_upright(x, y, stored);
        RowPlace::of_row(stored, stored_x, stored_y).start
    };
    let start = place(0);
    let next = if orientation.upright_size(stored).width > 1 { place(1) } else { start };
    RowPlace { start, step: [next[0] - start[0], next[1] - start[1]] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_of_every_orientation_join_to_the_upright_picture() {
        let size = Size { width: 150, height: 70 };
        let planes =
            [0, 1, 2].map(|channel: u16| Plane::from_fn(size, |x, y| (y * size.width + x) as u16 * 3 + channel));
        for tag in 1..=8 {
            let orientation = Orientation::from_tag(tag).expect("1 to 8");
            let upright = [0, 1, 2].map(|channel: usize| orientation.upright(&planes[channel]));
            let height = upright[0].height();
            let mut joined = Vec::new();
            let make = |rows| interleave(&planes, orientation, rows, |code| code);
            for_each_strip(&Monitor::silent(), height, make, |strip| {
                joined.extend(strip);
                Ok(())
            })
            .expect("nobody cancels");
            for (idx, pixel) in joined.iter().enumerate() {
                let expected = [0, 1, 2].map(|channel: usize| upright[channel].samples()[idx]);
                assert_eq!(*pixel, expected, "pixel {idx} of orientation {tag}");
            }
            assert_eq!(joined.len(), size.area(), "orientation {tag} has every pixel");
        }
    }

    #[test]
    fn an_upright_row_knows_its_place_in_the_stored_frame() {
        let stored = Size { width: 4, height: 2 };
        let place = upright_row_place(stored, Orientation::Rotate90, 0);
        assert_eq!(place.start, [0.125, 0.75], "the lower left pixel comes to the upper left");
        assert_eq!(place.step, [0.0, -0.5], "the row runs up the left column");
    }

    #[test]
    fn measured_values_are_clamped_at_the_ends() {
        let samples = vec![0.0, 1.0, -1.0, 2.0, 0.5];
        let plane = Plane::from_vec(Size { width: 5, height: 1 }, samples).expect("five samples");
        let image = LinearImage { planes: [plane.clone(), plane.clone(), plane] };
        let codes: Vec<u16> = camera_rows(&image, 0..1).iter().map(|pixel| pixel[1]).collect();
        assert_eq!(codes, [1024, 65535, 0, 65535, 33280], "black, white, below, above, middle");
    }
}
