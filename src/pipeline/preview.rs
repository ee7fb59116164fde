//! A quick look at a burst: a few of its frames, at half size where they are large, through the same steps.

use std::path::PathBuf;
use std::sync::Arc;

use crate::error::{Error, FramesFor};
use crate::job::Monitor;
use crate::pipeline::land::Found;
use crate::pipeline::lights::decode;
use crate::pipeline::request::{MaskChoice, ReferenceChoice, Request};
use crate::pipeline::run::{Outcome, chosen_lights, decoder, run, same_file};
use crate::pixels::Size;
use crate::raw::FrameScale;

/// Frames that a preview is made of at most.
pub const PREVIEW_FRAMES: usize = 5;

/// Calibration frames of each kind that it is made with at most.
const CALIBRATION_FRAMES: usize = 3;

/// Frames of more pixels are read at half size: a screen shows no more.
const LARGE_PX: usize = 6_000_000;

/// A quick look at a burst.
#[derive(Clone, Debug)]
pub struct Preview {
    /// What came of the few frames, at their scale; its landscape is at the frames' full size.
    pub outcome: Outcome,
    /// How large the frames were read.
    pub scale: FrameScale,
    /// Full size of the frames.
    pub size: Size,
}

/// Stacks a few frames spread over the burst, the reference among them where it is named.
pub fn preview(monitor: &Monitor, request: &Request) -> Result<Preview, Error> {
    monitor.step("Previewing", 0, 1)?;
    let paths = few_of(chosen_lights(request)?, &request.reference);
    let size = frame_size(monitor, request, &paths)?;
    let scale = if size.area() > LARGE_PX { FrameScale::Half } else { FrameScale::Full };
    let few = |paths: &[PathBuf]| paths.iter().take(CALIBRATION_FRAMES).cloned().collect();
    let mask = match &request.mask {
        MaskChoice::Given(mask) if mask.size() == size => MaskChoice::Given(Arc::new(mask.reduced(scale.factor()))),
        other => other.clone(),
    };
    let request = Request {
        lights: paths,
        skip: Vec::new(),
        land: few(&request.land),
        darks: few(&request.darks),
        flats: few(&request.flats),
        bias: few(&request.bias),
        mask,
        scale,
        keep_single: true,
        ..request.clone()
    };
    let mut outcome = run(monitor, &request)?;
    if scale != FrameScale::Full {
        monitor.step("Preparing the view", 0, 1)?;
        outcome.foreground = outcome.foreground.map(|mask| Arc::new(mask.enlarged(scale.factor(), size)));
        outcome.found = outcome.found.map(|found| found.enlarged(scale.factor(), size));
    }
    Ok(Preview { outcome, scale, size })
}

/// At most [`PREVIEW_FRAMES`], evenly spread.
fn few_of(paths: Vec<PathBuf>, reference: &ReferenceChoice) -> Vec<PathBuf> {
    if paths.len() <= PREVIEW_FRAMES {
        return paths;
    }
    let last = paths.len() - 1;
    let mut places: Vec<usize> = (0..PREVIEW_FRAMES).map(|idx| idx * last / (PREVIEW_FRAMES - 1)).collect();
    if let ReferenceChoice::File(wanted) = reference
        && let Some(place) = paths.iter().position(|path| same_file(path, wanted))
        && !places.contains(&place)
    {
        let nearest = (0..places.len()).min_by_key(|&idx| places[idx].abs_diff(place));
        places[nearest.expect("a preview has frames")] = place;
    }
    places.into_iter().map(|place| paths[place].clone()).collect()
}

/// Size of the first frame that can be read.
fn frame_size(monitor: &Monitor, request: &Request, paths: &[PathBuf]) -> Result<Size, Error> {
    let decoder = decoder(request.decoder_program.as_deref())?;
    let mut set_aside = Vec::new();
    for path in paths {
        match decode(monitor, &decoder, path, FrameScale::Full)? {
            Ok(raw) => return Ok(raw.size()),
            Err(reason) => set_aside.push((path.clone(), reason)),
        }
    }
    Err(Error::TooFewFrames { usable: 0, given: paths.len(), wanted_for: FramesFor::Stack, set_aside })
}

impl Found {
    /// What a reduced burst showed, for its frames at full size.
    fn enlarged(self, factor: usize, size: Size) -> Self {
        let grown = |doubt: crate::foreground::Doubt| {
            let mut rect = doubt.rect;
            (rect.x, rect.y) = (rect.x * factor, rect.y * factor);
            rect.size = Size { width: rect.size.width * factor, height: rect.size.height * factor };
            crate::foreground::Doubt { rect, ..doubt }
        };
        Self {
            doubts: self.doubts.into_iter().map(grown).collect(),
            guide: Arc::new(self.guide.enlarged(factor, size)),
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paths(n: usize) -> Vec<PathBuf> {
        (0..n).map(|idx| PathBuf::from(format!("night-{idx:03}.dng"))).collect()
    }

    #[test]
    fn few_frames_are_spread_over_the_burst_with_the_reference_among_them() {
        let all = paths(41);
        let few = few_of(all.clone(), &ReferenceChoice::Auto);
        assert_eq!(few, [0, 10, 20, 30, 40].map(|idx| all[idx].clone()), "first, last, and even steps between");
        let few = few_of(all.clone(), &ReferenceChoice::File(all[12].clone()));
        assert_eq!(few, [0, 12, 20, 30, 40].map(|idx| all[idx].clone()), "the reference in place of its neighbour");
        assert_eq!(few_of(paths(3), &ReferenceChoice::Auto), paths(3), "all of a few");
    }
}
