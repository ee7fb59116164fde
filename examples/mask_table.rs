//! The proposed foreground of invented bursts against their exact masks, as a table.
//!
//! `cargo run --release --no-default-features --example mask_table -- 1500 12` prints the table of
//! `docs/foreground.md`: frames of 1500 columns, 12 of them. A third argument is a folder for pictures:
//! the first frame with the proposed edge in it.

#[allow(dead_code, reason = "the tests use the rest")]
#[path = "../tests/support/mask_scenes.rs"]
mod mask_scenes;

use std::io::Write;
use std::path::Path;
use std::time::Instant;

use mask_scenes::{FULL_WIDTH, KINDS, mask_error, propose_with, scene, with_strokes};
use nightsheaf::calibrate::{Masters, calibrate};
use nightsheaf::pixels::{CalibratedFrame, Plane};
use nightsheaf::synthetic::Burst;

fn main() -> std::io::Result<()> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |idx: usize, default: usize| words.get(idx).and_then(|word| word.parse().ok()).unwrap_or(default);
    let (width, n_lights) = (number(0, 1500), number(1, 16));
    let wanted = |name: &str| words.len() <= 3 || words[3..].iter().any(|word| word == name);
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "| scene | overlap | with three strokes | edge median, px | edge 95 %, px | weight error, % | land, % (true) | confidence | s |"
    )?;
    writeln!(out, "| --- | --- | --- | --- | --- | --- | --- | --- | --- |")?;
    for (name, kind) in KINDS.into_iter().filter(|(name, _)| wanted(name)) {
        let burst = Burst::new(scene(kind, width, n_lights));
        let frames: Vec<CalibratedFrame> =
            (0..n_lights).map(|idx| calibrate(&burst.light(idx), &Masters::default())).collect();
        let begun = Instant::now();
        let proposal = propose_with(&burst, &frames);
        let seconds = begun.elapsed().as_secs_f64();
        let error = mask_error(&proposal.mask, burst.foreground());
        let mended = mask_error(&with_strokes(&proposal, burst.foreground(), 3), burst.foreground()).overlap;
        let scaled = |px: f64| format!("{:.2}", px * FULL_WIDTH / width as f64);
        let [middle, most] = error.edge_px.map_or(["-".to_owned(), "-".to_owned()], |edge| edge.map(scaled));
        let fraction = |mask: &Plane<f32>| {
            100.0 * mask.samples().iter().map(|&alpha| f64::from(alpha)).sum::<f64>() / mask.size().area() as f64
        };
        writeln!(
            out,
            "| {name} | {:.4} | {mended:.4} | {middle} | {most} | {:.3} | {:.2} ({:.2}) | {:.2} | {seconds:.2} |",
            error.overlap,
            error.weight_percent,
            fraction(&proposal.mask.0),
            fraction(burst.foreground()),
            proposal.confidence,
        )?;
        for note in &proposal.notes {
            writeln!(out, "<!-- {name}: {note} -->")?;
        }
        out.flush()?;
        if let Some(folder) = words.get(2) {
            save_picture(&Path::new(folder).join(format!("{name}.png")), &frames[0], &proposal.mask.0)?;
        }
    }
    Ok(())
}

/// The first frame in grey, the proposed land reddish and its half-covered pixels green.
fn save_picture(path: &Path, frame: &CalibratedFrame, mask: &Plane<f32>) -> std::io::Result<()> {
    let size = mask.size();
    let plane = &frame.planes[frame.planes.len() / 2];
    let brightest = 4.0 * plane.samples().iter().sum::<f32>() / size.area() as f32;
    let mut picture = image::RgbImage::new(size.width as u32, size.height as u32);
    for (x, y, pixel) in picture.enumerate_pixels_mut() {
        let (x, y) = (x as usize, y as usize);
        let grey = (255.0 * (plane.at(x, y) / brightest).clamp(0.0, 1.0).sqrt()) as u8;
        let alpha = mask.at(x, y);
        let edge = alpha > 0.1 && alpha < 0.9;
        let (red, green) = ((f32::from(grey) + 90.0 * alpha) as u8, if edge { 255 } else { grey });
        *pixel = image::Rgb([red, green, grey]);
    }
    picture.save(path).map_err(std::io::Error::other)
}
