//! Matching of invented pairs of star lists, any rotation, half of the frame common, half of the detections false;
//! and of lists that have nothing in common.
//!
//! `cargo run --release --no-default-features --example pair_trials -- 1000` gives the figures of
//! `docs/registration.md`; a second argument `unknown` leaves out the focal length.

#[path = "../tests/support/star_lists.rs"]
mod star_lists;

use std::io::Write;
use std::time::Instant;

use nightsheaf::register::{Optics, register_pair};
use rayon::prelude::*;
use star_lists::{trial, unrelated};

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    let n_pairs: u64 = std::env::args().nth(1).and_then(|text| text.parse().ok()).unwrap_or(1000);
    let is_known = std::env::args().nth(2).as_deref() != Some("unknown");
    let outcomes: Vec<(Option<bool>, f64, String)> =
        (0..n_pairs).into_par_iter().map(|seed| one(seed, is_known)).collect();
    for (outcome, _, what) in &outcomes {
        match outcome {
            Some(true) => {}
            Some(false) => writeln!(out, "wrong: {what}")?,
            None => writeln!(out, "refused: {what}")?,
        }
    }
    let count = |wanted: Option<bool>| outcomes.iter().filter(|(outcome, ..)| *outcome == wanted).count();
    let seconds: f64 = outcomes.iter().map(|(_, seconds, _)| seconds).sum();
    writeln!(
        out,
        "{n_pairs} pairs: {} right, {} refused, {} wrong; {:.1} ms a pair",
        count(Some(true)),
        count(None),
        count(Some(false)),
        1e3 * seconds / n_pairs as f64
    )?;
    let begun = Instant::now();
    let n_accepted = (0..n_pairs).into_par_iter().filter(|&seed| unrelated_is_accepted(seed, is_known)).count();
    writeln!(
        out,
        "{n_pairs} unrelated pairs: {n_accepted} accepted; {:.1} ms a pair on all cores",
        1e3 * begun.elapsed().as_secs_f64() / n_pairs as f64
    )
}

fn one(seed: u64, is_known: bool) -> (Option<bool>, f64, String) {
    let trial = trial(seed);
    let optics = Optics { size: trial.size, focal_px: is_known.then_some(trial.stated_focal_px), profile: None };
    let begun = Instant::now();
    let registration = register_pair(&trial.pair.light, &trial.pair.reference, &optics);
    let seconds = begun.elapsed().as_secs_f64();
    let outcome = registration.ok().map(|found| trial.is_right(|point| found.reference_from_light.apply(point)));
    (outcome, seconds, trial.what)
}

fn unrelated_is_accepted(seed: u64, is_known: bool) -> bool {
    let [light, reference] = unrelated(seed);
    let size = nightsheaf::pixels::Size { width: 6000, height: 4000 };
    register_pair(&light, &reference, &Optics { size, focal_px: is_known.then_some(3600.0), profile: None }).is_ok()
}
