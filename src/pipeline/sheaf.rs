//! What a saved sheaf asks of a run: the one way from a sheaf to a picture, for the window and the terminal.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::error::Error;
use crate::pipeline::request::{ExportSettings, MaskChoice, ReferenceChoice, Request};
use crate::settings::{FileFormat, Landscape, MaskSource, Sheaf, Writing};

impl Sheaf {
    /// The run. Nothing that is left to the caller (memory, folders, the single frame) changes the picture.
    #[must_use]
    pub fn request(&self) -> Request {
        let mask = match (self.landscape, &self.mask) {
            (Landscape::None, _) => MaskChoice::None,
            (Landscape::Mask, Some(MaskSource::Inside(mask))) => MaskChoice::Given(Arc::clone(mask)),
            (Landscape::Mask, Some(MaskSource::File(path))) => MaskChoice::File(path.clone()),
            (Landscape::Mask, None) | (Landscape::Found, _) => MaskChoice::Auto,
        };
        Request {
            lights: self.lights.iter().map(|light| light.path.clone()).collect(),
            darks: self.darks.clone(),
            flats: self.flats.clone(),
            bias: self.bias.clone(),
            land: self.land.clone(),
            skip: self.aside().map(Path::to_owned).collect(),
            mask,
            reference: self.reference.clone().map_or(ReferenceChoice::Auto, ReferenceChoice::File),
            lens_profile: self.lens_profile.clone(),
            combine: self.combine,
            colors: self.colors,
            drop_below_sigma: self.drop_below_sigma,
            drop_above_sigma: self.drop_above_sigma,
            ..Request::default()
        }
    }

    /// The file, of this kind.
    #[must_use]
    pub fn export_settings(&self, format: FileFormat) -> ExportSettings {
        let Writing { compression, jpeg_quality, keep_place } = self.writing;
        ExportSettings { format, develop: self.develop.clone(), compression, jpeg_quality, keep_place }
    }

    /// Refuses a sheaf of which files are missing; `path` is its file, `remedy` what to do.
    pub fn check_files(&self, path: &Path, remedy: &'static str) -> Result<(), Error> {
        let paths: Vec<PathBuf> = self.missing();
        if paths.is_empty() { Ok(()) } else { Err(Error::MissingFrames { sheaf: path.to_owned(), paths, remedy }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::{Decider, Light, Mark};

    #[test]
    fn marks_become_frames_to_skip_whoever_made_them() {
        let light = |name: &str, mark| Light { path: PathBuf::from(name), mark };
        let aside = |by| Some(Mark { aside: true, by, reason: String::new() });
        let kept = Some(Mark { aside: false, by: Decider::Person, reason: String::new() });
        let lights = vec![
            light("a", None),
            light("b", aside(Decider::Measure)),
            light("c", aside(Decider::Person)),
            light("d", kept),
        ];
        let request = Sheaf { lights, ..Sheaf::default() }.request();
        assert_eq!(request.lights.len(), 4, "all are named, so that the report speaks of all");
        assert_eq!(request.skip, [PathBuf::from("b"), PathBuf::from("c")], "two are left out");
    }

    #[test]
    fn the_landscape_is_what_the_sheaf_says() {
        let of = |landscape, mask| Sheaf { landscape, mask, ..Sheaf::default() }.request().mask;
        let file = Some(MaskSource::File(PathBuf::from("land.png")));
        assert!(matches!(of(Landscape::Mask, file.clone()), MaskChoice::File(_)), "a picture of the person's");
        assert!(matches!(of(Landscape::Found, file.clone()), MaskChoice::Auto), "kept, not used");
        assert!(matches!(of(Landscape::None, file), MaskChoice::None), "sky only");
        assert!(matches!(of(Landscape::Mask, None), MaskChoice::Auto), "no mask to use");
    }
}
