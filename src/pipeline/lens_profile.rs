//! Lens profiles as files: read before the stars are asked, written after they have answered.

use std::io::{Read, Write};
use std::path::Path;

use crate::error::{Error, InWords};
use crate::export::replace_file;
use crate::pipeline::burst::Aligned;
use crate::pipeline::report::FalloffSource;
use crate::pipeline::request::Request;
use crate::pipeline::run::Outcome;
use crate::pixels::Size;
use crate::raw::{Metadata, kind_of_content};
use crate::register::{LensProfile, ProfileError, ProfileFalloff};
use crate::settings::toml_fault;
use crate::system::open_file;

/// A profile has less than a thousand bytes; a file larger than this is something else.
const MOST_BYTES: u64 = 65_536;

/// Stated focal lengths that differ by a larger share are not the same.
const SAME_FOCAL_LENGTH: f64 = 0.02;

/// Reads a profile for frames of this size as stored, taken at this focal length where the camera tells.
pub(super) fn load_lens_profile(path: &Path, frame: Size, focal_mm: Option<f64>) -> Result<LensProfile, Error> {
    let problem = |what: String| Error::LensProfile { path: path.to_owned(), what };
    let mut bytes = Vec::new();
    let read = open_file(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes));
    read.map_err(|source| problem(format!("cannot be read: {}: check the name", InWords(&source))))?;
    let text = match String::from_utf8(bytes) {
        Ok(text) if text.len() as u64 <= MOST_BYTES => text,
        Ok(_) => return Err(problem(no_profile("a long text"))),
        Err(no_text) => return Err(problem(no_profile(kind_of_content(no_text.as_bytes())))),
    };
    let profile = LensProfile::from_toml(&text).map_err(|error| problem(why_not(&text, &error)))?;
    let shape = |size: Size| size.width as f64 / size.height as f64;
    if (shape(profile.frame_size) / shape(frame) - 1.0).abs() > 0.01 {
        let of = profile.frame_size;
        return Err(problem(format!(
            "is of frames of {of}, these are {frame}: give a profile of frames of this shape"
        )));
    }
    match (profile.focal_mm, focal_mm) {
        (Some(of), Some(stated)) if (of / stated - 1.0).abs() > SAME_FOCAL_LENGTH => Err(problem(format!(
            "is of {of} mm, these frames state {stated} mm: give a profile of this lens at this focal length"
        ))),
        _ => Ok(profile),
    }
}

/// How a profile is made, from the terminal and in the window.
const REMEDY: &str = "--save-lens-profile writes one from a burst in which the stars move far, and so does Save lens… in \
                      the window";

fn no_profile(found: &str) -> String {
    format!("cannot be used: found {found}, which is not a lens profile: {REMEDY}")
}

/// A profile with a fault is told where; any other text is none.
fn why_not(text: &str, error: &ProfileError) -> String {
    let fault = match error {
        ProfileError::Malformed(_) if text.trim().is_empty() => return no_profile("an empty file"),
        ProfileError::Malformed(_) if !text.contains("focal_px") => return no_profile("other text"),
        ProfileError::Malformed(error) => {
            let (line, what) = toml_fault(text, error);
            format!("line {}: {}", line.unwrap_or(1), what.split(", expected one of").next().unwrap_or_default())
        }
        other => other.to_string(),
    };
    format!("cannot be used: {fault}: correct it in a text editor, or make a new one: {REMEDY}")
}

/// Writes the lens as the stars of a burst measured it, whole or not at all.
pub fn save_lens_profile(outcome: &Outcome, path: &Path) -> Result<(), Error> {
    let unknown = |why: &str| {
        let what = format!("was not written: {why}: give a burst over a longer time, in which the stars move far");
        Err(Error::LensProfile { path: path.to_owned(), what })
    };
    let fit = match &outcome.lens {
        Some(fit) if fit.fitted => fit,
        Some(_) => return unknown("the stars moved too little to measure the lens"),
        None => return unknown("no lens explains this burst"),
    };
    let metadata = &outcome.metadata;
    let size = outcome.picture.image.size();
    let known = &outcome.report.vignetting;
    // The sky tells too little to hold for another night.
    let lasts = matches!(known.source, FalloffSource::Flats | FalloffSource::Profile);
    let falloff = lasts.then_some(ProfileFalloff { aperture: metadata.aperture, terms: known.terms });
    let mut profile = LensProfile::new(&lens_name(metadata), metadata.focal_mm, size, fit);
    profile.falloff = falloff;
    let text = profile.on_sensor(metadata.sensor_width_mm).to_toml();
    replace_file(path, text.len() as u64, |out| Ok(out.write_all(text.as_bytes())?))
        .map_err(|source| Error::Export { path: path.to_owned(), source })
}

/// What became of a profile given, where it was not what the stars agreed with.
pub(super) fn lens_profile_note(aligned: &Aligned, request: &Request) -> Option<String> {
    let path = request.lens_profile.as_ref()?.display();
    match &aligned.lens {
        Some(lens) if lens.from_profile => None,
        Some(lens) => {
            let why = lens.profile_refused.as_deref().unwrap_or("the stars do not match through it");
            Some(format!("the lens profile {path} was not used, because {why}"))
        }
        None => Some(format!("the lens profile {path} was not used, because no lens explains this burst")),
    }
}

fn lens_name(metadata: &Metadata) -> String {
    let camera = || metadata.model.as_ref().map(|model| format!("lens on {model}"));
    metadata.lens.clone().or_else(camera).unwrap_or_else(|| "unknown lens".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    const FRAME: Size = Size { width: 480, height: 320 };

    fn refused(bytes: &[u8]) -> String {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("lens.toml");
        std::fs::write(&path, bytes).expect("a small file");
        let error = load_lens_profile(&path, FRAME, Some(12.0)).expect_err("no profile for these frames");
        let text = error.to_string();
        assert!(text.contains("lens.toml"), "the file is named: {text}");
        assert_eq!(text.lines().count(), 1, "in one line: {text}");
        text
    }

    fn profile(width: usize, focal_px: f64) -> String {
        format!(
            "version = 1\nlens_name = \"Tarn 12\"\nfocal_mm = 12.0\nprojection = \"rectilinear\"\nfocal_px = [{focal_px}, 0.2]\n\
             principal_px = [[240.0, 1.0], [160.0, 1.0]]\nradial = [[-0.05, 0.01], [0.0, 0.01], [0.0, 0.01]]\n\
             channel_scale = [1.0, 1.0, 1.0]\n[frame_size]\nwidth = {width}\nheight = 320\n"
        )
    }

    #[test]
    fn what_is_no_profile_is_refused_with_file_and_remedy() {
        for bytes in [&b"Clouds until midnight."[..], b"", &[0xFF, 0xD8, 0xFF], &[b' '; 70_000]] {
            let text = refused(bytes);
            assert!(text.contains("not a lens profile") && text.contains("--save-lens-profile"), "{text}");
        }
        for bytes in ["version = 1\n", "title = \"clouds\"\n[frame_size]\n"] {
            let text = refused(bytes.as_bytes());
            assert!(text.contains("found other text, which is not a lens profile: --save-lens-profile"), "{text}");
        }
        let text = refused(profile(480, 250.0).replace("radial", "readial").as_bytes());
        assert!(text.contains("line 7: unknown field `readial`: correct it in a text editor"), "{text}");
        let text = refused(profile(480, 250.0).replace("[0.0, 0.01]]", "").as_bytes());
        assert!(text.contains("cannot be used: line ") && text.contains("--save-lens-profile"), "{text}");
        let text = refused(profile(480, 3.0).as_bytes());
        assert!(text.contains("the focal length is 3, which no lens has"), "{text}");
        let text = refused(profile(480, 250.0).replace("version = 1", "version = 9").as_bytes());
        assert!(text.contains("version 9"), "{text}");
        let text = refused(profile(320, 250.0).as_bytes());
        assert!(text.contains("320 × 320") && text.contains("480 × 320"), "{text}");
        let text = refused(profile(480, 250.0).replace("12.0", "24.0").as_bytes());
        assert!(text.contains("is of 24 mm, these frames state 12 mm"), "{text}");
        let missing = load_lens_profile(Path::new("no-such-lens.toml"), FRAME, None).expect_err("no such file");
        assert!(missing.to_string().contains("no-such-lens.toml cannot be read"), "{missing}");
    }

    #[test]
    fn a_good_profile_is_read() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("lens.toml");
        std::fs::write(&path, profile(480, 250.0)).expect("a small file");
        let focal_lengths = [None, Some(12.0), Some(12.1)];
        let [loaded, ..] = focal_lengths.map(|focal_mm| load_lens_profile(&path, FRAME, focal_mm).expect("its frames"));
        assert_eq!((loaded.lens_name.as_str(), loaded.focal_px), ("Tarn 12", [250.0, 0.2]), "as written");
    }
}
