//! Lateral color: the radial scale between the green picture and that of another channel, from its stars.

use super::field::Field;
use super::plane::{axis_sigma, tukey_weight};
use crate::detect::Star;
use crate::pixels::{Point, Size};

/// Lateral color of wide lenses stays below this. Common practice, no source.
const LARGEST_SHIFT_PX: f64 = 4.0;
/// Fewer common stars say nothing.
const MIN_COMMON: usize = 12;

/// A radial scale and its standard deviation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChannelScale {
    /// Radius in the channel over radius in green.
    pub scale: f64,
    /// Its standard deviation.
    pub sigma: f64,
    /// Stars that it rests on.
    pub n_stars: usize,
}

/// The scale of a channel about the principal point, from the stars of both channels of one frame; `None` where
/// they share too few.
#[must_use]
pub fn measure_channel_scale(green: &[Star], channel: &[Star], principal: Point, size: Size) -> Option<ChannelScale> {
    let (green, _) = Field::new(green, size);
    let (channel, _) = Field::new(channel, size);
    let moved: Vec<(Point, Point)> = (channel.points.iter())
        .filter_map(|&there| green.nearest(there, LARGEST_SHIFT_PX).map(|(idx, _)| (green.points[idx], there)))
        .map(|(here, there)| {
            let radius = Point { x: here.x - principal.x, y: here.y - principal.y };
            (radius, Point { x: there.x - here.x, y: there.y - here.y })
        })
        .collect();
    (moved.len() >= MIN_COMMON).then_some(())?;
    let mut stretch = 0.0;
    let (mut sigma_px, mut leverage) = (0.0, 0.0);
    for _ in 0..10 {
        let errors: Vec<f64> = (moved.iter())
            .map(|(radius, shift)| (shift.x - stretch * radius.x).hypot(shift.y - stretch * radius.y))
            .collect();
        sigma_px = axis_sigma(&errors).max(1e-6);
        let mut sum = 0.0;
        leverage = 0.0;
        for ((radius, shift), error) in moved.iter().zip(&errors) {
            let weight = tukey_weight(error / sigma_px);
            sum += weight * (radius.x * shift.x + radius.y * shift.y);
            leverage += weight * (radius.x * radius.x + radius.y * radius.y);
        }
        (leverage > 0.0).then_some(())?;
        stretch = sum / leverage;
    }
    Some(ChannelScale { scale: 1.0 + stretch, sigma: sigma_px / leverage.sqrt(), n_stars: moved.len() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_of_a_channel_is_found_among_strays() {
        let size = Size { width: 6000, height: 4000 };
        let principal = Point { x: 3010.0, y: 1990.0 };
        let star = |x: f64, y: f64| Star {
            centroid: Point { x, y },
            centroid_sigma_px: 0.1,
            flux: 1.0,
            snr: 20.0,
            peak: 0.1,
            fwhm_px: 2.5,
            elongation: 1.0,
            angle_rad: 0.0,
            saturated: false,
        };
        let places = (0..120_u32).map(|n| (f64::from(n * 7919 % 5990), f64::from(n * 6007 % 3990)));
        let green: Vec<Star> = places.clone().map(|(x, y)| star(x, y)).collect();
        let red: Vec<Star> = places
            .enumerate()
            .map(|(n, (x, y))| {
                let stray = if n % 9 == 0 { 2.5 } else { 0.0 };
                star(x + 4e-4 * (x - principal.x) + stray, y + 4e-4 * (y - principal.y))
            })
            .collect();
        let found = measure_channel_scale(&green, &red, principal, size).expect("120 common stars");
        assert!((found.scale - 1.0004).abs() < 1e-6, "{found:?}");
        assert_eq!(measure_channel_scale(&green[..5], &red, principal, size), None, "five stars say nothing");
    }
}
