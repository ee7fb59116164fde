//! Files in, frames or messages out, through the child process of the built command line.

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use nightsheaf::job::CancelToken;
use nightsheaf::raw::{DecodeError, Decoder, Limits, RawFrame};

fn decoder() -> Decoder {
    Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() }
}

fn decode(path: &Path) -> Result<RawFrame, DecodeError> {
    decoder().decode(path, &CancelToken::default())
}

/// A camera's own file, read as LibRaw reads it (rawpy 0.28.0; the values stand beside the file).
#[test]
fn a_real_raw_reads_as_libraw_reads_it() {
    let Some(folder) = std::env::var_os("NIGHTSHEAF_REAL_RAWS").map(PathBuf::from) else {
        println!("skipped: NIGHTSHEAF_REAL_RAWS names no folder with colorchart.dng and golden_libraw.json");
        return;
    };
    let golden = fs::read_to_string(folder.join("golden_libraw.json")).expect("the values beside the file");
    let golden: serde_json::Value = serde_json::from_str(&golden).expect("JSON");
    let golden = &golden["colorchart.dng"];
    let frame = decode(&folder.join("colorchart.dng")).expect("a sound file");
    println!("{:?} {:?} {:?} {} {:?} {:?} {:?}", frame.size(), frame.layout, frame.black_level, frame.white_level, frame.color, frame.metadata, frame.orientation);
    println!("{golden}");
}
