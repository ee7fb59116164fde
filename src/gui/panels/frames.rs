//! The frames with their measures.

use eframe::egui::{Align, CursorIcon, Layout, Role};
use eframe::egui::{Align2, ScrollArea, Sense, Stroke, TextStyle, Ui, WidgetInfo, pos2, vec2};

use crate::gui::action::Action;
use crate::gui::calibration::CalibrationKind;
use crate::gui::sheaf::{Calibration, Frame, Sheaf, file_name};
use crate::gui::state::{Shown, State};
use crate::gui::theme::palette;
use crate::gui::widgets::{SCROLL_BAR, plain_button, quiet, unbroken};
use crate::pipeline::{FrameKind, FrameReport};

/// Height of a row of the list.
const ROW: f32 = 23.0;

/// How many of them take part.
#[must_use]
pub fn summary(sheaf: &Sheaf) -> String {
    format!("{} of {} used", sheaf.n_wanted(), sheaf.n_lights())
}

/// The list, and what can be done with the one shown.
pub fn show(ui: &mut Ui, state: &State) -> Option<Action> {
    let sheaf = &state.sheaf;
    let mut action = None;
    list_heads(ui, &summary(sheaf));
    let most_height = ROW * 6.5;
    ScrollArea::vertical().max_height(most_height).id_salt("list").show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 0.0;
        ui.set_max_width(ui.available_width() - SCROLL_BAR);
        let all_chosen = state.chosen();
        for (index, frame) in sheaf.frames.iter().enumerate() {
            let chosen = all_chosen.contains(&index);
            if row(ui, frame, chosen, Listed { measuring: state.measuring, for_land: sheaf.is_for_land(frame) }) {
                let extend = ui.input(|input| input.modifiers.shift);
                action = Some(if extend { Action::ExtendTo(index) } else { Action::Show(Shown::Frame(index)) });
            }
        }
    });
    if let Some(Shown::Frame(index)) = state.shown
        && let Some(frame) = sheaf.frames.get(index)
    {
        action = one_frame(ui, frame, sheaf, state.fate(index)).or(action);
    }
    ui.horizontal(|ui| {
        if plain_button(ui, "Add files…", "Choose more frames (Mod+O)").clicked() {
            action = Some(Action::ChooseFiles);
        }
        if plain_button(ui, "Add folder…", "Choose a folder of frames (Mod+Shift+O)").clicked() {
            action = Some(Action::ChooseFolder);
        }
        if plain_button(ui, "Start over", "Put all frames away; no file is touched").clicked() {
            action = Some(Action::StartOver);
        }
    });
    calibration(ui, &sheaf.calibration).or(action)
}

/// Darks, flats and bias frames: how to have them, how many there are, and how to do without.
fn calibration(ui: &mut Ui, calibration: &Calibration) -> Option<Action> {
    let mut action = None;
    ui.horizontal_wrapped(|ui| {
        for kind in CalibrationKind::ALL {
            let choose = plain_button(ui, kind.short_name(), kind.hint());
            if choose.accessible_name(format!("Choose {}", kind.name().to_lowercase())).clicked() {
                action = Some(Action::ChooseCalibration(kind));
            }
        }
    });
    for kind in CalibrationKind::ALL {
        let n = calibration.of(kind).len();
        if n == 0 {
            continue;
        }
        ui.horizontal(|ui| {
            quiet(ui, &format!("{}: {n}", kind.name())).on_hover_text(kind.hint());
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                let clear = ui.push_id(kind.name(), |ui| plain_button(ui, "Without", "Do without them")).inner;
                if clear.accessible_name(format!("Without {}", kind.name().to_lowercase())).clicked() {
                    action = Some(Action::ClearCalibration(kind));
                }
            });
        });
    }
    action
}

/// What the columns of the list hold.
fn list_heads(ui: &mut Ui, summary: &str) {
    let palette = palette(ui);
    let small = TextStyle::Small.resolve(ui.style());
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 16.0), Sense::hover());
    let right = rect.right() - SCROLL_BAR;
    let columns = [right - 62.0, right - 6.0];
    let middle = rect.center().y;
    ui.painter().text(pos2(rect.left(), middle), Align2::LEFT_CENTER, summary, small.clone(), palette.quiet);
    for (text, right) in ["star width", "stars"].into_iter().zip(columns) {
        ui.painter().text(pos2(right, middle), Align2::RIGHT_CENTER, text, small.clone(), palette.quiet);
    }
}

/// What the list knows of a frame beyond the frame itself.
#[derive(Clone, Copy)]
struct Listed {
    measuring: bool,
    for_land: bool,
}

/// Name, star width and number of stars; struck through when set aside, and marked when it makes the landscape.
fn row(ui: &mut Ui, frame: &Frame, chosen: bool, Listed { measuring, for_land }: Listed) -> bool {
    let palette = palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), ROW), Sense::click());
    let words = if for_land { for_land_in_words(frame) } else { spoken(frame) };
    response.widget_info(|| WidgetInfo::selected(Role::Button, true, chosen, format!("List: {words}")));
    if !ui.is_rect_visible(rect) {
        return response.clicked();
    }
    let calibrates = frame.calibrates_as();
    let aside = frame.is_aside() && calibrates.is_none() && !for_land;
    if chosen {
        ui.painter().rect_filled(rect, 3.0, palette.raised);
        ui.painter().vline(rect.left() + 1.0, rect.shrink(4.0).y_range(), Stroke::new(2.0, palette.lamp));
    }
    let lit = response.hovered() || response.has_focus();
    let ink = if lit {
        palette.lamp
    } else if aside || for_land || calibrates.is_some() {
        palette.quiet
    } else {
        palette.ink
    };
    let font = TextStyle::Body.resolve(ui.style());
    let small = TextStyle::Small.resolve(ui.style());
    let (left, middle) = (rect.left() + 8.0, rect.center().y);
    let columns = [rect.right() - 62.0, rect.right() - 6.0];
    let painter = ui.painter();
    let clip = painter.with_clip_rect(rect.with_max_x(columns[0] - 52.0));
    let name = clip.text(pos2(left, middle), Align2::LEFT_CENTER, frame.name(), font, ink);
    if aside {
        painter.hline(name.left()..=name.right().min(columns[0] - 52.0), middle, Stroke::new(1.0, ink));
    }
    let measures = frame.finding.as_ref().map(|finding| finding.measures);
    let texts = match measures {
        _ if for_land => ["landscape".to_owned(), String::new()],
        _ if calibrates.is_some() => [calibrates.map(kind_in_words).unwrap_or_default().to_owned(), String::new()],
        None if measuring => ["…".to_owned(), "…".to_owned()],
        None => ["not measured".to_owned(), String::new()],
        Some(None) => ["unread".to_owned(), String::new()],
        Some(Some(found)) => {
            let width = found.fwhm_px.map_or_else(|| "–".to_owned(), |width| format!("{width:.2} px"));
            [width, found.stars.to_string()]
        }
    };
    for (text, right) in texts.into_iter().zip(columns) {
        painter.text(pos2(right, middle), Align2::RIGHT_CENTER, text, small.clone(), palette.quiet);
    }
    let response = response.on_hover_cursor(CursorIcon::PointingHand);
    response.on_hover_text(unbroken(&words)).clicked()
}

/// What is to be said of a frame that is no part of the sky.
fn for_land_in_words(frame: &Frame) -> String {
    format!("{}, for the landscape alone", frame.name())
}

/// What a calibration frame is.
#[must_use]
pub fn kind_in_words(kind: FrameKind) -> &'static str {
    match kind {
        FrameKind::Light => "light",
        FrameKind::Dark => "dark",
        FrameKind::Flat => "flat",
        FrameKind::Bias => "bias",
    }
}

/// All about a frame in one sentence.
#[must_use]
pub fn spoken(frame: &Frame) -> String {
    let mut parts = vec![frame.name()];
    if let Some(finding) = &frame.finding {
        if let Some(found) = finding.measures {
            if let Some(width) = found.fwhm_px {
                parts.push(format!("star width {width:.2} px"));
            }
            parts.push(format!("{} stars", found.stars));
            parts.push(format!("sky {:.2} % of white", 100.0 * found.sky_level));
        }
    } else {
        parts.push("not measured yet".to_owned());
    }
    parts.push(match frame.calibrates_as() {
        Some(_) => "calibrates the others".to_owned(),
        None => if frame.is_aside() { "set aside" } else { "used" }.to_owned(),
    });
    let reason = frame.reason();
    if !reason.is_empty() {
        parts.push(reason);
    }
    parts.join(", ")
}

/// The frame shown: exposure, verdict, and what can be done with it.
fn one_frame(ui: &mut Ui, frame: &Frame, sheaf: &Sheaf, fate: Option<&FrameReport>) -> Option<Action> {
    let mut action = None;
    if let Some(finding) = &frame.finding {
        let about = &finding.metadata;
        let facts = [
            about
                .exposure_secs
                .map(|secs| if secs < 1.0 { format!("1/{:.0} s", 1.0 / secs) } else { format!("{secs} s") }),
            about.aperture.map(|aperture| format!("f/{aperture}")),
            about.iso.map(|iso| format!("ISO {iso}")),
            about.focal_mm.map(|focal| format!("{focal} mm")),
            finding.measures.and_then(|found| found.trail_px).map(|trail| format!("stars trail {trail:.1} px")),
            finding.measures.map(|found| format!("{:.2} % clipped", 100.0 * found.clipped_fraction)),
        ];
        let facts: Vec<String> = facts.into_iter().flatten().collect();
        if !facts.is_empty() {
            quiet(ui, &facts.join("  ·  "));
        }
    }
    let reason = frame.reason();
    if !reason.is_empty() {
        let ink = palette(ui).lamp;
        ui.colored_label(ink, unbroken(&format!("{}: {reason}", frame.name())));
    }
    if let Some(fate) = fate {
        for line in alignment_in_words(fate) {
            quiet(ui, &line);
        }
    }
    if frame.is_unread() {
        return action;
    }
    ui.horizontal_wrapped(|ui| {
        let (label, hint) = if frame.calibrates_as().is_some() {
            ("Use as a light", "Let this frame take part in the stack instead (X)")
        } else if frame.is_aside() {
            ("Take back", "Let this frame take part (X)")
        } else {
            ("Set aside", "Leave this frame out (X)")
        };
        if plain_button(ui, label, hint).clicked() {
            action = Some(Action::ToggleAside);
        }
        let is_reference = sheaf.choices.reference.as_ref() == Some(&frame.path);
        let (label, hint) = if is_reference {
            ("Choose for me", "Let the program choose the frame that the sky is brought to")
        } else {
            ("Make reference", "Bring the sky of all frames to this one (R)")
        };
        if plain_button(ui, label, hint).clicked() {
            action = Some(Action::ToggleReference);
        }
    });
    action
}

/// How the last run aligned a frame, and why not better.
fn alignment_in_words(fate: &FrameReport) -> Vec<String> {
    let mut lines = Vec::new();
    match (fate.used, fate.rms_px) {
        (true, Some(_)) if fate.registration == "reference" => {
            lines.push("The sky was brought to this frame".to_owned())
        }
        (true, Some(rms_px)) => {
            lines.push(format!("Alignment: {}, {} stars, {rms_px:.2} px off", fate.registration, fate.matched));
            lines.extend(fate.registration_reason.as_ref().map(|reason| format!("Not by a fitted lens: {reason}")));
        }
        _ => lines.push(format!("Not in the stack: {}", fate.reason)),
    }
    lines
}

/// Which frame the sky is brought to, in words.
#[must_use]
pub fn reference_in_words(state: &State) -> String {
    match &state.sheaf.choices.reference {
        Some(path) => format!("{}, chosen by you", file_name(path)),
        None => match state.reference() {
            Some(path) => format!("{}, the sharpest near the middle", file_name(path)),
            None => "the sharpest near the middle".to_owned(),
        },
    }
}
