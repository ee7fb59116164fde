//! The window's state, its jobs, and the order in which a frame of the screen is made.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Instant;

use eframe::egui::{CentralPanel, Context, Frame, Margin, Panel, Pos2, Rect, Ui, UiBuilder, ViewportCommand};

use crate::error::Error;
use crate::gui::action::Action;
use crate::gui::canvas::{self, Layers};
use crate::gui::correcting::{Corrected, Correction};
use crate::gui::dialogs::Dialog;
use crate::gui::drawing::Drawn;
use crate::gui::frame_clock::FrameClock;
use crate::gui::history::History;
use crate::gui::keep::Leaving;
use crate::gui::keyboard;
use crate::gui::lane::Lane;
use crate::gui::panels::{column, foot, keeping, keys, night_line, plan, preferences, strips, welcome};
use crate::gui::plan_form::PlanForm;
use crate::gui::sheaf::Land;
use crate::gui::state::{State, Subject};
use crate::gui::strokes::{Brush, MaskPatch};
use crate::gui::theme::palette;
use crate::gui::tiles::TileWorks;
use crate::gui::title::title;
use crate::gui::whole;
use crate::gui::widgets::SCROLL_BAR;
use crate::gui::works::{Developed, Filed, Heard, Previewed, Ready, Stacked};
use crate::job::Cancelled;
use crate::pipeline::{ForegroundMask, FrameFinding, Outcome, Request};
use crate::pixels::Size;
use crate::plan::LightSource;
use crate::settings::Folders;

mod apply;
mod calibrating;
mod copying;
mod cross;
mod files;
mod land_frames;
mod landscape;
mod listen;
mod night;
mod opening;
mod picking;
mod preferring;
mod preview;
mod running;
mod saving;
mod watch;
mod writing;

/// Width of the side column.
const COLUMN: f32 = 336.0;

/// Share of a small window, or of one with large text, that the side column takes at most.
const MOST_OF_WINDOW: f32 = 0.6;

/// Room that the picture needs beside column and drawer; in a narrower window the drawer stands in the column's
/// place.
const LEAST_CANVAS: f32 = 420.0;

/// Tiles handed to the graphics in one frame of the screen at most: each takes a few milliseconds.
const MOST_UPLOADS: usize = 2;

/// The window.
pub struct App {
    state: State,
    history: History,
    layers: Layers,
    n_layers: u64,
    tiles: TileWorks,
    lanes: Lanes,
    heard: (Sender<Heard>, Receiver<Heard>),
    dialog: Option<Dialog>,
    /// The path that was typed last, until it turned out to be of use.
    typed: Option<files::Typed>,
    /// What the file that is being read or written is about.
    filing: Subject,
    /// Files that are read or written after it.
    to_file: VecDeque<files::FileWork>,
    /// Whether paths are typed even where the desktop has dialogs.
    types_paths: bool,
    /// All paths given so far: files and folders.
    given: Vec<PathBuf>,
    /// Frames that turned out not to be readable and of which nobody was told yet.
    unread: Vec<PathBuf>,
    outcome: Option<Arc<Outcome>>,
    /// What asked for it.
    stacked_by: Option<Request>,
    /// Sheaf file, copies of unsaved work, preferences.
    keeper: saving::Keeper,
    /// Where the picture was written last.
    last_output: Option<PathBuf>,
    /// What the stack shown was made from.
    stacked_from: Option<RunKey>,
    /// What the run going on is made from.
    running_key: Option<RunKey>,
    /// What the preview shown was made from.
    previewed_from: Option<RunKey>,
    preview_outcome: Option<Arc<Outcome>>,
    /// Whether results come on the canvas by themselves: until the person looks at a frame.
    shows_results: bool,
    /// A preview came while the brush was in hand: it is shown when that is laid down.
    preview_waits: bool,
    /// Frames are to be listed and measured as soon as no other work needs the machine.
    measures_after: bool,
    /// Whether what is watched waits for other work.
    watch_held: Arc<AtomicBool>,
    mask_version: u64,
    /// The landscape as it was found.
    found_mask: Option<Arc<ForegroundMask>>,
    stroke: Option<Stroke>,
    /// Corrections that wait for the one that is worked out, and that one.
    asked: VecDeque<Asked>,
    answering: Option<Asked>,
    /// What was asked for after them.
    after_corrections: Vec<Action>,
    /// Strokes that were answered: later answers must not overrule them.
    hints: Vec<crate::pipeline::Stroke>,
    sample_folder: Option<tempfile::TempDir>,
    frame_clock: FrameClock,
    /// Whether the person said that the window may close.
    may_close: bool,
    /// The title as the desktop knows it.
    title: String,
    /// What the plan shown was made from.
    planned_from: Option<(PlanForm, Option<LightSource>)>,
    /// Whether the last frame of the screen lacked tiles of the picture.
    lacks_tiles: bool,
    /// Where the picture is drawn, in which window.
    canvas: Rect,
    window: Rect,
    context: Context,
}

/// One lane for each kind of work.
struct Lanes {
    gather: Lane<Result<Vec<FrameFinding>, Error>>,
    open: Lane<Result<Ready, Error>>,
    stack: Lane<Result<Stacked, Error>>,
    develop: Lane<Result<Developed, Cancelled>>,
    mask: Lane<Result<Corrected, Cancelled>>,
    preview: Lane<Result<Previewed, Error>>,
    file: Lane<Result<Filed, Error>>,
    /// Files for which the frames are stacked once more.
    layers: Lane<Result<Filed, Error>>,
    watch: Lane<Result<(), Error>>,
}

/// A correction that waits for the one before it, or is worked out.
struct Asked {
    correction: Correction,
    /// Of the frame.
    size: Size,
    /// The stroke as it is drawn over the mask until it is answered.
    drawn: Option<Arc<MaskPatch>>,
    /// The edit that it takes back (`true`) or makes again.
    travels: Option<(bool, Arc<MaskPatch>)>,
}

/// A stroke of the brush that is not finished.
struct Stroke {
    /// The mask that it lies over.
    mask: Arc<ForegroundMask>,
    /// What it makes of that.
    patch: MaskPatch,
    points: Vec<Pos2>,
    last: Pos2,
    brush: Brush,
    /// Whether the mask is still the same once the stroke ends.
    on_mask: bool,
}

/// All that a run depends on.
#[derive(Clone, Debug, PartialEq)]
struct RunKey {
    wanted: Vec<PathBuf>,
    land: Land,
    mask_version: Option<u64>,
    choices: crate::gui::sheaf::Choices,
    calibration: crate::gui::sheaf::Calibration,
}

impl App {
    /// A window that begins with these files and folders, knows nothing of earlier ones and leaves nothing behind.
    pub fn new(context: &Context, paths: Vec<PathBuf>) -> std::io::Result<Self> {
        Self::with_folders(context, paths, None)
    }

    /// A window that begins with these files and folders and keeps its own files in `folders`.
    pub fn with_folders(context: &Context, paths: Vec<PathBuf>, folders: Option<Folders>) -> std::io::Result<Self> {
        let wake = context.clone();
        let mut app = Self {
            state: State::default(),
            history: History::default(),
            layers: Layers::default(),
            n_layers: 0,
            tiles: TileWorks::start(move || wake.request_repaint())?,
            lanes: Lanes {
                gather: Lane::with_plan("measuring", whole::MEASURING),
                open: Lane::new("opening"),
                stack: Lane::with_plan("stacking", whole::RUN),
                develop: Lane::new("developing"),
                mask: Lane::new("correcting"),
                preview: Lane::new("previewing"),
                file: Lane::with_plan("writing", whole::WRITING),
                layers: Lane::with_plan("layers", whole::LAYERS),
                watch: Lane::new("watching"),
            },
            heard: channel(),
            dialog: None,
            typed: None,
            filing: Subject::Export,
            to_file: VecDeque::new(),
            types_paths: false,
            given: Vec::new(),
            unread: Vec::new(),
            outcome: None,
            stacked_by: None,
            keeper: saving::Keeper::new(folders),
            last_output: None,
            stacked_from: None,
            running_key: None,
            previewed_from: None,
            preview_outcome: None,
            shows_results: true,
            preview_waits: false,
            measures_after: false,
            watch_held: Arc::new(AtomicBool::new(false)),
            mask_version: 0,
            found_mask: None,
            stroke: None,
            asked: VecDeque::new(),
            answering: None,
            after_corrections: Vec::new(),
            hints: Vec::new(),
            sample_folder: None,
            frame_clock: FrameClock::from_environment(),
            may_close: false,
            title: String::new(),
            planned_from: None,
            lacks_tiles: false,
            canvas: Rect::ZERO,
            window: Rect::ZERO,
            context: context.clone(),
        };
        app.state.plan_form = PlanForm::today();
        app.read_own_files();
        app.state.theme.apply(context);
        app.look_for_leftovers();
        if !paths.is_empty() {
            app.apply(Action::AddPaths(paths));
        }
        Ok(app)
    }

    /// When the program began, for the measurement of its first picture.
    pub fn began_at(&mut self, began: Instant) {
        self.frame_clock.begin_at(began);
    }

    /// Asks for typed paths instead of opening dialogs of the desktop.
    pub fn type_paths(&mut self) {
        self.types_paths = true;
    }

    /// What is on the screen.
    #[must_use]
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Whether the picture is drawn whole and nothing is being worked out.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        let Lanes { gather, open, stack, develop, mask, preview, file, layers, watch: _ } = &self.lanes;
        let small = [open.is_busy(), develop.is_busy(), mask.is_busy(), preview.is_busy()];
        let long = [gather.is_busy(), stack.is_busy(), file.is_busy(), layers.is_busy()];
        !self.lacks_tiles && !small.contains(&true) && !long.contains(&true)
    }

    /// Takes in what jobs, dialogs, keys and drops brought since the last frame; draws nothing.
    pub fn listen(&mut self, context: &Context) {
        self.listen_to_jobs();
        self.note_layout();
        self.listen_to_keeper();
        let dropped: Vec<PathBuf> =
            context.input(|input| input.raw.dropped_files.iter().map(|file| file.path().to_owned()).collect());
        if !dropped.is_empty() {
            self.apply(Action::Drop(dropped));
        }
        let (pressed, held) = context.input(|input| (input.pointer.any_pressed(), input.pointer.any_down()));
        self.history.follow_pointer(pressed, held, Instant::now());
        for action in keyboard::actions(context, &self.state) {
            self.apply(action);
        }
        if context.input(|input| input.viewport().close_requested()) && !self.may_close && self.would_lose() {
            context.send_viewport_cmd(ViewportCommand::CancelClose);
            self.leave(Leaving::Close);
        }
        let working = self.working();
        if working.is_none() {
            self.frame_clock.note_idle();
        }
        let title = title(&self.state, working.as_ref());
        if title != self.title {
            context.send_viewport_cmd(ViewportCommand::Title(title.clone()));
            self.title = title;
        }
        if working.is_some() {
            // The time left changes even when nothing is reported.
            context.request_repaint_after(std::time::Duration::from_millis(250));
        }
    }

    /// Draws everything and does what was asked.
    pub fn draw(&mut self, ui: &mut Ui) {
        let mut asked = Vec::new();
        let palette = palette(ui);
        let wall = Frame::new().fill(palette.wall);
        let has_frames = !self.state.sheaf.frames.is_empty();
        self.note_what_is_shown();
        if has_frames {
            Panel::bottom("night line").resizable(false).exact_size(night_line::HEIGHT).frame(wall).show(ui, |ui| {
                asked.extend(night_line::show(ui, &self.state));
            });
        }
        let narrow = ui.available_width() < COLUMN + plan::WIDTH + LEAST_CANVAS;
        if has_frames && !(narrow && self.state.plan_shown) {
            let working = self.working();
            let column_frame = wall.inner_margin(Margin { left: 18, right: 14, top: 6, bottom: 10 });
            // With large text the picture keeps a part of the window.
            let width = COLUMN.min(MOST_OF_WINDOW * ui.available_width());
            Panel::right("column").resizable(false).exact_size(width).frame(column_frame).show(ui, |ui| {
                let foot_frame = Frame::new().inner_margin(Margin { left: 0, right: 4, top: 10, bottom: 0 });
                Panel::bottom("foot").resizable(false).frame(foot_frame).show(ui, |ui| {
                    asked.extend(foot::show(ui, &self.state, working.as_ref()));
                });
                // A child of its own: nothing in it, however wide, moves the edge of the picture.
                let room = ui.available_rect_before_wrap();
                // Its scroll bar lies in the margin and not over its words.
                let room = room.with_max_x(room.right() + SCROLL_BAR);
                let mut column = ui.new_child(UiBuilder::new().max_rect(room));
                column.shrink_clip_rect(room.with_min_x(room.left() - 10.0).with_max_x(room.right() + 2.0));
                asked.extend(column::show(&mut column, &self.state));
            });
        }
        if self.state.plan_shown {
            self.refresh_plan();
            let drawer = wall.inner_margin(Margin { left: 16, right: 10, top: 8, bottom: 8 });
            let width = plan::WIDTH.min(MOST_OF_WINDOW * ui.available_width());
            Panel::left("plan").resizable(false).exact_size(width).frame(drawer).show(ui, |ui| {
                asked.extend(plan::show(ui, &self.state));
            });
        }
        self.draw_strips(ui, &mut asked);
        CentralPanel::no_frame().frame(Frame::new().fill(palette.room)).show(ui, |ui| {
            if has_frames {
                self.take_canvas(ui.max_rect(), ui.ctx().content_rect());
                let answered = self.asked.iter().rev().chain(&self.answering);
                let ended = answered.filter_map(|asked| asked.drawn.as_deref());
                let in_hand = self.stroke.as_ref();
                let drawn = Drawn {
                    last: in_hand.map(|stroke| stroke.last),
                    over: in_hand.map(|stroke| &stroke.patch).into_iter().chain(ended).collect(),
                };
                let output = canvas::show(ui, &self.state, &mut self.layers, &drawn);
                asked.extend(output.actions);
                self.lacks_tiles = !output.orders.is_empty();
                self.tiles.want(output.orders);
            } else {
                let hovering = ui.input(|input| !input.raw.hovered_files.is_empty());
                let working = self.working();
                asked.extend(welcome::show(ui, &self.state, working.as_ref(), hovering));
            }
        });
        if self.state.keys_shown {
            asked.extend(keys::show(ui, &self.state));
        }
        if self.state.keeping.preferences_shown {
            asked.extend(preferences::show(ui, &self.state));
        }
        if self.state.keeping.recent_shown {
            asked.extend(keeping::recent_list(ui, &self.state));
        }
        // Whatever was to be brought in sight is there now; what is asked for next begins anew.
        self.state.sought = None;
        for action in asked {
            self.apply(action);
        }
    }

    /// Strips and drawers take room from the canvas: nothing that is looked at closely moves for that. In a window of
    /// another size the middle stays the middle.
    fn take_canvas(&mut self, canvas: Rect, window: Rect) {
        if canvas != self.canvas
            && window == self.window
            && let Some(placement) = self.placement()
        {
            self.state.view = self.state.view.kept_in_place(&placement, canvas);
        }
        (self.canvas, self.window) = (canvas, window);
    }

    fn draw_strips(&self, ui: &mut Ui, asked: &mut Vec<Action>) {
        let needs_field = self.state.path_for.is_some();
        let has_question = self.state.keeping.has_strip() || !self.state.dropped.is_empty();
        if self.state.notices.is_empty() && !needs_field && !has_question {
            return;
        }
        Panel::top("strips").resizable(false).frame(Frame::new()).show(ui, |ui| {
            ui.spacing_mut().item_spacing.y = 1.0;
            asked.extend(keeping::strips(ui, &self.state));
            asked.extend(strips::dropped(ui, &self.state));
            asked.extend(strips::path_field(ui, &self.state));
            asked.extend(strips::notices(ui, &self.state.notices));
        });
    }

    /// What the panels tell of the picture on the canvas.
    fn note_what_is_shown(&mut self) {
        let shown = self.layers.shown(self.state.shown);
        let tone = shown.and_then(|layer| layer.tone());
        self.state.histogram = tone.map(|tone| Arc::clone(tone.histogram()));
        self.state.glow_found = tone.is_some_and(|tone| tone.takes_glow_away());
        self.note_what_can_be_done();
        self.state.previewing = self.lanes.preview.is_busy();
    }

    /// What tells whether something that is asked for can be done.
    fn note_what_can_be_done(&mut self) {
        self.state.has_picture = self.layers.shown(self.state.shown).is_some();
        self.state.can_travel = (self.history.can_undo(), self.history.can_redo());
        self.state.correcting = self.lanes.mask.is_busy();
        self.state.stacking = self.lanes.stack.is_busy();
        self.state.filing = self.is_filing();
    }
}

impl eframe::App for App {
    fn logic(&mut self, context: &Context, _frame: &mut eframe::Frame) {
        self.listen(context);
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        if self.frame_clock.note_frame(Instant::now(), ui.input(|input| input.pointer.any_down())) {
            ui.ctx().request_repaint();
        }
        self.draw(ui);
        if self.layers.shown(self.state.shown).is_some_and(|layer| layer.is_visible()) {
            self.frame_clock.note_picture();
        }
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        // A measurement that cannot be written must not keep the window from closing.
        let _ = self.frame_clock.save();
        self.end_keeping();
    }
}
