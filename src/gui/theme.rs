//! Colours, sizes and spacing of the window, in three lights: dark, red for dark-adapted eyes, and paper.
//!
//! Few colours: a ground, one raised shade, two inks, one lamp colour for what can be done or is
//! chosen, one for what went wrong. Contrast of text is at least 4.5:1 (WCAG 2.2, 1.4.3), which a
//! test checks. Red has no green and no blue in it, for the picture neither.

use eframe::egui::{
    Color32, Context, CornerRadius, FontFamily, FontId, Id, Margin, Shadow, Stroke, TextStyle, Ui, Vec2, Visuals, vec2,
};

/// Lines over the picture come in pairs, so that one of the two is seen on any of its places.
const OVER_LIGHT: Color32 = Color32::from_rgb(255, 226, 168);
const OVER_DARK: Color32 = Color32::from_black_alpha(170);

/// The light in which the window is read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Theme {
    /// Dim, for evenings.
    #[default]
    Dark,
    /// Red only, for dark-adapted eyes in the field.
    Red,
    /// Dark ink on paper, for daylight.
    Paper,
}

impl Theme {
    /// All of them, in the order in which a key walks through them.
    pub const ALL: [Self; 3] = [Self::Dark, Self::Red, Self::Paper];

    /// What a person reads.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Dark => "Dark",
            Self::Red => "Red",
            Self::Paper => "Paper",
        }
    }

    /// The one after this, from the last to the first.
    #[must_use]
    pub fn next(self) -> Self {
        match self {
            Self::Dark => Self::Red,
            Self::Red => Self::Paper,
            Self::Paper => Self::Dark,
        }
    }

    /// Its colours.
    #[must_use]
    pub fn palette(self) -> Palette {
        let rgb = Color32::from_rgb;
        match self {
            Self::Dark => Palette {
                dark: true,
                room: rgb(9, 12, 14),
                wall: rgb(18, 23, 26),
                raised: rgb(32, 40, 45),
                line: rgb(47, 58, 64),
                ink: rgb(212, 215, 209),
                quiet: rgb(143, 154, 157),
                lamp: rgb(226, 180, 104),
                on_lamp: rgb(28, 20, 6),
                alarm: rgb(235, 138, 116),
                picture: Color32::WHITE,
                over_light: OVER_LIGHT,
                over_dark: OVER_DARK,
            },
            Self::Red => Palette {
                dark: true,
                room: rgb(0, 0, 0),
                wall: rgb(6, 0, 0),
                raised: rgb(36, 0, 0),
                line: rgb(84, 0, 0),
                ink: rgb(255, 0, 0),
                quiet: rgb(244, 0, 0),
                lamp: rgb(255, 0, 0),
                on_lamp: rgb(0, 0, 0),
                alarm: rgb(255, 0, 0),
                picture: rgb(255, 0, 0),
                over_light: rgb(255, 0, 0),
                over_dark: OVER_DARK,
            },
            Self::Paper => Palette {
                dark: false,
                room: rgb(206, 203, 195),
                wall: rgb(236, 233, 226),
                raised: rgb(220, 216, 206),
                line: rgb(184, 179, 167),
                ink: rgb(33, 37, 38),
                quiet: rgb(83, 87, 84),
                lamp: rgb(122, 74, 8),
                on_lamp: rgb(250, 246, 236),
                alarm: rgb(148, 38, 20),
                picture: Color32::WHITE,
                over_light: OVER_LIGHT,
                over_dark: OVER_DARK,
            },
        }
    }

    /// Makes all that `context` draws from now on look so.
    pub fn apply(self, context: &Context) {
        let palette = self.palette();
        context.data_mut(|data| data.insert_temp(palette_id(), palette));
        context.all_styles_mut(|style| {
            style.visuals = visuals(&palette);
            style.text_styles = [
                (TextStyle::Small, 12.0, FontFamily::Proportional),
                (TextStyle::Body, 14.0, FontFamily::Proportional),
                (TextStyle::Button, 14.0, FontFamily::Proportional),
                (TextStyle::Heading, 16.0, FontFamily::Proportional),
                (TextStyle::Monospace, 12.5, FontFamily::Monospace),
            ]
            .map(|(name, size, family)| (name, FontId::new(size, family)))
            .into();
            style.spacing.item_spacing = vec2(8.0, 7.0);
            style.spacing.button_padding = vec2(11.0, 5.0);
            style.spacing.interact_size = vec2(36.0, 26.0);
            style.spacing.window_margin = Margin::same(18);
            style.spacing.slider_rail_height = 3.0;
            style.spacing.tooltip_width = 300.0;
            style.interaction.tooltip_delay = 0.35;
            style.animation_time = 0.08;
        });
    }
}

/// The colours of one theme.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Palette {
    /// Whether light ink stands on a dark ground.
    pub dark: bool,
    /// Behind the picture.
    pub room: Color32,
    /// Behind controls.
    pub wall: Color32,
    /// Buttons and fields.
    pub raised: Color32,
    /// Thin lines.
    pub line: Color32,
    /// Text.
    pub ink: Color32,
    /// Text that can wait.
    pub quiet: Color32,
    /// What is chosen, or is the next step.
    pub lamp: Color32,
    /// Text on the lamp colour.
    pub on_lamp: Color32,
    /// What went wrong.
    pub alarm: Color32,
    /// What the picture is multiplied by.
    pub picture: Color32,
    /// The light one of the two lines that always lie side by side over the picture.
    pub over_light: Color32,
    /// The dark one.
    pub over_dark: Color32,
}

/// The colours that `ui` draws in.
#[must_use]
pub fn palette(ui: &Ui) -> Palette {
    ui.data(|data| data.get_temp(palette_id())).unwrap_or_else(|| Theme::Dark.palette())
}

fn palette_id() -> Id {
    Id::unique("nightsheaf palette")
}

fn visuals(palette: &Palette) -> Visuals {
    let mut visuals = if palette.dark { Visuals::dark() } else { Visuals::light() };
    let corner = CornerRadius::same(3);
    let states = [
        (&mut visuals.widgets.noninteractive, palette.wall, palette.line, palette.ink),
        (&mut visuals.widgets.inactive, palette.raised, palette.raised, palette.ink),
        (&mut visuals.widgets.hovered, palette.raised, palette.quiet, palette.ink),
        (&mut visuals.widgets.active, palette.raised, palette.lamp, palette.lamp),
        (&mut visuals.widgets.open, palette.raised, palette.line, palette.ink),
    ];
    for (state, fill, edge, ink) in states {
        state.bg_fill = fill;
        state.weak_bg_fill = fill;
        state.bg_stroke = Stroke::new(1.0, edge);
        state.fg_stroke = Stroke::new(1.0, ink);
        state.corner_radius = corner;
        state.expansion = 0.0;
    }
    visuals.weak_text_color = Some(palette.quiet);
    visuals.hyperlink_color = palette.lamp;
    visuals.faint_bg_color = palette.raised;
    visuals.extreme_bg_color = palette.room;
    visuals.text_edit_bg_color = Some(if palette.dark { palette.room } else { palette.raised });
    visuals.code_bg_color = palette.room;
    visuals.warn_fg_color = palette.lamp;
    visuals.error_fg_color = palette.alarm;
    visuals.selection.bg_fill = palette.lamp.gamma_multiply(0.35);
    visuals.selection.stroke = Stroke::new(1.0, palette.lamp);
    visuals.window_fill = palette.wall;
    visuals.panel_fill = palette.wall;
    visuals.window_stroke = Stroke::new(1.0, palette.line);
    visuals.window_corner_radius = CornerRadius::same(4);
    visuals.menu_corner_radius = corner;
    visuals.window_shadow = Shadow::NONE;
    visuals.popup_shadow = Shadow::NONE;
    visuals.slider_trailing_fill = false;
    visuals.striped = false;
    visuals
}

/// How much of the picture a plate of words hides.
pub const PLATE_OPACITY: f32 = 0.92;

/// Smallest edge of something that is clicked.
pub const TARGET: Vec2 = vec2(26.0, 26.0);

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance (WCAG 2.2, glossary).
    fn luminance(color: Color32) -> f64 {
        let linear = |code: u8| {
            let value = f64::from(code) / 255.0;
            if value <= 0.040_45 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * linear(color.r()) + 0.7152 * linear(color.g()) + 0.0722 * linear(color.b())
    }

    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_stands_out_from_its_ground_in_every_theme() {
        for theme in Theme::ALL {
            let palette = theme.palette();
            // Plates on the picture let a little of it through: at worst its brightest light.
            let plate = palette.wall.gamma_multiply(PLATE_OPACITY);
            let over = |wall: u8, light: u8| wall.saturating_add((f32::from(light) * (1.0 - PLATE_OPACITY)) as u8);
            let plate = Color32::from_rgb(
                over(plate.r(), palette.picture.r()),
                over(plate.g(), palette.picture.g()),
                over(plate.b(), palette.picture.b()),
            );
            for (what, ink, ground) in [
                ("text on a plate", palette.ink, plate),
                ("quiet text on a plate", palette.quiet, plate),
                ("the question on a plate", palette.lamp, plate),
                ("alarm in the room", palette.alarm, palette.room),
                ("lamp in the room", palette.lamp, palette.room),
                ("text in the room", palette.ink, palette.room),
                ("text on the wall", palette.ink, palette.wall),
                ("text on a button", palette.ink, palette.raised),
                ("quiet text on the wall", palette.quiet, palette.wall),
                ("lamp on the wall", palette.lamp, palette.wall),
                ("lamp on a button", palette.lamp, palette.raised),
                ("text on the lamp", palette.on_lamp, palette.lamp),
                ("quiet text on what is chosen", palette.quiet, palette.raised),
                ("alarm on the wall", palette.alarm, palette.wall),
                ("quiet text in the room", palette.quiet, palette.room),
            ] {
                let ratio = contrast(ink, ground);
                assert!(ratio >= 4.5, "{what} in {} has a contrast of {ratio:.2}", theme.name());
            }
        }
    }

    #[test]
    fn a_line_over_the_picture_is_seen_on_any_of_its_places() {
        for theme in Theme::ALL {
            let Palette { over_light, over_dark, picture, .. } = theme.palette();
            for light in (0..=255).step_by(5) {
                let share = |code: u8| (f32::from(code) * light as f32 / 255.0) as u8;
                let place = Color32::from_rgb(share(picture.r()), share(picture.g()), share(picture.b()));
                let dark = place.blend(over_dark);
                let ratio = contrast(over_light, place).max(contrast(dark, place));
                // Graphical objects (WCAG 2.2, 1.4.11) have 3:1; in red light nothing has more than 5.3:1.
                let least = if theme == Theme::Red { 2.0 } else { 3.0 };
                assert!(ratio >= least, "{} over {light}: {ratio:.2}", theme.name());
            }
        }
    }

    #[test]
    fn the_red_theme_has_neither_green_nor_blue() {
        let palette = Theme::Red.palette();
        for color in [
            palette.room,
            palette.wall,
            palette.raised,
            palette.ink,
            palette.quiet,
            palette.lamp,
            palette.picture,
            palette.over_light,
        ] {
            assert_eq!((color.g(), color.b()), (0, 0), "{color:?} would spoil dark adaptation");
        }
    }
}
