//! Lateral color: the radial scale between the green picture and those of red and blue, from bright stars.
//!
//! One number a channel for the whole burst, by least squares over all its stars, each weighted by its own
//! error, with Tukey's weights against strays: a neighbour of another color pulls a star apart.

use super::plane::{axis_sigma, tukey_weight};
use crate::detect::ColorShift;
use crate::pixels::statistics::median;
use crate::pixels::{Lens, Point, Size};

/// Fewer stars say nothing.
const MIN_STARS: usize = 12;
/// Stars are not believed to be better than this: their profiles are no perfect Gaussians.
const LEAST_SIGMA_PX: f64 = 0.02;
/// Scales within this many standard deviations of one are left at one.
const SIGNIFICANT_SIGMA: f64 = 3.0;
/// And so are those that move the corner of the picture by less.
const LEAST_CORNER_PX: f64 = 0.05;

/// A radial scale and its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelScale {
    /// Radius in the channel over radius in green.
    pub scale: f64,
    /// Its standard deviation: that of one frame's worth of stars, as the same stars err alike in all frames.
    pub sigma: f64,
    /// Sightings of stars that it rests on.
    pub n_stars: usize,
}

/// Lateral color of a burst.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LateralColor {
    /// Of red and blue; `None` where too few stars tell.
    pub found: [Option<ChannelScale>; 2],
    /// Scales to be used for red, green, blue: 1.0 where what was found is small or no more than chance; as the
    /// lens was known where the stars do not tell.
    pub channel_scale: [f64; 3],
    /// From the principal point to the furthest corner.
    pub corner_px: f64,
}

impl LateralColor {
    /// A sentence, where something is corrected.
    #[must_use]
    pub fn note(&self) -> Option<String> {
        let part = |name: &str, channel: usize, found: Option<ChannelScale>| {
            let scale = self.channel_scale[channel];
            let shift = (scale - 1.0) * self.corner_px;
            match found.filter(|found| found.scale == scale) {
                _ if scale == 1.0 => None,
                Some(found) => Some(format!("{name} by {shift:+.2} ± {:.2} px", found.sigma * self.corner_px)),
                None => Some(format!("{name} by {shift:+.2} px as the lens profile has it")),
            }
        };
        let parts: Vec<String> =
            [part("red", 0, self.found[0]), part("blue", 2, self.found[1])].into_iter().flatten().collect();
        (!parts.is_empty()).then(|| format!("lateral color was corrected, in the far corner {}", parts.join(", ")))
    }
}

/// The scales of red and blue about the principal point, from the bright stars of all frames.
///
/// `lens` has the scales as they were known before, 1.0 where nothing was.
#[must_use]
pub fn measure_lateral_color(frames: &[&[ColorShift]], lens: &Lens, size: Size) -> LateralColor {
    let principal = lens.principal;
    let corner_px = [(0, 0), (1, 0), (0, 1), (1, 1)]
        .map(|(x, y)| Point { x: (x * (size.width - 1)) as f64, y: (y * (size.height - 1)) as f64 }.distance(principal))
        .into_iter()
        .fold(0.0, f64::max);
    let scale_of = |channel: usize| {
        let shifts: Vec<ColorShift> =
            frames.iter().flat_map(|frame| frame.iter()).filter(|shift| shift.channel == channel).copied().collect();
        channel_scale(&shifts, frames.len(), principal)
    };
    let found = [scale_of(0), scale_of(2)];
    let used = |found: Option<ChannelScale>, known: f64| {
        let Some(found) = found else { return known };
        let error = SIGNIFICANT_SIGMA * found.sigma;
        let stretch = (found.scale - 1.0).abs();
        match stretch * corner_px > LEAST_CORNER_PX && stretch > error {
            true => found.scale,
            // Stars that could not have seen what is known do not speak against it.
            false if (found.scale - known).abs() < error && error * corner_px > LEAST_CORNER_PX => known,
            false => 1.0,
        }
    };
    let [red, _, blue] = lens.channel_scale;
    LateralColor { found, channel_scale: [used(found[0], red), 1.0, used(found[1], blue)], corner_px }
}

fn channel_scale(shifts: &[ColorShift], n_frames: usize, principal: Point) -> Option<ChannelScale> {
    (shifts.len() >= MIN_STARS.max(n_frames)).then_some(())?;
    let sigma_px = |shift: &ColorShift| shift.sigma_px.max(LEAST_SIGMA_PX);
    let radius = |shift: &ColorShift| (shift.green.x - principal.x, shift.green.y - principal.y);
    let mut stretch = middle_stretch(shifts, principal)?;
    let (mut excess, mut leverage) = (1.0, 0.0);
    for _ in 0..20 {
        let errors: Vec<f64> = (shifts.iter())
            .map(|shift| {
                let (x, y) = radius(shift);
                (shift.shift.x - stretch * x).hypot(shift.shift.y - stretch * y) / sigma_px(shift)
            })
            .collect();
        excess = axis_sigma(&errors).max(1e-6);
        let mut sum = 0.0;
        leverage = 0.0;
        for (shift, error) in shifts.iter().zip(&errors) {
            let (x, y) = radius(shift);
            let weight = tukey_weight(error / excess) / sigma_px(shift).powi(2);
            sum += weight * (x * shift.shift.x + y * shift.shift.y);
            leverage += weight * (x * x + y * y);
        }
        (leverage > 0.0).then_some(())?;
        stretch = sum / leverage;
    }
    let sigma = excess / (leverage / n_frames as f64).sqrt();
    Some(ChannelScale { scale: 1.0 + stretch, sigma, n_stars: shifts.len() })
}

/// Median over the outer half of the stars: a start near which strays stand out.
fn middle_stretch(shifts: &[ColorShift], principal: Point) -> Option<f64> {
    let mut radii: Vec<f32> = shifts.iter().map(|shift| shift.green.distance(principal) as f32).collect();
    let middle = f64::from(median(&mut radii)?);
    let outer = shifts.iter().filter(|shift| shift.green.distance(principal) >= middle && middle > 0.0);
    let stretch = |shift: &ColorShift| {
        let (x, y) = (shift.green.x - principal.x, shift.green.y - principal.y);
        ((x * shift.shift.x + y * shift.shift.y) / (x * x + y * y)) as f32
    };
    median(&mut outer.map(stretch).collect::<Vec<_>>()).map(f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::Projection;

    const SIZE: Size = Size { width: 6000, height: 4000 };
    const PRINCIPAL: Point = Point { x: 3010.0, y: 1990.0 };

    fn lens(channel_scale: [f64; 3]) -> Lens {
        Lens { channel_scale, ..Lens::ideal(Projection::Rectilinear, 4000.0, PRINCIPAL) }
    }

    /// Stars with an error of 0.1 px in a fixed disorder, every ninth one a stray.
    fn red(stretch: f64, n_stars: u32) -> Vec<ColorShift> {
        (0..n_stars)
            .map(|n| {
                let green = Point { x: f64::from(n * 7919 % 5990), y: f64::from(n * 6007 % 3990) };
                let (dx, dy) =
                    (0.14 * f64::from(n * 37 % 101) / 50.0 - 0.14, 0.14 * f64::from(n * 61 % 97) / 48.0 - 0.14);
                let stray = if n % 9 == 0 { 1.5 } else { 0.0 };
                let shift = Point {
                    x: stretch * (green.x - PRINCIPAL.x) + dx + stray,
                    y: stretch * (green.y - PRINCIPAL.y) + dy,
                };
                ColorShift { channel: 0, green, shift, sigma_px: 0.08 }
            })
            .collect()
    }

    #[test]
    fn the_scale_of_a_channel_is_found_among_strays() {
        let shifts = red(4e-4, 240);
        let lateral = measure_lateral_color(&[&shifts], &lens([1.0; 3]), SIZE);
        let found = lateral.found[0].expect("240 stars");
        assert!((found.scale - 1.0004).abs() < 3.0 * found.sigma, "{found:?}");
        assert!(found.sigma < 1e-5, "0.1 px over 2000 px and the root of 240: {found:?}");
        assert_eq!(lateral.channel_scale, [found.scale, 1.0, 1.0], "no blue was seen");
        let note = lateral.note().expect("red is corrected");
        assert!(note.contains("red by +1.4") && !note.contains("blue"), "{note}");
    }

    #[test]
    fn what_may_be_chance_or_is_small_is_left_alone() {
        for (stretch, n_stars) in [(0.0, 240), (1e-5, 240), (4e-4, 8)] {
            let lateral = measure_lateral_color(&[&red(stretch, n_stars)], &lens([1.0; 3]), SIZE);
            assert_eq!(lateral.channel_scale, [1.0; 3], "{stretch} by {n_stars} stars: {lateral:?}");
            assert_eq!(lateral.note(), None, "nothing to say");
        }
    }

    #[test]
    fn what_a_profile_knows_stays_where_the_stars_do_not_tell() {
        let known = lens([1.0004, 1.0, 0.9998]);
        let lateral = measure_lateral_color(&[&red(4e-4, 8)], &known, SIZE);
        assert_eq!(lateral.channel_scale, known.channel_scale, "eight stars say nothing: {lateral:?}");
        assert!(lateral.note().is_some_and(|note| note.contains("as the lens profile has it")), "{lateral:?}");
        let lateral = measure_lateral_color(&[&red(0.0, 240)], &known, SIZE);
        assert_eq!(lateral.channel_scale, [1.0, 1.0, 0.9998], "240 stars speak against red, none of blue");
    }
}
