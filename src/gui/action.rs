//! Everything a person can ask the window for.

use std::path::PathBuf;

use eframe::egui::{Pos2, Vec2};

use crate::gui::calibration::CalibrationKind;
use crate::gui::correcting::{EdgeChange, Tool};
use crate::gui::keep::Keep;
use crate::gui::plan_form::PlanForm;
use crate::gui::sheaf::{Choices, Land};
use crate::gui::state::{Section, Shown};
use crate::gui::strokes::{Brush, BrushKind};
use crate::gui::theme::Theme;
use crate::gui::view::Zoom;

/// A wish. [`App::apply`](crate::gui::app::App::apply) fulfils it; nothing else does.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Take these files and folders as light frames.
    AddPaths(Vec<PathBuf>),
    /// Ask the desktop for frame files.
    ChooseFiles,
    /// Ask the desktop for a folder of frames.
    ChooseFolder,
    /// Make the invented burst and take it.
    TrySampleFrames,
    /// Put all frames away and begin with an empty window.
    StartOver,
    /// Paths fell on the window.
    Drop(Vec<PathBuf>),
    /// What was dropped is of this kind; light frames where `None`.
    SortDropped(Option<CalibrationKind>),
    /// What was dropped is not wanted.
    ForgetDropped,
    /// Ask for calibration frames.
    ChooseCalibration(CalibrationKind),
    /// Take these files and folders as calibration frames.
    AddCalibration(CalibrationKind, Vec<PathBuf>),
    /// Do without calibration frames of this kind.
    ClearCalibration(CalibrationKind),
    /// Ask for frames for the landscape alone: files, or a folder.
    ChooseLandFrames {
        /// A folder instead of files.
        folder: bool,
    },
    /// Take these files and folders for the landscape alone.
    AddLandFrames(Vec<PathBuf>),
    /// What was dropped is for the landscape alone.
    SortDroppedForLand,
    /// Make the landscape from the light frames again.
    ClearLandFrames,
    /// Ask for a lens profile.
    ChooseLensProfile,
    /// Start from this lens, or from what the frames say of it.
    UseLensProfile(Option<PathBuf>),
    /// Ask where to write the lens.
    ChooseLensProfileTarget,
    /// Write the lens as the stars measured it to this file.
    SaveLensProfile(PathBuf),

    /// Show a frame or the stack.
    Show(Shown),
    /// Move the choice among frames by so many, to the left if negative.
    Step(isize),
    /// Choose all lights from the one shown to this one.
    ExtendTo(usize),
    /// Set the chosen frames aside, or take them back.
    ToggleAside,
    /// Bring the sky to the frame shown, or let the program choose again.
    ToggleReference,

    /// What is landscape.
    ChooseLand(Land),
    /// Take this tool in hand, or lay it down where it is in hand.
    TakeTool(Tool),
    /// Draw land or sky with the tool in hand, or take the brush.
    TakeBrush(BrushKind),
    /// Lay the tool down.
    LayBrushDown,
    /// Pull what is drawn to the real edge, or leave it as drawn.
    ToggleSnap,
    /// Add a corner, in stored coordinates.
    AddCorner(Pos2),
    /// Take the last corner back.
    DropCorner,
    /// Finish the polygon or the level line.
    CloseShape,
    /// By how many pixels the edge is to be changed.
    SetEdgeStep(f32),
    /// Change the whole edge of the landscape.
    ChangeEdge(EdgeChange),
    /// Make the brush so large.
    ResizeBrush(f32),
    /// Paint from one stored point to another with this brush.
    Paint {
        /// The brush.
        brush: Brush,
        /// Where the last piece ended.
        from: Pos2,
        /// Where this piece ends.
        to: Pos2,
    },
    /// The pointer was lifted: the stroke is one edit.
    EndStroke,
    /// Show or hide the hatching over the landscape.
    ToggleHatching,
    /// Show or hide how far stars are from their places.
    ToggleResiduals,
    /// Ask for a mask file.
    ChooseMask,
    /// Read the mask from this file.
    LoadMask(PathBuf),
    /// Ask where to write what clipping left out.
    ChooseLeftOutTarget,
    /// Write what clipping left out to this file.
    SaveLeftOut(PathBuf),
    /// Ask where to write sky, land and mask.
    ChooseLayersTarget,
    /// Write sky, land and mask to this folder.
    SaveLayers(PathBuf),
    /// Ask where to write the page of the report.
    ChooseReportTarget,
    /// Write the page of the report to this file.
    SaveReport(PathBuf),
    /// Ask where to write the mask.
    ChooseMaskTarget,
    /// Write the mask to this file.
    SaveMask(PathBuf),

    /// Point at what is colourless, or give that up.
    TogglePicking,
    /// What lies at this stored point is colourless.
    PickWhite(Pos2),
    /// Show the glow that is taken away, or the picture again.
    ToggleGlow,

    /// Other choices for the run, the look or the file.
    Choose(Box<Choices>),
    /// Make the picture.
    Stack,
    /// Stop what is being done.
    Cancel,
    /// Ask where to write the picture.
    ChooseExportTarget,
    /// Write the picture to this file.
    Export(PathBuf),

    /// Show or hide the drawer of plan and field check.
    TogglePlan,
    /// Other words in the fields of the plan.
    EditPlan(Box<PlanForm>),
    /// Take light, noise, lens and exposure of the plan from the frame shown.
    PlanFromFrame,
    /// Ask where to write the page of the plan.
    ChoosePageTarget,
    /// Write the page of the plan to this file.
    SavePage(PathBuf),
    /// Ask for a folder to watch.
    ChooseFolderToWatch,
    /// Measure the frames in this folder and those that come into it.
    WatchFolder(PathBuf),
    /// Watch no folder.
    StopWatching,

    /// Show the picture so large.
    Zoom(Zoom),
    /// Zoom by a factor with the point under the pointer kept.
    ZoomAt {
        /// Larger than 1 comes closer.
        factor: f32,
        /// Where the pointer is.
        pointer: Pos2,
    },
    /// Zoom by a factor with the middle of the canvas kept.
    ZoomBy(f32),
    /// Move the picture along with the pointer.
    Pan(Vec2),
    /// Move the keyboard's cross by so many points of the screen.
    MoveCross(Vec2),
    /// Do at the keyboard's cross what a click does with the tool in hand.
    UseCross {
        /// A second time at one place ends the shape.
        ends: bool,
    },
    /// Put the divider at this share of the canvas.
    MoveDivider(f32),
    /// Show the single frame alone while this is held.
    HoldSingle(bool),

    /// Take the last edit back.
    Undo,
    /// Make the last edit again.
    Redo,
    /// Unfold or fold a section of the side column.
    ToggleSection(Section),
    /// Put a notice away.
    Dismiss(usize),
    /// Copy a notice.
    CopyNotice(usize),
    /// Show or hide the list of commands.
    ToggleKeys,
    /// Narrow the list of commands.
    SearchCommands(String),
    /// Put the list away and do this.
    FromList(Box<Self>),
    /// Something about sheaf files, recovery or preferences.
    Keep(Keep),
    /// Close the window; asks first where something would be lost.
    Quit,
    /// Put away what lies over the picture: the list of keys, a path field, the brush.
    StepBack,
    /// Another light.
    UseTheme(Theme),
    /// What is typed into the path field at present.
    TypePath(String),
    /// Take this typed path for what was asked.
    UseTypedPath(String),
}

impl Action {
    /// Whether it only looks at what is there, reads or types: nothing is done or changed by it.
    #[must_use]
    pub fn only_looks(&self) -> bool {
        matches!(
            self,
            Self::Show(_)
                | Self::Step(_)
                | Self::ExtendTo(_)
                | Self::EndStroke
                | Self::ToggleHatching
                | Self::ToggleResiduals
                | Self::ToggleGlow
                | Self::Zoom(_)
                | Self::ZoomAt { .. }
                | Self::ZoomBy(_)
                | Self::Pan(_)
                | Self::MoveCross(_)
                | Self::MoveDivider(_)
                | Self::HoldSingle(_)
                | Self::ToggleSection(_)
                | Self::Dismiss(_)
                | Self::CopyNotice(_)
                | Self::ToggleKeys
                | Self::SearchCommands(_)
                | Self::UseTheme(_)
                | Self::TypePath(_)
        )
    }
}
