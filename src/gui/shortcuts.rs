//! Shortcuts as the platform writes them.
//!
//! In hints and in the list of commands the key that goes with letters is written `Mod`; on the screen it is Cmd
//! on macOS and Ctrl elsewhere.

use eframe::egui::Context;

/// A text with the shortcuts in it as they are printed on this platform's keyboards.
#[must_use]
pub fn on_this_platform(context: &Context, text: &str) -> String {
    let key = if context.os().is_mac() { "Cmd" } else { "Ctrl" };
    let words = text.split_inclusive(|letter: char| !letter.is_ascii_alphanumeric());
    let shown = words.map(|word| match word.strip_prefix("Mod") {
        // The word itself, not one that begins so.
        Some(rest) if !rest.starts_with(|letter: char| letter.is_ascii_alphanumeric()) => format!("{key}{rest}"),
        _ => word.to_owned(),
    });
    shown.collect()
}

#[cfg(test)]
mod tests {
    use eframe::egui::os::OperatingSystem;

    use super::*;

    #[test]
    fn a_shortcut_is_written_as_the_platform_does() {
        let context = Context::default();
        for (os, save, all) in [
            (OperatingSystem::Mac, "Save (Cmd+Shift+S)", "Cmd Z"),
            (OperatingSystem::Nix, "Save (Ctrl+Shift+S)", "Ctrl Z"),
            (OperatingSystem::Windows, "Save (Ctrl+Shift+S)", "Ctrl Z"),
        ] {
            context.set_os(os);
            assert_eq!(on_this_platform(&context, "Save (Mod+Shift+S)"), save, "{os:?}");
            assert_eq!(on_this_platform(&context, "Mod Z"), all, "{os:?}");
            assert_eq!(on_this_platform(&context, "Models, 2 × 3"), "Models, 2 × 3", "other words stay");
        }
    }
}
