//! The pictures of the report page: small enough for a phone, held by the page itself.

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, ImageEncoder};

use crate::develop::{Development, RowPlace};
use crate::foreground::ForegroundMask;
use crate::pipeline::picture::Picture;
use crate::pixels::{LinearImage, Plane, Rect, Size};

/// Longer side of a whole picture, at most.
const WHOLE_PX: usize = 1280;
/// The piece of sky that is shown pixel by pixel.
const DETAIL: Size = Size { width: 360, height: 270 };
/// Candidate places of that piece along each side.
const PLACES: usize = 9;
/// Every so many rows and columns of the mask are asked whether a place is sky.
const MASK_STEP: usize = 8;
/// Leaves noise as it is, nearly.
const QUALITY: u8 = 90;

/// A picture as a page holds it.
pub(super) struct Shown {
    /// A `data:` address with everything in it.
    pub(super) address: String,
    pub(super) size: Size,
}

/// The whole picture, reduced by whole numbers of pixels in linear light.
pub(super) fn whole(picture: &Picture, development: &Development) -> Shown {
    let size = picture.image.size();
    let factor = size.width.max(size.height).div_ceil(WHOLE_PX).max(1);
    let reduced = reduce(&picture.image, factor);
    let rows = Size { width: size.width / factor, height: size.height / factor };
    shown(picture, &reduced, development, |y| RowPlace::of_row(rows, 0, y))
}

/// A piece of the picture, pixel by pixel; its place is in stored pixels.
pub(super) fn detail(picture: &Picture, development: &Development, at: Rect) -> Shown {
    let whole = picture.image.size();
    let piece = LinearImage { planes: picture.image.planes.each_ref().map(|plane| plane.crop(at)) };
    shown(picture, &piece, development, |y| RowPlace::of_row(whole, at.x, at.y + y))
}

/// A piece of sky near the middle of the frame, with as little landscape as can be.
pub(super) fn sky_piece(foreground: Option<&ForegroundMask>, frame: Size) -> Rect {
    let size = Size { width: DETAIL.width.min(frame.width), height: DETAIL.height.min(frame.height) };
    let places = |room: usize| (0..PLACES).map(move |place| place * room / (PLACES - 1));
    let candidates = places(frame.height - size.height)
        .flat_map(|y| places(frame.width - size.width).map(move |x| Rect { x, y, size }));
    let land = |rect: &Rect| {
        let Some(mask) = foreground else { return 0.0 };
        let rows = (rect.y..rect.y + size.height).step_by(MASK_STEP);
        let columns = || (rect.x..rect.x + size.width).step_by(MASK_STEP);
        rows.flat_map(|y| columns().map(move |x| f64::from(mask.0.at(x, y)))).sum::<f64>()
    };
    let from_middle = |rect: &Rect| {
        let [x, y] = [2 * rect.x + size.width, 2 * rect.y + size.height].map(|twice| twice as f64);
        (x - frame.width as f64).hypot(y - frame.height as f64)
    };
    let order = |a: &Rect, b: &Rect| land(a).total_cmp(&land(b)).then(from_middle(a).total_cmp(&from_middle(b)));
    candidates.min_by(order).expect("there are candidates")
}

fn shown(
    picture: &Picture,
    image: &LinearImage,
    development: &Development,
    place: impl Fn(usize) -> RowPlace,
) -> Shown {
    let size = image.size();
    let mut stored = Vec::with_capacity(size.area());
    let mut row = vec![[0_u8; 3]; size.width];
    for y in 0..size.height {
        let camera = [0, 1, 2].map(|channel: usize| image.planes[channel].row(y));
        development.row_for_screen(camera, place(y), &mut row);
        stored.extend_from_slice(&row);
    }
    let plane = Plane::from_vec(size, stored).expect("one pixel after the other");
    let upright = picture.orientation.upright(&plane);
    let size = upright.size();
    let mut jpeg = Vec::new();
    // At most 1280 pixels along a side.
    let (width, height) = (size.width as u32, size.height as u32);
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY)
        .write_image(upright.samples().as_flattened(), width, height, ExtendedColorType::Rgb8)
        .expect("memory takes a small picture");
    Shown { address: format!("data:image/jpeg;base64,{}", base64(&jpeg)), size }
}

/// Means of squares of `factor` pixels; what is left over at the right and below is not shown.
fn reduce(image: &LinearImage, factor: usize) -> LinearImage {
    if factor == 1 {
        return image.clone();
    }
    let full = image.size();
    let size = Size { width: full.width / factor, height: full.height / factor };
    let mean = |plane: &Plane<f32>, x: usize, y: usize| {
        let rows = y * factor..(y + 1) * factor;
        let sum: f32 = rows.map(|y| plane.row(y)[x * factor..(x + 1) * factor].iter().sum::<f32>()).sum();
        sum / (factor * factor) as f32
    };
    LinearImage { planes: image.planes.each_ref().map(|plane| Plane::from_fn(size, |x, y| mean(plane, x, y))) }
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let held = chunk.iter().fold(0_u32, |held, &byte| held << 8 | u32::from(byte)) << (8 * (3 - chunk.len()));
        for place in 0..4 {
            let letter = LETTERS[(held >> (18 - 6 * place) & 63) as usize];
            text.push(if place <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_standard() {
        // RFC 4648, section 10.
        for (bytes, text) in [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg==")] {
            assert_eq!(base64(bytes.as_bytes()), text, "{bytes}");
        }
    }

    #[test]
    fn the_piece_that_is_shown_is_sky() {
        let frame = Size { width: 1200, height: 800 };
        let mask = ForegroundMask(Plane::from_fn(frame, |_, y| if y >= 420 { 1.0 } else { 0.0 }));
        let piece = sky_piece(Some(&mask), frame);
        assert!(piece.y + piece.size.height <= 420, "above the horizon: {piece:?}");
        assert_eq!(piece.x, 420, "in the middle: {piece:?}");
        assert_eq!(
            sky_piece(None, Size { width: 40, height: 30 }).size,
            Size { width: 40, height: 30 },
            "all there is"
        );
    }

    #[test]
    fn pictures_are_reduced_by_means() {
        let image = LinearImage {
            planes: std::array::from_fn(|_| Plane::from_fn(Size { width: 5, height: 4 }, |x, y| (x + 10 * y) as f32)),
        };
        let reduced = reduce(&image, 2);
        assert_eq!(reduced.planes[1].samples(), &[5.5, 7.5, 25.5, 27.5], "means of four");
    }
}
