//! Ten thousand damaged files and some hundred impossible ones: each a clear message or a right picture, within its
//! time and its memory, and this process lives on.
#![cfg(unix)]

#[path = "hostile/cases.rs"]
mod cases;
#[path = "hostile/places.rs"]
mod places;
#[path = "hostile/worker.rs"]
mod worker;

use std::path::Path;
use std::time::{Duration, Instant};

use cases::{N_CASES, good_files};
use nightsheaf::job::CancelToken;
use nightsheaf::raw::{DecodeError, Decoder, Limits, RawFrame};
use rayon::prelude::*;
use worker::{Fate, Spent, fates, file_of, message_fault};

/// The decoder as the programs use it.
pub(crate) fn decode(path: &Path) -> Result<RawFrame, DecodeError> {
    let decoder = Decoder { program: env!("CARGO_BIN_EXE_nightsheaf-cli").into(), limits: Limits::default() };
    let started = Instant::now();
    let result = decoder.decode(path, &CancelToken::default());
    let took = started.elapsed();
    assert!(took < Duration::from_secs(20), "{} took {took:?}", path.display());
    if let Err(error) = &result {
        assert_eq!(message_fault(&nightsheaf::error::WithSources(error).to_string()), None, "{}", path.display());
    }
    result
}

/// Not a test of its own: what the workers of the next one run.
#[test]
fn worker_process() {
    worker::work_if_asked();
}

#[test]
#[allow(clippy::print_stdout, reason = "the figures are the result")]
fn ten_thousand_damaged_files_are_messages_or_right_pictures() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let step = N_CASES / 4;
    let parts: Vec<(Vec<Fate>, Spent)> =
        (0..4).into_par_iter().map(|part| fates(part * step, (part + 1) * step, folder.path())).collect();
    let spent = parts.iter().fold(Spent::default(), |spent, (_, of_part)| spent.most(*of_part));
    let all: Vec<Fate> = parts.into_iter().flat_map(|(fates, _)| fates).collect();
    assert_eq!(all.len(), N_CASES, "every case has a fate");
    let wrong: Vec<_> = all.iter().enumerate().filter(|(_, fate)| matches!(fate, Fate::Wrong(_))).collect();
    assert!(wrong.is_empty(), "{} cases, first of all {:?}", wrong.len(), &wrong[..wrong.len().min(8)]);
    let ended: Vec<usize> = (0..N_CASES).filter(|&number| all[number] == Fate::Ended).collect();
    let count = |wanted: &Fate| all.iter().filter(|fate| *fate == wanted).count();
    println!(
        "{N_CASES} damaged files: {} messages, {} pictures, {} that end the decoding process; at most {:.2} s and {} MiB",
        count(&Fate::Message),
        count(&Fate::Picture),
        ended.len(),
        spent.longest.as_secs_f64(),
        spent.most_bytes >> 20
    );
    assert!(spent.most_bytes <= Limits::default().memory_bytes, "{} bytes of memory", spent.most_bytes);
    // What ends a worker ends the real decoder's child, and is a message there; and a sample of all others.
    let good = good_files();
    let looked_at: Vec<usize> = ended.into_iter().take(100).chain((0..N_CASES).step_by(N_CASES / 200)).collect();
    looked_at.into_par_iter().for_each(|number| {
        let result = decode(&file_of(&good, number, folder.path()));
        let expected = &all[number];
        let agrees = match &result {
            Ok(_) => *expected == Fate::Picture,
            Err(_) => *expected != Fate::Picture,
        };
        assert!(
            agrees,
            "case {number} is {expected:?}, and through the real decoder {:?}",
            result.map(|frame| frame.size())
        );
    });
}
