//! Drops the chains of peaks that a satellite, an aircraft or a wire makes: too many in one straight row.

use std::collections::BTreeMap;

use crate::detect::Star;

/// How far along the line companions count, in pixels per pixel of FWHM.
const REACH_FWHM: f64 = 14.0;

/// How far off the line, likewise.
const OFF_LINE_FWHM: f64 = 0.5;

/// Companions in a row that stars make by chance less than once a frame.
const MIN_COMPANIONS: usize = 5;

/// Keeps the stars that are not one of a straight, close row.
pub(super) fn drop_lines(stars: Vec<Star>, fwhm_px: f64) -> Vec<Star> {
    let reach = REACH_FWHM * fwhm_px;
    let cell = |value: f64| (value / reach).floor() as i64;
    let mut grid: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    for (index, star) in stars.iter().enumerate() {
        grid.entry((cell(star.centroid.y), cell(star.centroid.x))).or_default().push(index);
    }
    let on_line: Vec<bool> = stars
        .iter()
        .enumerate()
        .map(|(index, star)| {
            let (row, column) = (cell(star.centroid.y), cell(star.centroid.x));
            let near: Vec<(f64, f64)> = (row - 1..=row + 1)
                .flat_map(|row| (column - 1..=column + 1).map(move |column| (row, column)))
                .filter_map(|place| grid.get(&place))
                .flatten()
                .filter(|&&other| other != index)
                .map(|&other| &stars[other].centroid)
                .map(|other| (other.x - star.centroid.x, other.y - star.centroid.y))
                .filter(|(x, y)| x.hypot(*y) <= reach)
                .collect();
            longest_row(&near, OFF_LINE_FWHM * fwhm_px) >= expected(near.len())
        })
        .collect();
    stars.into_iter().zip(on_line).filter(|(_, on_line)| !on_line).map(|(star, _)| star).collect()
}

/// Most companions on one line through the origin.
fn longest_row(companions: &[(f64, f64)], off_line_px: f64) -> usize {
    let on_line = |(x, y): (f64, f64)| {
        let length = x.hypot(y).max(1e-9);
        companions.iter().filter(|(u, v)| ((x * v - y * u) / length).abs() <= off_line_px).count()
    };
    companions.iter().map(|&companion| on_line(companion)).max().unwrap_or(0)
}

/// Companions in a row that are too many for chance among `n`: a row takes up under a tenth of the circle.
fn expected(n: usize) -> usize {
    MIN_COMPANIONS.max(n / 3 + 3)
}
