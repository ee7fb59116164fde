//! What lies in a file that is none of ours, by its first bytes: a person is told what was found.

use crate::raw::tiff_structure::TiffStructure;

/// Bytes that tell.
const TELLING: usize = 4096;

/// First bytes of common kinds of files, from their places on, and what they are called.
const KINDS: [(usize, &[u8], &str); 16] = [
    (0, b"%PDF", "a PDF"),
    (0, b"PK\x03\x04", "a ZIP archive"),
    (0, b"7z\xBC\xAF", "a 7z archive"),
    (0, b"\x1F\x8B", "a packed archive"),
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (8, b"WEBP", "a WebP picture"),
    (4, b"ftypheic", "a HEIC picture"),
    (4, b"ftypmif1", "a HEIC picture"),
    (4, b"ftypavif", "an AVIF picture"),
    (4, b"ftypqt", "a film"),
    (4, b"ftypmp4", "a film"),
    (4, b"ftypisom", "a film"),
    (0, b"8BPS", "an editor's layered picture"),
    (0, b"SIMPLE  =", "a FITS picture"),
    (0, b"\x7FELF", "a program"),
];

/// What the bytes of a file that is no picture known here are.
pub fn kind_of_content(bytes: &[u8]) -> &'static str {
    let head = &bytes[..bytes.len().min(TELLING)];
    if head.iter().all(|&byte| byte == 0) {
        return "nothing but zeros";
    }
    let is = |&&(at, mark, _): &&(usize, &[u8], &str)| head.get(at..).is_some_and(|rest| rest.starts_with(mark));
    if let Some((_, _, name)) = KINDS.iter().find(is) {
        return name;
    }
    if is_text(head) { "text" } else { "data of no known kind" }
}

/// First bytes of what only a camera raw begins with, from their places on.
const RAW_MARKS: [(usize, &[u8]); 8] = [
    (0, b"FUJIFILMCCD-RAW"),
    (4, b"ftypcrx"),
    (6, b"HEAPCCDR"),
    (0, b"\0MRM"),
    (0, b"FOVb"),
    (0, b"IIRO"),
    (0, b"IIRS"),
    (0, b"IIU\0"),
];

/// Whether a file is a camera raw or a DNG, by its own words.
#[must_use]
pub fn is_camera_raw(bytes: &[u8]) -> bool {
    let is_marked = |&(at, mark): &(usize, &[u8])| bytes.get(at..).is_some_and(|rest| rest.starts_with(mark));
    let structure = || TiffStructure::parse(bytes);
    RAW_MARKS.iter().any(is_marked)
        || structure().is_some_and(|structure| structure.is_dng() || structure.raw_directory().is_some())
}

/// A letter may be cut at the end.
fn is_text(head: &[u8]) -> bool {
    let text = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or(""),
        Err(_) => return false,
    };
    !text.is_empty() && text.chars().all(|letter| !letter.is_control() || letter.is_ascii_whitespace())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_found_is_named() {
        let mut cut = "clear until midn\u{ef}ght \u{e9}".repeat(300).into_bytes();
        cut.truncate(TELLING + 1);
        for (bytes, name) in [
            (&b"Clouds until midnight.\n"[..], "text"),
            (&cut, "text"),
            (&[0; 9000], "nothing but zeros"),
            (b"%PDF-1.7\n", "a PDF"),
            (b"RIFF\x10\0\0\0WEBPVP8 ", "a WebP picture"),
            (b"\0\0\0\x18ftypheic\0", "a HEIC picture"),
            (&[7, 0, 200, 3], "data of no known kind"),
        ] {
            assert!(!is_camera_raw(bytes), "no raw: {name}");
            assert_eq!(kind_of_content(bytes), name, "{:?}", &bytes[..bytes.len().min(12)]);
        }
    }

    #[test]
    fn a_camera_raw_is_known_by_its_own_words() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
        for name in ["sample-frames/night-001.dng", "tests/reference/dng_variants/second_decoder.3fr"] {
            assert!(is_camera_raw(&std::fs::read(folder.join(name)).expect("a file of the project")), "{name}");
        }
        assert!(is_camera_raw(b"\0\0\0\x18ftypcrx \0\0\0\x01"), "CR3");
        for name in ["assets/nightsheaf-32.png", "tests/reference/profiled_pictures/wide_gamma.tif"] {
            assert!(!is_camera_raw(&std::fs::read(folder.join(name)).expect("a file of the project")), "{name}");
        }
    }
}
