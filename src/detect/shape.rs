//! The covariance of a profile: widths, direction, and the trail that stretched it.

use crate::pixels::Point;

/// Full width at half maximum over standard deviation of a Gaussian: 2 √(2 ln 2).
pub(super) const FWHM_PER_SIGMA: f64 = 2.354_820_045;

/// A symmetric positive 2 × 2 matrix in square pixels, x and y as in the frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Shape {
    pub(super) xx: f64,
    pub(super) xy: f64,
    pub(super) yy: f64,
}

impl Shape {
    pub(super) fn round(sigma_px: f64) -> Self {
        let variance = sigma_px * sigma_px;
        Self { xx: variance, xy: 0.0, yy: variance }
    }

    pub(super) fn determinant(self) -> f64 {
        self.xx * self.yy - self.xy * self.xy
    }

    pub(super) fn inverse(self) -> Self {
        let determinant = self.determinant();
        Self { xx: self.yy / determinant, xy: -self.xy / determinant, yy: self.xx / determinant }
    }

    /// The symmetric matrix whose square is this one (Cayley-Hamilton).
    pub(super) fn sqrt(self) -> Self {
        let root = self.determinant().max(0.0).sqrt();
        let scale = 1.0 / (self.xx + self.yy + 2.0 * root).sqrt();
        Self { xx: (self.xx + root) * scale, xy: self.xy * scale, yy: (self.yy + root) * scale }
    }

    /// `scale · self + round · I`.
    pub(super) fn scaled(self, scale: f64, round: f64) -> Self {
        Self { xx: scale * self.xx + round, xy: scale * self.xy, yy: scale * self.yy + round }
    }

    /// This matrix seen through the symmetric `frame`: frame · self · frame.
    pub(super) fn within(self, frame: Self) -> Self {
        let (a, b, c) = (frame.xx, frame.xy, frame.yy);
        let left = [
            [a * self.xx + b * self.xy, a * self.xy + b * self.yy],
            [b * self.xx + c * self.xy, b * self.xy + c * self.yy],
        ];
        Self {
            xx: left[0][0] * a + left[0][1] * b,
            xy: left[0][0] * b + left[0][1] * c,
            yy: left[1][0] * b + left[1][1] * c,
        }
    }

    pub(super) fn apply(self, x: f64, y: f64) -> [f64; 2] {
        [self.xx * x + self.xy * y, self.xy * x + self.yy * y]
    }

    /// The form x² xx + 2 x y xy + y² yy.
    pub(super) fn form(self, x: f64, y: f64) -> f64 {
        self.xx * x * x + 2.0 * self.xy * x * y + self.yy * y * y
    }

    /// Variances along the long and the short axis.
    pub(super) fn axes(self) -> (f64, f64) {
        let middle = 0.5 * (self.xx + self.yy);
        let spread = (0.5 * (self.xx - self.yy)).hypot(self.xy);
        (middle + spread, middle - spread)
    }

    /// Direction of the long axis, radians from x towards y, in (−π/2, π/2].
    pub(super) fn angle_rad(self) -> f64 {
        0.5 * (2.0 * self.xy).atan2(self.xx - self.yy)
    }

    pub(super) fn fwhm_px(self) -> f64 {
        FWHM_PER_SIGMA * self.determinant().max(0.0).powf(0.25)
    }

    pub(super) fn elongation(self) -> f64 {
        let (long, short) = self.axes();
        (long / short.max(1e-6)).sqrt()
    }

    /// Half the height and width of the box around the ellipse at `radius` standard deviations.
    pub(super) fn reach(self, radius: f64) -> Point {
        Point { x: radius * self.xx.sqrt(), y: radius * self.yy.sqrt() }
    }
}

/// Length of the uniform trail whose least-squares Gaussian has these widths along and across.
///
/// A Gaussian of width s fits a bar of length L blurred by σ best where √s erf(u) is largest, with
/// u = L / √(8 (s² + σ²)); the derivative vanishes where √π erf(u) exp(u²) / (4 u) = s² / (s² + σ²).
pub(super) fn trail_length_px(long_variance: f64, short_variance: f64) -> f64 {
    if long_variance <= short_variance {
        return 0.0;
    }
    let sum = long_variance + short_variance;
    let wanted = long_variance / sum;
    let (mut low, mut high) = (0.0, 3.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if bar_condition(middle) < wanted {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high) * (8.0 * sum).sqrt()
}

/// √π erf(u) exp(u²) / (4 u), by its series (Abramowitz and Stegun 1964, 7.1.6): all terms are positive.
fn bar_condition(u: f64) -> f64 {
    let mut term = 0.5;
    let mut sum = 0.0;
    for n in 0..60 {
        sum += term;
        term *= 2.0 * u * u / f64::from(2 * n + 3);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_square_root_squares_back() {
        let shape = Shape { xx: 3.0, xy: 1.2, yy: 2.0 };
        let back = Shape::round(1.0).within(shape.sqrt());
        let error = (back.xx - 3.0).abs() + (back.xy - 1.2).abs() + (back.yy - 2.0).abs();
        assert!(error < 1e-12, "{back:?}");
    }

    #[test]
    fn the_long_axis_points_down_right_for_positive_xy() {
        let shape = Shape { xx: 2.0, xy: 1.0, yy: 2.0 };
        let (long, short) = shape.axes();
        assert!((long - 3.0).abs() < 1e-12 && (short - 1.0).abs() < 1e-12, "{long} and {short}");
        assert!((shape.angle_rad() - std::f64::consts::FRAC_PI_4).abs() < 1e-12, "45 degrees");
    }

    /// The Gaussian that fits a long bar best has 0.357 of its length as standard deviation: u^(−1/2) erf(u)
    /// is largest at u = 0.990 (solved by hand from erf(u) = 4 u exp(−u²) / √π).
    #[test]
    fn a_long_bar_is_2_8_standard_deviations_of_its_gaussian() {
        let length = trail_length_px(100.0, 1e-6);
        assert!((length - 28.0).abs() < 0.1, "{length}");
    }

    /// For short trails the widths add as variances: s² = σ² + L² / 12.
    #[test]
    fn a_short_trail_adds_a_twelfth_of_its_square() {
        let length = trail_length_px(1.0 + 0.01 / 12.0, 1.0);
        assert!((length - 0.1).abs() < 1e-3, "{length}");
    }
}
