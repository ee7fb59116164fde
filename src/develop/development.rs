//! A prepared development: everything that a pixel needs to be shown, and the loop over a row.
//!
//! Order for each pixel: falloff of the lens made up for, sky glow off, white balance, blown highlights to neutral, output primaries,
//! tone curve, transfer function. Clipping happens in the last two and nowhere else.

use std::ops::Range;

use crate::develop::balance::neutral;
use crate::develop::color::output_from_balanced;
use crate::develop::evenness::{BLOCK, Block, Glow, Lift, RowPlace};
use crate::develop::falloff::{Falloff, radius_squared};
use crate::develop::gradient::SkyGradient;
use crate::develop::lit_land::LitLand;
use crate::develop::settings::{DevelopSettings, OutputSpace, Stretch, Vignetting};
use crate::develop::sky::{SkyCell, sample_sky, sky_level};
use crate::develop::stretch::{MOST_STOPS, Tone, ToneTable};
use crate::develop::transfer::{TransferTable, decode};
use crate::foreground::ForegroundMask;
use crate::pixels::{ColorEncoding, LinearImage, Primaries, Transfer, to_code_u16};
use crate::raw::CameraColor;

/// Black point in parts of the sky where nobody moved it. Common practice, no source: chosen by eye,
/// so that the Milky Way stands out and the land does not drown.
const AUTO_BLACK: f64 = 0.5;

/// Highest black point: the sky itself must stay above black.
const HIGHEST_BLACK: f64 = 0.95;

/// Sky intensity assumed where the sky is black or darker; far below one step of a 14-bit camera.
const LEAST_SKY: f64 = 1e-5;

/// Channel value where highlights begin to lose their colour: interpolation between a blown and a
/// whole sample falls short of the white level.
const HIGHLIGHTS_FROM: f32 = 0.80;

/// Channel value where highlights are neutral.
const HIGHLIGHTS_TO: f32 = 0.97;

/// A prepared development; good for any part of the picture at any size.
#[derive(Clone, Debug, PartialEq)]
pub struct Development {
    encoding: ColorEncoding,
    pub(super) gains: [f32; 3],
    pub(super) output_from_balanced: [[f32; 3]; 3],
    tone: ToneTable,
    linear_scale: f32,
    pub(super) transfer: TransferTable,
    lift: Option<Lift>,
    pub(super) glow: Option<Glow>,
    land: Option<LitLand>,
    facts: DevelopmentFacts,
}

/// What the automatic choices came to, to be shown and reported.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DevelopmentFacts {
    /// Camera RGB of the neutral in use, green 1.0.
    pub neutral: [f64; 3],
    /// Camera RGB of the sky background after glow removal, 1.0 at the white level.
    pub sky: [f64; 3],
    /// Black point as an intensity, 1.0 at the white level.
    pub black: f64,
    /// Stops by which the faintest light is lifted.
    pub stretch_stops: f64,
}

impl Development {
    /// Measures the sky and makes the tables. `stats` may be the picture at any size; so may the
    /// foreground.
    #[must_use]
    pub fn prepare(
        stats: &LinearImage,
        color: &CameraColor,
        foreground: Option<&ForegroundMask>,
        settings: &DevelopSettings,
    ) -> Self {
        Self::prepare_through(None, stats, color, foreground, settings)
    }

    /// As [`Development::prepare`], for a picture through a lens of known falloff, which the settings may leave.
    #[must_use]
    pub fn prepare_through(
        falloff: Option<&Falloff>,
        stats: &LinearImage,
        color: &CameraColor,
        foreground: Option<&ForegroundMask>,
        settings: &DevelopSettings,
    ) -> Self {
        let falloff = falloff.filter(|_| settings.vignetting == Vignetting::Auto);
        let mut cells = sample_sky(stats, foreground);
        if let Some(falloff) = falloff {
            for cell in &mut cells {
                let light = falloff.light_at(radius_squared(cell.at, stats.size()));
                cell.level = cell.level.map(|level| level / light);
            }
        }
        let glow = Glow::find(&cells, foreground, settings.gradient);
        let sky = level_without_glow(cells, glow.as_ref());
        let primaries = settings.space.primaries();
        let neutral = neutral(settings.white_balance, color, Some(sky));
        let gains = gains(neutral);
        let matrix = output_from_balanced(color, neutral, primaries);
        let balanced: [f32; 3] = std::array::from_fn(|channel| gains[channel] * sky[channel] as f32);
        let tone = tone(f64::from(intensity(multiply(&matrix, balanced))), settings);
        let encoding = encoding(settings.space);
        Self {
            encoding,
            gains,
            output_from_balanced: matrix,
            tone: ToneTable::new(&tone),
            linear_scale: settings.exposure_ev.exp2(),
            transfer: TransferTable::new(encoding.transfer),
            lift: falloff.map(|falloff| Lift::new(falloff, stats.size())),
            glow,
            land: LitLand::new(foreground, settings.land_exposure_ev),
            facts: DevelopmentFacts { neutral, sky, black: tone.black * tone.sky, stretch_stops: tone.stops },
        }
    }

    /// What the numbers of the developed picture mean.
    #[must_use]
    pub fn encoding(&self) -> ColorEncoding {
        self.encoding
    }

    /// What the automatic choices came to.
    #[must_use]
    pub fn facts(&self) -> DevelopmentFacts {
        self.facts
    }

    /// The sky glow that is taken away.
    #[must_use]
    pub fn gradient(&self) -> Option<&SkyGradient> {
        self.glow.as_ref().map(|glow| &glow.surface)
    }

    /// Develops pixels of a row (camera RGB) to 16-bit codes; all slices have one length.
    pub fn row(&self, camera: [&[f32]; 3], place: RowPlace, out: [&mut [u16]; 3]) {
        let [red, green, blue] = out;
        self.for_each_block(camera, place, State::Encoded, |pixels, block| {
            for (out, codes) in [&mut *red, &mut *green, &mut *blue].into_iter().zip(block) {
                for (out, &code) in out[pixels.clone()].iter_mut().zip(codes) {
                    *out = to_code_u16(code);
                }
            }
        });
    }

    /// As [`Development::row`], pixel by pixel.
    pub fn row_interleaved(&self, camera: [&[f32]; 3], place: RowPlace, out: &mut [[u16; 3]]) {
        self.for_each_block(camera, place, State::Encoded, |pixels, block| {
            for (idx, out) in out[pixels].iter_mut().enumerate() {
                *out = [to_code_u16(block[0][idx]), to_code_u16(block[1][idx]), to_code_u16(block[2][idx])];
            }
        });
    }

    /// As [`Development::row`], to the 8-bit values of a screen, pixel by pixel.
    pub fn row_for_screen(&self, camera: [&[f32]; 3], place: RowPlace, out: &mut [[u8; 3]]) {
        // 65535 / 255 = 257: rounded, at most 255.
        let on_screen = |code: f32| (code * (1.0 / 257.0) + 0.5) as u8;
        self.for_each_block(camera, place, State::Encoded, |pixels, block| {
            for (idx, out) in out[pixels].iter_mut().enumerate() {
                *out = [on_screen(block[0][idx]), on_screen(block[1][idx]), on_screen(block[2][idx])];
            }
        });
    }

    /// Pixels of a row as linear light in the output primaries: no tone curve, nothing clipped.
    pub fn row_linear(&self, camera: [&[f32]; 3], place: RowPlace, out: &mut [[f32; 3]]) {
        let scale = self.linear_scale;
        self.for_each_block(camera, place, State::Light, |pixels, block| {
            for (idx, out) in out[pixels].iter_mut().enumerate() {
                *out = [scale * block[0][idx], scale * block[1][idx], scale * block[2][idx]];
            }
        });
    }

    /// Hands over the row block by block: as codes or as linear light.
    fn for_each_block(
        &self,
        camera: [&[f32]; 3],
        place: RowPlace,
        state: State,
        mut take: impl FnMut(Range<usize>, &Block),
    ) {
        let len = camera[0].len();
        pulp::Arch::new().dispatch(
            #[inline(always)]
            || {
                for start in (0..len).step_by(BLOCK) {
                    let pixels = start..(start + BLOCK).min(len);
                    let mut block = [[0.0; BLOCK]; 3];
                    for (channel, row) in block.iter_mut().zip(camera) {
                        channel[..pixels.len()].copy_from_slice(&row[pixels.clone()]);
                    }
                    self.to_output_light(&mut block, place, start);
                    if state == State::Encoded {
                        self.encode(&mut block);
                    }
                    take(pixels, &block);
                }
            },
        );
    }

    /// Camera RGB to linear light in the output primaries, balanced, blown highlights neutral.
    #[inline(always)]
    fn to_output_light(&self, block: &mut Block, place: RowPlace, start: usize) {
        let mut whiteness = [0.0; BLOCK];
        for (idx, whiteness) in whiteness.iter_mut().enumerate() {
            *whiteness = highlight_share(block[0][idx].max(block[1][idx]).max(block[2][idx]));
        }
        if let Some(lift) = &self.lift {
            lift.apply(block, place, start);
        }
        if let Some(glow) = &self.glow {
            glow.remove(block, place, start);
        }
        if let Some(land) = &self.land {
            land.light(block, |idx| place.at(start + idx));
        }
        let [red, green, blue] = block;
        for idx in 0..BLOCK {
            let balanced = [red[idx] * self.gains[0], green[idx] * self.gains[1], blue[idx] * self.gains[2]];
            let light = multiply(&self.output_from_balanced, whiten(balanced, whiteness[idx]));
            [red[idx], green[idx], blue[idx]] = light;
        }
    }

    /// Linear light to codes, 0.0 to 65535.0.
    #[inline(always)]
    fn encode(&self, block: &mut Block) {
        let [red, green, blue] = &mut *block;
        let mut factors = [0.0; BLOCK];
        for (idx, factor) in factors.iter_mut().enumerate() {
            *factor = ToneTable::position(intensity([red[idx], green[idx], blue[idx]]));
        }
        for factor in &mut factors {
            *factor = self.tone.factor_at(*factor);
        }
        for idx in 0..BLOCK {
            let shown = [red[idx], green[idx], blue[idx]].map(|channel| channel * factors[idx]);
            // Lupton et al. 2004: too bright a pixel is dimmed as a whole, so that it keeps its color.
            let dimming = 1.0 / shown[0].max(shown[1]).max(shown[2]).max(1.0);
            [red[idx], green[idx], blue[idx]] = shown.map(|channel| TransferTable::position(channel * dimming));
        }
        for channel in block {
            for value in channel {
                *value = self.transfer.code_at(*value);
            }
        }
    }
}

/// How far a row is to be developed.
#[derive(Clone, Copy, PartialEq)]
enum State {
    /// Linear light in the output primaries.
    Light,
    /// Codes after tone curve and transfer function.
    Encoded,
}

/// How far a pixel is blown, 0 to 1, by its strongest channel as measured.
#[inline(always)]
fn highlight_share(most: f32) -> f32 {
    let ramp = ((most - HIGHLIGHTS_FROM) * (1.0 / (HIGHLIGHTS_TO - HIGHLIGHTS_FROM))).clamp(0.0, 1.0);
    ramp * ramp * (3.0 - 2.0 * ramp)
}

/// Where a channel reached the white level, its true value is unknown: the pixel becomes as white as
/// its strongest channel.
#[inline(always)]
fn whiten(balanced: [f32; 3], share: f32) -> [f32; 3] {
    let white = balanced[0].max(balanced[1]).max(balanced[2]);
    balanced.map(|channel| channel + share * (white - channel))
}

/// Mean of the channels (Lupton et al. 2004).
#[inline(always)]
fn intensity(light: [f32; 3]) -> f32 {
    (light[0] + light[1] + light[2]) * (1.0 / 3.0)
}

#[inline(always)]
pub(super) fn multiply(matrix: &[[f32; 3]; 3], rgb: [f32; 3]) -> [f32; 3] {
    [
        matrix[0][0] * rgb[0] + matrix[0][1] * rgb[1] + matrix[0][2] * rgb[2],
        matrix[1][0] * rgb[0] + matrix[1][1] * rgb[1] + matrix[1][2] * rgb[2],
        matrix[2][0] * rgb[0] + matrix[2][1] * rgb[1] + matrix[2][2] * rgb[2],
    ]
}

fn level_without_glow(mut cells: Vec<SkyCell>, glow: Option<&Glow>) -> [f64; 3] {
    if let Some(glow) = glow {
        for cell in &mut cells {
            let light = glow.surface.at(cell.at.map(|fraction| fraction as f32));
            cell.level = std::array::from_fn(|channel| cell.level[channel] - f64::from(light[channel]));
        }
    }
    sky_level(&cells).unwrap_or([0.0; 3])
}

/// Factors of the white balance, the least 1: what is blown in all channels is at least white.
fn gains(neutral: [f64; 3]) -> [f32; 3] {
    let most = neutral.into_iter().fold(f64::MIN, f64::max);
    neutral.map(|channel| (most / channel) as f32)
}

fn tone(sky_intensity: f64, settings: &DevelopSettings) -> Tone {
    let sky = sky_intensity.clamp(LEAST_SKY, 1.0);
    let black = (AUTO_BLACK + f64::from(settings.black_offset)).clamp(0.0, HIGHEST_BLACK);
    let stops = match settings.stretch {
        Stretch::Auto { sky_level } => {
            Tone::stops_for_sky(sky, black, decode(Transfer::Srgb, f64::from(sky_level.clamp(0.0, 1.0))))
        }
        Stretch::Stops(stops) => f64::from(stops.clamp(0.0, MOST_STOPS as f32)),
    };
    Tone { sky, black, stops, exposure_ev: f64::from(settings.exposure_ev) }
}

fn encoding(space: OutputSpace) -> ColorEncoding {
    let primaries = space.primaries();
    let transfer = match primaries {
        Primaries::Srgb => Transfer::Srgb,
        Primaries::Rec2020 => Transfer::Rec2020,
    };
    ColorEncoding { primaries, transfer }
}
