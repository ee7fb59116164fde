//! The falloff of the lens from a sky that reaches down to the horizon, where the air glows brighter.
//!
//! The logarithm of each channel's sky is a polynomial of the third degree in the sine of the altitude, with a slope to
//! the side that may change with the altitude (a town, the Moon); the falloff adds b₁ r² + b₂ r⁴, the same in all
//! channels. Lines of one altitude are curved in a wide lens: so the focal length must be known, and which side of the
//! picture is up; how far the camera looks up is tried. Method our own.
//!
//! Light that no such sky has (the galaxy's band, a cloud) is told by fits to the left and the right half, and to
//! each channel, which then do not agree: their difference is the error.

use nalgebra::{DMatrix, DVector};

use crate::develop::falloff::{Falloff, radius_squared};
use crate::develop::sky::SkyCell;
use crate::pixels::statistics::{SIGMA_PER_MAD, median};
use crate::pixels::{Orientation, Size};

/// Terms of the sky of one channel.
const N_SKY: usize = 6;
/// Tried, in degrees over the horizon.
const PITCHES: [f64; 8] = [-10.0, 0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0];
/// Cells that the trials look at.
const TRIAL_CELLS: usize = 500;
/// Cells that a fit needs.
const MIN_CELLS: usize = 60;
/// Each half goes beyond the middle by this share of the width.
const OVERLAP: f64 = 0.1;
/// Residuals beyond this many typical ones count less (Huber).
const HUBER_SIGMA: f64 = 1.5;
/// Steps of the robust fit.
const N_STEPS: usize = 10;
/// Residuals of neighbouring cells hang together: so many count as one.
const CELLS_PER_INDEPENDENT: f64 = 16.0;
/// What a sky of another shape may feign in any case: a loss in the corners of this much.
const SHAPE_ERROR: f64 = 0.015;
/// A loss below this is not believed.
const LEAST_LOSS: f64 = 0.10;
/// Loss over its error.
const SIGNIFICANT: f64 = 4.0;

/// How the camera was held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// Focal length over the width of the frame as stored.
    pub focal_widths: f64,
    /// How the picture is held upright.
    pub orientation: Orientation,
}

/// The sky as the camera looks at it.
#[derive(Clone, Copy)]
struct View {
    hold: Hold,
    pitch_deg: f64,
    size: Size,
}

impl Hold {
    /// Of a place right of and above the middle of the frame as stored; a mirrored picture has the sides exchanged.
    fn side_and_up(self, x: f64, y: f64) -> (f64, f64) {
        match self.orientation {
            Orientation::Normal | Orientation::FlipHorizontal => (x, y),
            Orientation::Rotate180 | Orientation::FlipVertical => (-x, -y),
            // Turned to the right, what was on the left is on top.
            Orientation::Rotate90 | Orientation::Transpose => (y, -x),
            Orientation::Rotate270 | Orientation::Transverse => (-y, x),
        }
    }
}

impl View {
    /// Sine of the altitude, and direction cosine to the side.
    fn sky_of(self, at: [f64; 2]) -> [f64; 2] {
        let height = self.size.height as f64 / self.size.width as f64;
        let focal_widths = self.hold.focal_widths;
        let (x, y) = ((at[0] - 0.5) / focal_widths, (0.5 - at[1]) * height / focal_widths);
        let (side, up) = self.hold.side_and_up(x, y);
        let (sin, cos) = self.pitch_deg.to_radians().sin_cos();
        let length = (1.0 + x * x + y * y).sqrt();
        [(up * cos + sin) / length, side / length]
    }
}

#[derive(Clone, Copy)]
struct Fit {
    /// b₁ and b₂.
    terms: [f64; 2],
    /// Of the loss in the corners.
    error: f64,
    /// Typical residual as a share of the level.
    residual: f64,
}

impl Fit {
    /// Robust least squares over some channels.
    fn of(cells: &[SkyCell], channels: &[usize], view: View) -> Option<Self> {
        if cells.len() < MIN_CELLS {
            return None;
        }
        let n = N_SKY * channels.len() + 2;
        let rows: Vec<(usize, [f64; N_SKY + 2], f64)> = cells
            .iter()
            .flat_map(|cell| {
                let [sine, side] = view.sky_of(cell.at);
                let r2 = radius_squared(cell.at, view.size);
                let row = [1.0, sine, sine * sine, sine.powi(3), side, side * sine, r2, r2 * r2];
                channels.iter().enumerate().map(move |(slot, &channel)| (slot, row, cell.level[channel]))
            })
            .filter(|(_, _, level)| *level > 0.0)
            .map(|(slot, row, level)| (slot, row, level.ln()))
            .collect();
        let place = |slot: usize, term: usize| if term < N_SKY { slot * N_SKY + term } else { n - 2 + term - N_SKY };
        let mut found = DVector::<f64>::zeros(n);
        let mut typical = f64::INFINITY;
        let mut covariance = DMatrix::<f64>::zeros(n, n);
        for _ in 0..N_STEPS {
            let mut normal = DMatrix::<f64>::zeros(n, n);
            let mut right = DVector::<f64>::zeros(n);
            let mut residuals = Vec::with_capacity(rows.len());
            for (slot, row, level) in &rows {
                let model: f64 = row.iter().enumerate().map(|(term, value)| value * found[place(*slot, term)]).sum();
                let residual = level - model;
                residuals.push(residual.abs() as f32);
                let weight = (HUBER_SIGMA * typical / residual.abs().max(f64::MIN_POSITIVE)).min(1.0);
                for (term, value) in row.iter().enumerate() {
                    let first = place(*slot, term);
                    right[first] += weight * value * level;
                    for (other, second) in row.iter().enumerate() {
                        normal[(first, place(*slot, other))] += weight * value * second;
                    }
                }
            }
            let decomposed = normal.cholesky()?;
            let is_first = typical.is_infinite();
            found = decomposed.solve(&right);
            covariance = decomposed.inverse();
            // The first residuals are those of no model at all.
            typical =
                if is_first { 1.0 } else { (f64::from(SIGMA_PER_MAD) * f64::from(median(&mut residuals)?)).max(1e-5) };
        }
        let terms = [found[n - 2], found[n - 1]];
        let spread = covariance[(n - 2, n - 2)] + covariance[(n - 1, n - 1)] + 2.0 * covariance[(n - 2, n - 1)];
        let error = (spread.max(0.0) * CELLS_PER_INDEPENDENT).sqrt() * typical;
        let fit = Self { terms, error, residual: typical };
        (fit.loss().is_finite() && error.is_finite()).then_some(fit)
    }

    fn loss(&self) -> f64 {
        1.0 - (self.terms[0] + self.terms[1]).exp()
    }

    /// As an even polynomial: least squares over the radius.
    fn falloff(&self) -> Option<Falloff> {
        let mut normal = DMatrix::<f64>::zeros(3, 3);
        let mut right = DVector::<f64>::zeros(3);
        for step in 1..=20 {
            let r2 = (f64::from(step) / 20.0).powi(2);
            let row = DVector::from_vec(vec![r2, r2 * r2, r2 * r2 * r2]);
            right += &row * ((self.terms[0] * r2 + self.terms[1] * r2 * r2).exp() - 1.0);
            normal += &row * row.transpose();
        }
        let terms = normal.cholesky()?.solve(&right);
        Falloff::new([terms[0], terms[1], terms[2]])
    }
}

/// The falloff and its loss in the corners over the error of that, or why the sky does not tell it.
pub(super) fn of_horizon(cells: &[SkyCell], size: Size, hold: Hold) -> Result<(Falloff, f64), String> {
    let all = [0, 1, 2];
    let uneven = || "the sky is too dark or too uneven".to_owned();
    let few: Vec<SkyCell> = cells.iter().step_by(cells.len().div_ceil(TRIAL_CELLS).max(1)).copied().collect();
    let views = PITCHES.map(|pitch_deg| View { hold, pitch_deg, size });
    let tried = views.into_iter().filter_map(|view| Fit::of(&few, &all, view).map(|fit| (view, fit.residual)));
    let (view, _) = tried.min_by(|a, b| a.1.total_cmp(&b.1)).ok_or_else(uneven)?;
    let whole = Fit::of(cells, &all, view).ok_or_else(uneven)?;
    let side = |cell: &SkyCell| hold.side_and_up(cell.at[0] - 0.5, 0.5 - cell.at[1]).0;
    let half = |sign: f64| -> Result<f64, String> {
        let cells: Vec<SkyCell> = cells.iter().filter(|cell| sign * side(cell) > -OVERLAP).copied().collect();
        Fit::of(&cells, &all, view).map(|fit| fit.loss()).ok_or_else(uneven)
    };
    let halves = [half(-1.0)?, half(1.0)?];
    let channels: Vec<f64> = all.iter().filter_map(|&c| Fit::of(cells, &[c], view)).map(|fit| fit.loss()).collect();
    let loss = whole.loss();
    let spread = |losses: &[f64]| losses.iter().map(|own| (own - loss).abs()).fold(0.0, f64::max);
    let (of_halves, of_channels) = (spread(&halves), spread(&channels));
    let error = whole.error.hypot(0.5 * of_halves).hypot(of_channels).hypot(SHAPE_ERROR);
    let significance = loss / error;
    let falloff = whole.falloff().filter(|_| loss >= LEAST_LOSS && significance >= SIGNIFICANT);
    falloff.map(|falloff| (falloff, significance)).ok_or_else(|| {
        format!(
            "down to the horizon the corners lose {:.0} % with an error of {:.0} % (left and right half of the sky say \
             {:.0} and {:.0} %), which is too unsure",
            100.0 * loss,
            100.0 * error,
            100.0 * halves[0],
            100.0 * halves[1]
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 720, height: 480 };
    const UPRIGHT: Hold = Hold { focal_widths: 0.6, orientation: Orientation::Normal };

    /// Cells of a sky that glows brighter towards the horizon, above land in the lower quarter, with moonlight from one
    /// side, through a lens that loses `loss` r²; the camera looks up by 20°.
    fn cells(loss: f64, moon: f64, hold: Hold) -> Vec<SkyCell> {
        let view = View { hold, pitch_deg: 20.0, size: SIZE };
        let places = (0..32 * 48).map(|k| [(f64::from(k % 48) + 0.5) / 48.0, (f64::from(k / 48) + 0.5) / 32.0]);
        places
            .filter(|&at| view.sky_of(at)[0] > 0.05)
            .enumerate()
            .map(|(k, at)| {
                let [sine, side] = view.sky_of(at);
                let glow = 1.0 + 0.45 * (1.0 - sine).powi(3);
                let lit = moon * (0.6 + 0.4 * side);
                let noise = 1.0 + 0.004 * ((k * 7919 % 997) as f64 / 498.5 - 1.0);
                let light = noise * (1.0 - loss * radius_squared(at, SIZE));
                SkyCell { at, level: [0.93, 1.0, 1.12].map(|color| 0.02 * light * (color * glow + lit)) }
            })
            .collect()
    }

    #[test]
    fn the_falloff_is_found_over_a_horizon_whichever_side_is_up() {
        for orientation in [Orientation::Normal, Orientation::Rotate90, Orientation::Rotate180, Orientation::Rotate270]
        {
            let hold = Hold { orientation, ..UPRIGHT };
            for moon in [0.0, 1.0] {
                let (found, _) = of_horizon(&cells(0.42, moon, hold), SIZE, hold).expect("a clear sky");
                let loss = found.corner_loss();
                assert!((loss - 0.42).abs() < 0.03, "{orientation:?}, moonlight {moon}: {loss} of 0.42");
            }
        }
    }

    /// Per cent in the words of a refusal: loss, its error, that of the left and of the right half.
    fn figures(reason: &str) -> [i32; 4] {
        let found: Vec<i32> = reason.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        found.try_into().unwrap_or_else(|_| panic!("four figures: {reason}"))
    }

    #[test]
    fn moonlight_through_a_perfect_lens_has_no_falloff() {
        for moon in [0.0, 0.6, 1.2, 3.0] {
            let reason = of_horizon(&cells(0.0, moon, UPRIGHT), SIZE, UPRIGHT).expect_err("nothing is lost");
            let [loss, error, ..] = figures(&reason);
            assert!(loss.abs() <= 2 * error && error <= 3, "no more than twice its error: {reason}");
        }
    }

    #[test]
    fn a_bright_band_that_the_halves_do_not_agree_on_is_no_falloff() {
        let mut cells = cells(0.0, 0.0, UPRIGHT);
        for cell in &mut cells {
            let across = cell.at[0] - 0.55 + 0.4 * (cell.at[1] - 0.5);
            cell.level = cell.level.map(|level| level * (1.0 + 0.8 * (-(across / 0.2).powi(2)).exp()));
        }
        let reason = of_horizon(&cells, SIZE, UPRIGHT).expect_err("the galaxy");
        let [_, error, left, right] = figures(&reason);
        assert!((left - right).abs() > 10 && error > 5, "the halves do not agree: {reason}");
    }
}
