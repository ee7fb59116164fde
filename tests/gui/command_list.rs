//! The list of commands: found by what is typed, done by Enter.

use eframe::egui::Event;
use nightsheaf::gui::app::App;

use super::*;

/// Types into whatever has the focus, then presses Enter at once where that is asked for.
fn type_words(harness: &mut Harness<'_, Option<App>>, words: &str, enter: bool) {
    harness.event(Event::Text(words.to_owned()));
    if enter {
        harness.key_press(Key::Enter);
    }
    harness.step();
    harness.step();
}

fn open_list(harness: &mut Harness<'_, Option<App>>) {
    harness.key_press_modifiers(Modifiers::SHIFT, Key::Questionmark);
    // The field takes the focus with the frame of the screen after that which shows it.
    for _ in 0..3 {
        harness.step();
    }
}

fn seen(harness: &Harness<'_, Option<App>>) -> (bool, Theme) {
    let state = harness.state().as_ref().expect("the window was drawn").state();
    (state.keys_shown, state.theme)
}

#[test]
fn enter_does_the_command_that_is_named_beside_the_field() {
    let mut harness = window(Vec::new());
    open_list(&mut harness);
    type_words(&mut harness, "red light", false);
    harness.get_by_label("Enter: Red light");
    harness.get_by_label("Window");
    assert!(harness.query_by_label("Canvas").is_none(), "no heading over nothing");
    type_words(&mut harness, "", true);
    assert_eq!(seen(&harness), (false, Theme::Red), "done, and the list is put away");

    open_list(&mut harness);
    type_words(&mut harness, "paper", true);
    assert_eq!(seen(&harness), (false, Theme::Paper), "also where words and Enter come together");
}

#[test]
fn the_list_stays_where_nothing_is_found_and_its_own_key_puts_it_away() {
    let mut harness = window(Vec::new());
    open_list(&mut harness);
    type_words(&mut harness, "telescope", true);
    harness.get_by_label("No command has these words in its name or these keys");
    type_words(&mut harness, "s", false);
    let search = harness.state().as_ref().expect("drawn").state().command_search.clone();
    assert_eq!(search, "telescopes", "the field has the focus still");
    harness.key_press(Key::Escape);
    harness.step();
    open_list(&mut harness);
    type_words(&mut harness, "?", false);
    assert!(!seen(&harness).0, "put away");
}
