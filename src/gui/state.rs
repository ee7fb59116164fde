//! What is on the screen.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use eframe::egui::Pos2;

use crate::gui::calibration::CalibrationKind;
use crate::gui::correcting::Tool;
use crate::gui::keep::Keeping;
use crate::gui::lane::Standing;
use crate::gui::plan_form::{PlanForm, Planned};
use crate::gui::sheaf::Sheaf;
use crate::gui::strokes::{Brush, BrushKind};
use crate::gui::theme::Theme;
use crate::gui::timeline::night_order;
use crate::gui::tone::Histogram;
use crate::gui::view::View;
use crate::pipeline::{Found, FrameReport, FrameResiduals, NoiseReport, Report, expected_reference};

mod notices;

pub use notices::{Notice, NoticeTone, Subject};

/// A section of the side column, in the order of the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Section {
    /// What was shot.
    Frames,
    /// What is landscape.
    Foreground,
    /// How the sky is stacked.
    Sky,
    /// How the landscape is stacked.
    Landscape,
    /// How the picture is developed.
    Picture,
    /// What is written.
    File,
}

/// What the canvas shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shown {
    /// A frame, by index.
    Frame(usize),
    /// The stack beside the single frame.
    Stack,
    /// The stack of a few frames beside the single frame.
    Preview,
}

/// What a typed path is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PathFor {
    /// Frames or a folder of them.
    Frames,
    /// A mask to read.
    MaskToLoad,
    /// A mask to write.
    MaskToSave,
    /// The picture to write.
    Export,
    /// A folder to watch.
    FolderToWatch,
    /// The page of the plan to write.
    PlanPage,
    /// Calibration frames or a folder of them.
    Calibration(CalibrationKind),
    /// Frames for the landscape alone, or a folder of them.
    LandFrames,
    /// A lens profile to read.
    LensProfileToLoad,
    /// A lens profile to write.
    LensProfileToSave,
    /// The picture of what clipping left out, to write.
    LeftOut,
    /// The folder for sky, land and mask, to write.
    Layers,
    /// The page of the report to write.
    Report,
    /// The sheaf to write.
    SheafToSave,
    /// The folder that moved frames are in.
    MovedFrames,
    /// The folder for scratch files.
    ScratchFolder,
}

/// What a preview is made of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PreviewFacts {
    /// Frames in it.
    pub n_frames: usize,
    /// Whether they were read at half size.
    pub half_size: bool,
    /// How much cleaner it is than one of them.
    pub noise: Option<NoiseReport>,
}

impl PreviewFacts {
    /// What a person reads.
    #[must_use]
    pub fn in_words(&self) -> String {
        let size = if self.half_size { " at half size" } else { "" };
        format!("{} frames{size}, before the full run", self.n_frames)
    }
}

/// What is being done at present.
#[derive(Clone, Copy, Debug)]
pub struct Working {
    /// What it is, as a person reads it, until it tells its steps.
    pub task: &'static str,
    /// How far it is.
    pub standing: Standing,
}

/// What is on the screen, apart from the picture's textures.
#[derive(Debug)]
pub struct State {
    /// The night and all that undo covers.
    pub sheaf: Sheaf,
    /// What the canvas shows.
    pub shown: Option<Shown>,
    /// Whether the frame shown is still being opened.
    pub opening: bool,
    /// Whether frames are still being measured.
    pub measuring: bool,
    /// Whether a stack is being made.
    pub stacking: bool,
    /// Whether files are being read or written.
    pub filing: bool,
    /// The other end of the choice of frames; the frame shown where `None`.
    pub choice_end: Option<usize>,
    /// Whether a picture is on the canvas, not only on its way.
    pub has_picture: bool,
    /// Where the keyboard points on the picture, in stored coordinates.
    pub cross: Option<Pos2>,
    /// Zoom and pan.
    pub view: View,
    /// Where the divider stands, 0 left to 1 right.
    pub divider: f32,
    /// Whether the single frame is shown alone at present.
    pub holding_single: bool,
    /// Whether the landscape is hatched.
    pub hatching: bool,
    /// Whether arrows show how far stars are from their places.
    pub residuals_shown: bool,
    /// The brush.
    pub brush: Brush,
    /// Whether a tool is in hand.
    pub painting: bool,
    /// Which one.
    pub tool: Tool,
    /// Whether what is drawn is pulled to the real edge.
    pub snapping: bool,
    /// Corners of a polygon or a level line that is not finished, in stored coordinates.
    pub corners: Vec<Pos2>,
    /// By how many pixels the edge is grown, shrunk or softened.
    pub edge_px: f32,
    /// How the landscape was found, to be corrected.
    pub found: Option<Found>,
    /// Whether a correction is being worked out.
    pub correcting: bool,
    /// Whether there is an edit to take back, and one to make again.
    pub can_travel: (bool, bool),
    /// Whether the next click says what is colourless.
    pub picking: bool,
    /// Whether the glow that is taken away is shown instead of the picture.
    pub glow_shown: bool,
    /// Whether there is any.
    pub glow_found: bool,
    /// How the values on the canvas are spread.
    pub histogram: Option<Arc<Histogram>>,
    /// What the preview is made of, where there is one.
    pub preview: Option<PreviewFacts>,
    /// Whether one is being made.
    pub previewing: bool,
    /// Why there is no preview of what is chosen.
    pub no_preview: Option<String>,
    /// A section that is to be brought in sight.
    pub sought: Option<Section>,
    /// Sections that are unfolded.
    pub unfolded: Vec<Section>,
    /// What a person should know, oldest first.
    pub notices: Vec<Notice>,
    /// How many things failed so far.
    pub n_failures: usize,
    /// The light.
    pub theme: Theme,
    /// Whether the list of commands lies over the picture.
    pub keys_shown: bool,
    /// What narrows that list.
    pub command_search: String,
    /// What is kept beyond the window: sheaf file, recovery, preferences.
    pub keeping: Keeping,
    /// What was dropped on a night that has frames already: of which kind it is, is asked.
    pub dropped: Vec<PathBuf>,
    /// The path field over the picture, and what it is for.
    pub path_for: Option<PathFor>,
    /// What is typed into it.
    pub typed_path: String,
    /// What was typed where a file stands already: typed once more, that file is written over.
    pub writes_over: Option<String>,
    /// The report of the stack shown.
    pub report: Option<Report>,
    /// How far the stars of its frames are from their places.
    pub residuals: Vec<FrameResiduals>,
    /// What nine of ten of them do not exceed.
    pub typical_error_px: Option<f64>,
    /// Whether choices changed so that the stack shown is no longer what the sheaf asks for.
    pub stack_is_old: bool,
    /// The file last written from the stack shown.
    pub exported: Option<PathBuf>,
    /// Whether the drawer of plan and field check is open.
    pub plan_shown: bool,
    /// What is typed into it.
    pub plan_form: PlanForm,
    /// The plan for that.
    pub planned: Planned,
    /// The folder whose new frames are measured as they come.
    pub watching: Option<PathBuf>,
    /// Whether they wait for other work.
    pub watch_waits: bool,
}

impl Default for State {
    fn default() -> Self {
        Self {
            sheaf: Sheaf::default(),
            shown: None,
            opening: false,
            measuring: false,
            stacking: false,
            filing: false,
            choice_end: None,
            has_picture: false,
            cross: None,
            view: View::default(),
            divider: 0.5,
            holding_single: false,
            hatching: true,
            residuals_shown: false,
            brush: Brush { kind: BrushKind::Add, radius_px: 60.0 },
            painting: false,
            tool: Tool::default(),
            snapping: true,
            corners: Vec::new(),
            edge_px: 4.0,
            found: None,
            correcting: false,
            can_travel: (false, false),
            picking: false,
            glow_shown: false,
            glow_found: false,
            histogram: None,
            preview: None,
            previewing: false,
            no_preview: None,
            sought: None,
            unfolded: vec![Section::Frames, Section::Picture],
            notices: Vec::new(),
            n_failures: 0,
            theme: Theme::default(),
            keys_shown: false,
            command_search: String::new(),
            keeping: Keeping::default(),
            dropped: Vec::new(),
            path_for: None,
            typed_path: String::new(),
            writes_over: None,
            report: None,
            residuals: Vec::new(),
            typical_error_px: None,
            stack_is_old: false,
            exported: None,
            plan_shown: false,
            plan_form: PlanForm::default(),
            planned: Planned::default(),
            watching: None,
            watch_waits: false,
        }
    }
}

impl State {
    /// The frames chosen, in the order of the night: the one shown, or the lights from it to the other end of the
    /// choice.
    #[must_use]
    pub fn chosen(&self) -> Vec<usize> {
        let Some(Shown::Frame(index)) = self.shown.filter(|_| !self.sheaf.frames.is_empty()) else { return Vec::new() };
        let Some(end) = self.choice_end.filter(|end| *end != index) else { return vec![index] };
        let order = night_order(&self.sheaf.frames);
        let place = |wanted: usize| order.iter().position(|&other| other == wanted);
        match (place(index), place(end)) {
            (Some(a), Some(b)) => order[a.min(b)..=a.max(b)].to_vec(),
            // What calibrates the others is chosen alone.
            _ => vec![index],
        }
    }

    /// The file of the frame that the sky was brought to, or, before a run, most likely will be.
    #[must_use]
    pub fn reference(&self) -> Option<&Path> {
        if let Some(named) = &self.sheaf.choices.reference {
            return Some(named);
        }
        let of_sky = || self.sheaf.frames.iter().filter(|frame| self.sheaf.is_of_sky(frame));
        let of_run = self.report.as_ref().and_then(|report| {
            report.frames.iter().find(|frame| frame.registration == "reference").map(|frame| frame.file.as_path())
        });
        // Where that frame was set aside since, the next run chooses another.
        of_run
            .filter(|file| of_sky().any(|frame| frame.path == *file))
            .or_else(|| expected_reference(of_sky().filter_map(|frame| frame.finding.as_ref())))
    }

    /// What the last run has to say of a frame.
    #[must_use]
    pub fn fate(&self, index: usize) -> Option<&FrameReport> {
        let path = &self.sheaf.frames.get(index)?.path;
        self.report.as_ref()?.frames.iter().find(|frame| frame.file == *path)
    }
}
