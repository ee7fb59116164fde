//! A window without a screen that draws nothing, and a walk over the names of all that can be used in it.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use eframe::egui::accesskit::Role;
use eframe::egui::{Context, Ui};
use egui_kittest::Harness;
use egui_kittest::kittest::NodeT;
use nightsheaf::gui::app::App;
use nightsheaf::gui::state::State;

/// The slowest step allowed: a debug build on a busy machine.
const PATIENCE: Duration = Duration::from_secs(180);

/// The whole window with these files and folders.
pub(crate) fn window<'a>(paths: Vec<PathBuf>) -> Harness<'a, Option<App>> {
    let draw = move |ui: &mut Ui, app: &mut Option<App>| {
        let context: Context = ui.ctx().clone();
        let app = app.get_or_insert_with(|| App::new(&context, paths.clone()).expect("threads for the tiles"));
        app.listen(&context);
        app.draw(ui);
    };
    Harness::builder().with_size([1280.0, 800.0]).build_ui_state(draw, None)
}

pub(crate) fn wait_until(harness: &mut Harness<'_, Option<App>>, what: &str, met: impl Fn(&State) -> bool) {
    let deadline = Instant::now() + PATIENCE;
    while !harness.state().as_ref().is_some_and(|app| met(app.state())) {
        assert!(Instant::now() < deadline, "waited {PATIENCE:?} until {what}");
        std::thread::sleep(Duration::from_millis(10));
        harness.step();
    }
}

/// What can be used.
pub(crate) const CONTROLS: [Role; 6] =
    [Role::Button, Role::RadioButton, Role::Slider, Role::SpinButton, Role::TextInput, Role::CheckBox];

/// Names of all controls on the screen; a control without a name fails.
pub(crate) fn names_of_controls(harness: &Harness<'_, impl Sized>) -> Vec<String> {
    let mut names = Vec::new();
    for node in harness.root().children_recursive() {
        let node = node.accesskit_node();
        if CONTROLS.contains(&node.role()) {
            let labels: Vec<String> = node.labelled_by().filter_map(|by| by.label().or(by.value())).collect();
            let name = node.label().unwrap_or_else(|| labels.join(" "));
            assert!(!name.trim().is_empty(), "a {:?} has no name", node.role());
            names.push(name);
        }
    }
    names
}
