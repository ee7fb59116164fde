//! The weights that bring stars closest to what they are, in the mean of squares.
//!
//! A color at a pixel is estimated from the samples around it as a weighted sum: the one whose error is smallest over
//! all places, widths and colors of stars and over the noise (the linear least mean square error that H. J. Trussell
//! and R. E. Hartwig, IEEE Transactions on Image Processing 11, 2002, and J. Portilla, D. Otaduy and C. Dorronsoro,
//! ICIP 2005, work out for pictures by day; both from memory), among those that leave an even color as it is. Needed
//! for it is how samples go together. Stars are Gaussians strewn evenly, so their autocorrelation is a Gaussian of
//! √2 the width; colors are those of white light as sensors see it, scattered as stars are. Gradient correction as
//! published takes red, green and blue to change by the same amount; on a sensor they do not, and dark red rings around
//! stars are what comes of it.

use std::sync::LazyLock;

use nalgebra::{DMatrix, DVector};

use crate::demosaic::OF_GREEN;
use crate::demosaic::linear::{AT_COLOR, AT_GREEN, Weights};
use crate::pixels::{Cfa, CfaColor};

/// Full widths at half height of stars that weights are made for, each as often, in pixels: a sharp lens to a soft one.
/// Sharper light on the land is drawn by the same lens.
const FWHM_PX: [f64; 6] = [1.8, 2.1, 2.4, 2.75, 3.1, 3.5];
/// Standard deviation of red and of blue over green among stars, in natural logarithm. From memory: most stars to the
/// naked eye lie between 4,000 and 12,000 K, a quarter more or less red and blue than the mean.
const COLOR_SCATTER: f64 = 0.2;
/// Variance of noise in terms of a star's squared height: what stars a hundred times the noise have.
const NOISE: f64 = 1e-4;
/// Stars in a pixel: one that has some hundred of them to itself.
const DENSITY: f64 = 1.0 / 113.0;

/// The weights, solved once.
pub(super) static WEIGHTS: LazyLock<Weights> = LazyLock::new(|| Weights {
    // RGGB seen from a green sample in a row with red, and from a red sample.
    at_green: solve(
        &AT_GREEN,
        false,
        Cfa([[CfaColor::Green, CfaColor::Red], [CfaColor::Blue, CfaColor::Green]]),
        CfaColor::Red,
    ),
    green: solve(&AT_COLOR, true, Cfa::RGGB, CfaColor::Green),
    other: solve(&AT_COLOR, true, Cfa::RGGB, CfaColor::Blue),
});

/// A sample, by its place from the pixel.
type Place = (isize, isize);

/// The places that share a weight.
fn group((down, across): (usize, usize), both_ways: bool) -> Vec<Place> {
    let mut places: Vec<Place> = Vec::new();
    let turned = if both_ways { vec![(down, across), (across, down)] } else { vec![(down, across)] };
    for (down, across) in turned {
        let (down, across) = (down as isize, across as isize);
        for place in [(down, across), (down, -across), (-down, across), (-down, -across)] {
            if !places.contains(&place) {
                places.push(place);
            }
        }
    }
    places
}

/// Mean product of the light of stars at two samples.
fn together((down, across): Place, one: CfaColor, other: CfaColor) -> f64 {
    let distance_squared = (down * down + across * across) as f64;
    let profile: f64 = FWHM_PX
        .iter()
        .map(|fwhm| {
            let variance = (fwhm / 2.354_82).powi(2);
            std::f64::consts::PI * variance * (-distance_squared / (4.0 * variance)).exp()
        })
        .sum();
    // Logarithms of red and of blue scatter each on their own around those of white light.
    let of_green = f64::from(OF_GREEN);
    let color = match (one, other) {
        (CfaColor::Green, CfaColor::Green) => 1.0,
        (CfaColor::Green, _) | (_, CfaColor::Green) => of_green * (COLOR_SCATTER.powi(2) / 2.0).exp(),
        (one, other) if one == other => (of_green * COLOR_SCATTER.powi(2).exp()).powi(2),
        _ => (of_green * (COLOR_SCATTER.powi(2) / 2.0).exp()).powi(2),
    };
    DENSITY * color * profile / FWHM_PX.len() as f64
}

/// Least squares under the condition that weights of the color sought add up to one and those of each other color
/// to nothing (Lagrange multipliers).
fn solve<const N: usize>(groups: &[(usize, usize); N], both_ways: bool, cfa: Cfa, sought: CfaColor) -> [f32; N] {
    let color_at = |(down, across): Place| cfa.color_at(across.rem_euclid(2) as usize, down.rem_euclid(2) as usize);
    let groups: Vec<Vec<Place>> = groups.iter().map(|&place| group(place, both_ways)).collect();
    let colors = [CfaColor::Red, CfaColor::Green, CfaColor::Blue];
    let mut system = DMatrix::zeros(N + colors.len(), N + colors.len());
    let mut right = DVector::zeros(N + colors.len());
    for (row, places) in groups.iter().enumerate() {
        for (column, others) in groups.iter().enumerate() {
            let pairs = places.iter().flat_map(|place| others.iter().map(move |other| (place, other)));
            system[(row, column)] = pairs
                .map(|(place, other)| {
                    let between = (place.0 - other.0, place.1 - other.1);
                    together(between, color_at(*place), color_at(*other)) + if place == other { NOISE } else { 0.0 }
                })
                .sum();
        }
        right[row] = places.iter().map(|&place| together(place, color_at(place), sought)).sum();
        for (idx, &color) in colors.iter().enumerate() {
            let count = places.iter().filter(|&&place| color_at(place) == color).count() as f64;
            system[(row, N + idx)] = count;
            system[(N + idx, row)] = count;
        }
    }
    for (idx, &color) in colors.iter().enumerate() {
        right[N + idx] = f64::from(u8::from(color == sought));
    }
    let solution = system.lu().solve(&right).expect("noise keeps every weight apart from the others");
    std::array::from_fn(|idx| solution[idx] as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_even_color_stays_and_no_other_comes_in() {
        let sum = |groups: &[(usize, usize)], weights: &[f32], both_ways, odd: bool| -> f32 {
            let parity = |place: Place| (place.0 + place.1).rem_euclid(2) == isize::from(odd);
            let weighted = groups.iter().zip(weights).map(|(&places, &weight)| {
                weight * group(places, both_ways).into_iter().filter(|&place| parity(place)).count() as f32
            });
            weighted.sum()
        };
        let green = [sum(&AT_COLOR, &WEIGHTS.green, true, true), sum(&AT_COLOR, &WEIGHTS.green, true, false)];
        assert!((green[0] - 1.0).abs() < 1e-5 && green[1].abs() < 1e-5, "green of green {green:?}");
        let red = [sum(&AT_GREEN, &WEIGHTS.at_green, false, true), sum(&AT_GREEN, &WEIGHTS.at_green, false, false)];
        assert!((red[0] - 1.0).abs() < 1e-5 && red[1].abs() < 1e-5, "red, blue weigh nothing, of green {red:?}");
    }

    #[derive(serde::Deserialize)]
    struct Reference {
        at_green: Vec<f32>,
        green: Vec<f32>,
        other: Vec<f32>,
    }

    /// Values of numpy; see tests/reference/demosaic.
    #[test]
    fn the_weights_are_those_that_numpy_solves() {
        let text = include_str!("../../tests/reference/demosaic/least_squares.json");
        let reference: Reference = serde_json::from_str(text).expect("the reference file is well formed");
        let found = [&WEIGHTS.at_green[..], &WEIGHTS.green, &WEIGHTS.other];
        for (found, expected) in found.into_iter().zip([&reference.at_green, &reference.green, &reference.other]) {
            assert_eq!(found.len(), expected.len(), "as many groups");
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-5, "{found}, not {expected}");
            }
        }
    }
}
