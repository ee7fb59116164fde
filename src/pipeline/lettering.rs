//! Letters for drawings, five dots wide and seven high; small letters are drawn as large ones.

use image::{Rgb, RgbImage};

/// Dots along and down a letter.
const LETTER: [u32; 2] = [5, 7];

/// Dots from one letter to the next.
const STEP: u32 = 6;

/// What stands for a letter that is not in the table.
const UNKNOWN: [u8; 7] = [0b11111, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11111];

/// Rows from top to bottom; the highest of five bits is on the left.
#[rustfmt::skip]
const LETTERS: [(char, [u8; 7]); 44] = [
    ('A', [0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001]),
    ('B', [0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110]),
    ('C', [0b01110, 0b10001, 0b10000, 0b10000, 0b10000, 0b10001, 0b01110]),
    ('D', [0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110]),
    ('E', [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111]),
    ('F', [0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000]),
    ('G', [0b01110, 0b10001, 0b10000, 0b10111, 0b10001, 0b10001, 0b01110]),
    ('H', [0b10001, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001]),
    ('I', [0b01110, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110]),
    ('J', [0b00111, 0b00010, 0b00010, 0b00010, 0b00010, 0b10010, 0b01100]),
    ('K', [0b10001, 0b10010, 0b10100, 0b11000, 0b10100, 0b10010, 0b10001]),
    ('L', [0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b11111]),
    ('M', [0b10001, 0b11011, 0b10101, 0b10101, 0b10001, 0b10001, 0b10001]),
    ('N', [0b10001, 0b11001, 0b10101, 0b10101, 0b10011, 0b10001, 0b10001]),
    ('O', [0b01110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110]),
    ('P', [0b11110, 0b10001, 0b10001, 0b11110, 0b10000, 0b10000, 0b10000]),
    ('Q', [0b01110, 0b10001, 0b10001, 0b10001, 0b10101, 0b10010, 0b01101]),
    ('R', [0b11110, 0b10001, 0b10001, 0b11110, 0b10100, 0b10010, 0b10001]),
    ('S', [0b01111, 0b10000, 0b10000, 0b01110, 0b00001, 0b00001, 0b11110]),
    ('T', [0b11111, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100, 0b00100]),
    ('U', [0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b01110]),
    ('V', [0b10001, 0b10001, 0b10001, 0b10001, 0b01010, 0b01010, 0b00100]),
    ('W', [0b10001, 0b10001, 0b10001, 0b10101, 0b10101, 0b11011, 0b10001]),
    ('X', [0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b01010, 0b10001]),
    ('Y', [0b10001, 0b10001, 0b01010, 0b00100, 0b00100, 0b00100, 0b00100]),
    ('Z', [0b11111, 0b00001, 0b00010, 0b00100, 0b01000, 0b10000, 0b11111]),
    ('0', [0b01110, 0b10011, 0b10101, 0b10101, 0b10101, 0b11001, 0b01110]),
    ('1', [0b00100, 0b01100, 0b00100, 0b00100, 0b00100, 0b00100, 0b01110]),
    ('2', [0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111]),
    ('3', [0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110]),
    ('4', [0b00010, 0b00110, 0b01010, 0b10010, 0b11111, 0b00010, 0b00010]),
    ('5', [0b11111, 0b10000, 0b11110, 0b00001, 0b00001, 0b10001, 0b01110]),
    ('6', [0b00110, 0b01000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110]),
    ('7', [0b11111, 0b00001, 0b00010, 0b00010, 0b00100, 0b00100, 0b00100]),
    ('8', [0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110]),
    ('9', [0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00010, 0b01100]),
    ('.', [0b00000, 0b00000, 0b00000, 0b00000, 0b00000, 0b01100, 0b01100]),
    (',', [0b00000, 0b00000, 0b00000, 0b00000, 0b01100, 0b00100, 0b01000]),
    ('-', [0b00000, 0b00000, 0b00000, 0b01110, 0b00000, 0b00000, 0b00000]),
    ('_', [0b00000, 0b00000, 0b00000, 0b00000, 0b00000, 0b00000, 0b11111]),
    (':', [0b00000, 0b01100, 0b01100, 0b00000, 0b01100, 0b01100, 0b00000]),
    ('×', [0b00000, 0b10001, 0b01010, 0b00100, 0b01010, 0b10001, 0b00000]),
    ('(', [0b00010, 0b00100, 0b01000, 0b01000, 0b01000, 0b00100, 0b00010]),
    (')', [0b01000, 0b00100, 0b00010, 0b00010, 0b00010, 0b00100, 0b01000]),
];

/// Writes `text` with its upper left corner at `corner`; a dot is `dot` pixels wide. What lies outside is cut off.
pub(super) fn write(picture: &mut RgbImage, corner: [u32; 2], dot: u32, ink: Rgb<u8>, text: &str) {
    for (position, letter) in (0_u32..).zip(text.chars().flat_map(char::to_uppercase)) {
        let rows = match LETTERS.iter().find(|(known, _)| *known == letter) {
            Some((_, rows)) => *rows,
            None if letter == ' ' => continue,
            None => UNKNOWN,
        };
        for (y, row) in (0_u32..).zip(rows) {
            for x in (0..LETTER[0]).filter(|x| row >> (LETTER[0] - 1 - x) & 1 == 1) {
                for (across, down) in (0..dot).flat_map(|across| (0..dot).map(move |down| (across, down))) {
                    let place = [corner[0] + (position * STEP + x) * dot + across, corner[1] + y * dot + down];
                    if let Some(pixel) = picture.get_pixel_mut_checked(place[0], place[1]) {
                        *pixel = ink;
                    }
                }
            }
        }
    }
}

/// Pixels that `text` takes along.
pub(super) fn width(dot: u32, text: &str) -> u32 {
    let n_letters: u32 = text.chars().flat_map(char::to_uppercase).map(|_| 1).sum();
    (n_letters * STEP).saturating_sub(STEP - LETTER[0]) * dot
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_letters_look_alike_and_each_is_known_once() {
        for (idx, (letter, rows)) in LETTERS.iter().enumerate() {
            let others = || LETTERS[..idx].iter();
            assert!(others().all(|(other, dots)| other != letter && dots != rows), "{letter} is there twice");
            assert!(rows.iter().all(|row| *row < 32) && *rows != UNKNOWN, "{letter} is five dots wide");
        }
    }

    #[test]
    fn a_word_fills_its_width_and_is_cut_off_at_the_edge() {
        let ink = Rgb([255, 255, 255]);
        let mut picture = RgbImage::new(60, 20);
        write(&mut picture, [2, 3], 2, ink, "ho");
        let lit: Vec<_> = picture.enumerate_pixels().filter(|(_, _, pixel)| **pixel == ink).collect();
        let right = lit.iter().map(|(x, _, _)| *x).max();
        assert_eq!(right.map(|right| right + 1 - 2), Some(width(2, "ho")), "from the corner to the last dot");
        assert_eq!(lit.len(), 4 * (17 + 16), "17 dots of an H and 16 of an O, four pixels each");
        write(&mut picture, [50, 15], 2, ink, "beyond the edge");
    }
}
