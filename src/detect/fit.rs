//! Fits one star to the samples of the frame as they are: position, widths, and one amplitude a colour.
//!
//! A mosaic samples each colour at its own places. Treating all samples as one grey picture would pull a red
//! star towards the red sites; with an amplitude of its own for each colour the profile alone decides the
//! position. Maximum likelihood reaches the Cramér-Rao bound of the position (King 1983; Winick 1986); the
//! variance of a sample is that of the sky plus the star's own shot noise. Minimised after Levenberg and
//! Marquardt (Marquardt 1963).
//!
//! The profile is an elliptical Gaussian A exp(−½ wᵀ (I + E) w), w = S^(−½) (x − x₀), with S the common shape of
//! the frame's stars and E the star's own deviation from it, which a normal prior holds back in faint stars.

use nalgebra::{SMatrix, SVector};

use crate::detect::shape::Shape;

const N: usize = 8;
/// Parameters: three amplitudes, x, y, and E as (xx, xy, yy).
type Vector = SVector<f64, N>;
type Matrix = SMatrix<f64, N, N>;

const MAX_STEPS: usize = 14;

/// Least eigenvalue of I + E: a star at most 4.5 times as wide as the common shape.
const LEAST_CURVATURE: f64 = 0.05;

/// One measured value, relative to the local sky.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sample {
    pub(super) x: f32,
    pub(super) y: f32,
    pub(super) value: f32,
    /// Variance of the sky.
    pub(super) variance: f32,
}

/// The samples of a star by colour.
#[derive(Default)]
pub(super) struct Window {
    pub(super) colors: [Vec<Sample>; 3],
}

/// Where a fit begins, and what it holds on to.
pub(super) struct Start {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) shape: Shape,
    /// Expected spread of each element of E among the stars of a frame.
    pub(super) shape_spread: f64,
    /// Growth of the variance with the level.
    pub(super) variance_per_level: f64,
}

/// The star that explains the samples best.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    pub(super) x: f64,
    pub(super) y: f64,
    /// Height of the profile in each colour; 0.0 where a colour has no sample.
    pub(super) amplitudes: [f64; 3],
    pub(super) shape: Shape,
    /// Eigenvalues of I + E, small first: below 1 wider than the common shape, above narrower.
    pub(super) curvature: (f64, f64),
    /// Variance of x and y.
    pub(super) position_variance: [f64; 2],
    /// Information (inverse variance) of each amplitude at this position and shape.
    pub(super) amplitude_information: [f64; 3],
}

pub(super) fn fit_star(window: &Window, start: &Start) -> Option<Fit> {
    let model = Model { window, frame: start.shape.sqrt().inverse(), prior: start.shape_spread.powi(-2) };
    let mut state = State { x: start.x, y: start.y, amplitudes: [0.0; 3], deviation: [0.0; 3] };
    state.amplitudes = model.amplitudes(&state);
    // First with the noise of the sky alone, then with the shot noise of the star that was found.
    let (rough, fine) = (1.0, 1e-2);
    let has_shot_noise = start.variance_per_level > 0.0;
    let mut normal = model.minimise(&mut state, &Noise::SKY, if has_shot_noise { rough } else { fine })?;
    if has_shot_noise {
        let noise = Noise { per_level: start.variance_per_level, star: state.clone() };
        normal = model.minimise(&mut state, &noise, fine)?;
    }
    model.summary(&state, &normal, start.shape)
}

/// Where one colour of a star lies.
#[derive(Clone, Copy, Debug)]
pub(super) struct ColorPlace {
    pub(super) x: f64,
    pub(super) y: f64,
    /// Of x and y together, a half each.
    pub(super) variance: f64,
}

/// The place of each colour on its own, with the shape of the fit of all; `None` where a colour is too faint.
pub(super) fn color_places(window: &Window, fit: &Fit, variance_per_level: f64) -> [Option<ColorPlace>; 3] {
    std::array::from_fn(|channel| {
        color_place(&window.colors[channel], fit, fit.amplitudes[channel], variance_per_level)
    })
}

/// Steps of Gauss and Newton for height, x and y: the start is a fraction of a pixel away.
const COLOR_STEPS: usize = 5;
/// A colour further than this from the fit of all has found another star.
const MAX_COLOR_SHIFT_PX: f64 = 2.0;

fn color_place(samples: &[Sample], fit: &Fit, height: f64, variance_per_level: f64) -> Option<ColorPlace> {
    let metric = fit.shape.inverse();
    let mut found = SVector::<f64, 3>::new(height, fit.x, fit.y);
    let mut covariance = None;
    for _ in 0..COLOR_STEPS {
        let mut information = SMatrix::<f64, 3, 3>::zeros();
        let mut gradient = SVector::<f64, 3>::zeros();
        for sample in samples {
            let (dx, dy) = (f64::from(sample.x) - found[1], f64::from(sample.y) - found[2]);
            let profile = profile(metric, dx, dy);
            let [along_x, along_y] = metric.apply(dx, dy);
            let value = found[0] * profile;
            let slope = SVector::<f64, 3>::new(profile, value * along_x, value * along_y);
            let variance = f64::from(sample.variance) + variance_per_level * height.max(0.0) * profile;
            information += slope * slope.transpose() / variance;
            gradient += slope * ((f64::from(sample.value) - value) / variance);
        }
        let inverse = information.try_inverse()?;
        found += inverse * gradient;
        let near = (found[1] - fit.x).hypot(found[2] - fit.y) < MAX_COLOR_SHIFT_PX;
        (near && found[0] > 0.0).then_some(())?;
        covariance = Some(inverse);
    }
    let variance = covariance.map(|covariance| 0.5 * (covariance[(1, 1)] + covariance[(2, 2)]))?;
    (variance > 0.0).then_some(ColorPlace { x: found[1], y: found[2], variance })
}

#[derive(Clone, Debug)]
struct State {
    x: f64,
    y: f64,
    amplitudes: [f64; 3],
    deviation: [f64; 3],
}

impl State {
    fn curvature(&self) -> Shape {
        let [xx, xy, yy] = self.deviation;
        Shape { xx: 1.0 + xx, xy, yy: 1.0 + yy }
    }

    fn moved(&self, step: &Vector) -> Self {
        let mut moved = self.clone();
        for channel in 0..3 {
            moved.amplitudes[channel] += step[channel];
        }
        moved.x += step[3];
        moved.y += step[4];
        for element in 0..3 {
            moved.deviation[element] += step[5 + element];
        }
        moved
    }
}

/// Variance on top of the sky's: shot noise of a star seen through the fit's own frame.
struct Noise {
    per_level: f64,
    star: State,
}

impl Noise {
    const SKY: Self =
        Self { per_level: 0.0, star: State { x: 0.0, y: 0.0, amplitudes: [0.0; 3], deviation: [0.0; 3] } };
}

struct Normal {
    information: Matrix,
    gradient: Vector,
    cost: f64,
}

struct Model<'a> {
    window: &'a Window,
    /// S^(−½).
    frame: Shape,
    prior: f64,
}

impl Model<'_> {
    /// Amplitudes that fit best at a given place and shape.
    fn amplitudes(&self, state: &State) -> [f64; 3] {
        let metric = state.curvature().within(self.frame);
        self.window.colors.each_ref().map(|samples| {
            let (mut product, mut square) = (0.0, 0.0);
            for sample in samples {
                let profile = profile(metric, f64::from(sample.x) - state.x, f64::from(sample.y) - state.y);
                product += profile * f64::from(sample.value / sample.variance);
                square += profile * profile / f64::from(sample.variance);
            }
            if square > 0.0 { product / square } else { 0.0 }
        })
    }

    /// Walks to the least cost, until a step gains less than `enough`: a step that gains 0.01 is a tenth of a
    /// standard error, and the next would be far smaller. The normal equations there, or `None` where singular.
    fn minimise(&self, state: &mut State, noise: &Noise, enough: f64) -> Option<Normal> {
        let mut here = self.normal(state, noise);
        let mut damping = 1e-3;
        for _ in 0..MAX_STEPS {
            let mut damped = here.information;
            for index in 0..N {
                damped[(index, index)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&here.gradient);
            let trial = state.moved(&step);
            if trial.curvature().axes().1 < LEAST_CURVATURE {
                damping *= 10.0;
                continue;
            }
            let there = self.normal(&trial, noise);
            if there.cost <= here.cost {
                let gained = here.cost - there.cost;
                *state = trial;
                here = there;
                damping *= 0.1;
                if gained < enough {
                    break;
                }
            } else if there.cost - here.cost < 1e-6 * here.cost {
                break;
            } else {
                damping *= 10.0;
            }
        }
        Some(here)
    }

    fn normal(&self, state: &State, noise: &Noise) -> Normal {
        let curvature = state.curvature();
        let shot_metric = noise.star.curvature().within(self.frame);
        let mut information = Matrix::zeros();
        let mut gradient = Vector::zeros();
        let mut cost = 0.0;
        for (channel, samples) in self.window.colors.iter().enumerate() {
            let amplitude = state.amplitudes[channel];
            let shot = noise.per_level * noise.star.amplitudes[channel].max(0.0);
            let mut sums = [0.0f64; 21];
            let mut slopes = [0.0f64; 6];
            for sample in samples {
                let (x, y) = (f64::from(sample.x), f64::from(sample.y));
                let [u, v] = self.frame.apply(x - state.x, y - state.y);
                let [cu, cv] = curvature.apply(u, v);
                let profile = exponential(-0.5 * (u * cu + v * cv));
                let mut variance = f64::from(sample.variance);
                if shot > 0.0 {
                    let (dx, dy) = (x - noise.star.x, y - noise.star.y);
                    variance += shot * self::profile(shot_metric, dx, dy);
                }
                let value = amplitude * profile;
                let [along_x, along_y] = self.frame.apply(cu, cv);
                let slope = [
                    profile,
                    value * along_x,
                    value * along_y,
                    -0.5 * value * u * u,
                    -value * u * v,
                    -0.5 * value * v * v,
                ];
                let weight = 1.0 / variance;
                let residual = f64::from(sample.value) - value;
                cost += residual * residual * weight;
                let mut place = 0;
                for row in 0..6 {
                    let weighted = slope[row] * weight;
                    slopes[row] += weighted * residual;
                    for other in &slope[row..] {
                        sums[place] += weighted * other;
                        place += 1;
                    }
                }
            }
            spread(channel, &sums, &slopes, &mut information, &mut gradient);
            if information[(channel, channel)] <= 0.0 {
                information[(channel, channel)] = 1.0;
            }
        }
        // |E|² counts the off-diagonal element twice.
        for (element, weight) in [(0, 1.0), (1, 2.0), (2, 1.0)] {
            let deviation = state.deviation[element];
            information[(5 + element, 5 + element)] += weight * self.prior;
            gradient[5 + element] -= weight * self.prior * deviation;
            cost += weight * self.prior * deviation * deviation;
        }
        Normal { information, gradient, cost }
    }

    fn summary(&self, state: &State, normal: &Normal, common: Shape) -> Option<Fit> {
        let covariance = normal.information.cholesky()?.inverse();
        let (largest, least) = state.curvature().axes();
        let information = |channel: usize| {
            if self.window.colors[channel].is_empty() { 0.0 } else { normal.information[(channel, channel)] }
        };
        Some(Fit {
            x: state.x,
            y: state.y,
            amplitudes: state.amplitudes,
            shape: state.curvature().inverse().within(common.sqrt()),
            curvature: (least, largest),
            position_variance: [covariance[(3, 3)], covariance[(4, 4)]],
            amplitude_information: [information(0), information(1), information(2)],
        })
    }
}

fn profile(metric: Shape, dx: f64, dy: f64) -> f64 {
    exponential(-0.5 * metric.form(dx, dy))
}

/// In single precision: seven digits are plenty for samples of four, and it takes a third of the time.
fn exponential(exponent: f64) -> f64 {
    f64::from((exponent.max(-40.0) as f32).exp())
}

/// Adds the sums of one colour, over (amplitude, x, y, E), to the equations of all.
fn spread(channel: usize, sums: &[f64; 21], slopes: &[f64; 6], information: &mut Matrix, gradient: &mut Vector) {
    let index = |local: usize| if local == 0 { channel } else { local + 2 };
    let mut place = 0;
    for row in 0..6 {
        gradient[index(row)] += slopes[row];
        for column in row..6 {
            information[(index(row), index(column))] += sums[place];
            if row != column {
                information[(index(column), index(row))] += sums[place];
            }
            place += 1;
        }
    }
}
