//! The tables of docs/calibration.md: what calibration leaves of the truth about invented nights.
//!
//! `cargo run --release --example calibration_table`

use std::error::Error;
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{self, ForegroundMask, MaskChoice, MasterCache, Outcome, Request};
use nightsheaf::pixels::Size;
use nightsheaf::synthetic::{Burst, Cloud, LandKind, Scene};

type Done = Result<(), Box<dyn Error>>;

fn main() -> ExitCode {
    if let Some(code) = nightsheaf::raw::serve_if_asked() {
        return code;
    }
    match tables(&mut std::io::stdout()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Where even that cannot be said the exit code says it.
            let _ = writeln!(std::io::stderr(), "{error}");
            ExitCode::FAILURE
        }
    }
}

fn tables(out: &mut impl Write) -> Done {
    camera(out)?;
    banding(out)?;
    vignetting(out)?;
    changing_light(out)
}

fn scene() -> Scene {
    let size = Size { width: 1080, height: 720 };
    Scene { size, n_stars: 5000, n_lights: 8, n_hot_pixels: 130, ..Scene::small() }
}

fn electrons_range(scene: &Scene) -> f64 {
    f64::from(scene.white_level - scene.black_level[0]) * scene.electrons_per_dn
}

/// The outcome of a burst stacked under its true mask.
fn stacked(scene: &Scene, n_darks: usize) -> Result<(Outcome, Burst), Box<dyn Error>> {
    let folder = tempfile::tempdir()?;
    let burst = Burst::new(scene.clone());
    let path = |kind: &str, k: usize| folder.path().join(format!("{kind}{k:03}.dng"));
    let lights: Vec<PathBuf> = (0..scene.n_lights).map(|k| path("n", k)).collect();
    let darks: Vec<PathBuf> = (0..n_darks).map(|k| path("d", k)).collect();
    lights.iter().enumerate().try_for_each(|(k, path)| burst.write_light(path, k))?;
    darks.iter().enumerate().try_for_each(|(k, path)| burst.write_dark(path, k))?;
    let mask = match scene.land {
        LandKind::None => MaskChoice::None,
        _ => MaskChoice::Given(Arc::new(ForegroundMask(burst.foreground().clone()))),
    };
    let request = Request {
        lights,
        darks,
        mask,
        master_cache: MasterCache::Off,
        scratch_folder: Some(folder.path().to_owned()),
        ..Request::default()
    };
    Ok((pipeline::run(&Monitor::silent(), &request)?, burst))
}

fn camera(out: &mut impl Write) -> Done {
    writeln!(out, "## Gain and read noise\n")?;
    writeln!(
        out,
        "| camera | gain over truth | read noise over truth | single frame over prediction | stack over prediction |"
    )?;
    writeln!(out, "| --- | ---: | ---: | ---: | ---: |")?;
    for (gain, read, sky) in [(0.8, 3.2, 17.0), (0.8, 3.2, 5.0), (0.4, 2.0, 17.0), (2.0, 8.0, 17.0)] {
        let scene = Scene { electrons_per_dn: gain, read_noise_electrons: read, sky_electrons_per_sec: sky, ..scene() };
        let (outcome, _) = stacked(&scene, 0)?;
        let (Some(model), Some(noise)) = (outcome.report.noise_model, outcome.report.noise) else {
            return Err("no noise model".into());
        };
        writeln!(
            out,
            "| {gain} electrons a data number, {read} electrons, sky of {:.0} electrons | {:.3} | {:.3} | {:.3} | {:.3} |",
            sky * scene.exposure_secs,
            model.electrons_per_dn.unwrap_or(0.0) / gain,
            model.read_noise_electrons / read,
            noise.single / model.predicted_single,
            noise.stack / model.predicted_stack
        )?;
    }
    Ok(())
}

fn banding(out: &mut impl Write) -> Done {
    writeln!(out, "\n## Row and column noise\n")?;
    writeln!(
        out,
        "| rows, columns (electrons) | masked pixels | rows found over truth | its standard errors | columns found over truth | its standard errors |"
    )?;
    writeln!(out, "| ---: | ---: | ---: | ---: | ---: | ---: |")?;
    let cases = [0.0, 1.0, 2.0, 4.0, 8.0].into_iter().flat_map(|electrons| [0, 48].map(|masked| (electrons, masked)));
    for (electrons, masked_px) in cases {
        let scene = Scene { masked_px, row_noise_electrons: electrons, column_noise_electrons: electrons, ..scene() };
        let (outcome, _) = stacked(&scene, 0)?;
        let truth = electrons / electrons_range(&scene);
        let cells = [outcome.report.banding.rows, outcome.report.banding.columns].map(|noise| {
            let ratio =
                if !noise.removed || truth == 0.0 { "none".to_owned() } else { format!("{:.2}", noise.sigma / truth) };
            format!("{ratio} | {:.1}", noise.significance)
        });
        writeln!(out, "| {electrons} | {masked_px} | {} | {} |", cells[0], cells[1])?;
    }
    Ok(())
}

fn vignetting(out: &mut impl Write) -> Done {
    writeln!(out, "\n## Falloff from the sky\n")?;
    writeln!(out, "| sky | true loss in the corners, % | found, % | remark |")?;
    writeln!(out, "| --- | ---: | ---: | --- |")?;
    for (name, band, glow, land, loss) in [
        ("even", 0.0, 0.0, LandKind::None, 0.42),
        ("even, over a ridge", 0.0, 0.0, LandKind::Ridge, 0.42),
        ("even, a lens without falloff", 0.0, 0.0, LandKind::None, 0.0),
        ("faint glow of a town", 0.0, 0.3, LandKind::Ridge, 0.42),
        ("strong glow of a town", 0.0, 1.7, LandKind::Ridge, 0.42),
        ("galaxy's band", 0.8, 0.0, LandKind::Ridge, 0.42),
        ("galaxy's band, a lens without falloff", 0.8, 0.0, LandKind::Ridge, 0.0),
        ("band and glow", 0.8, 1.7, LandKind::Ridge, 0.42),
        ("glow, a lens without falloff", 0.0, 1.7, LandKind::Ridge, 0.0),
        ("band and glow, a lens of little falloff", 0.8, 1.7, LandKind::Ridge, 0.15),
    ] {
        let (outcome, _) = stacked(&Scene { band, glow, land, vignetting: loss, ..scene() }, 0)?;
        let found = &outcome.report.vignetting;
        let loss = 100.0 * loss;
        let corner = if outcome.picture.falloff.is_some() {
            format!("{:.1}", 100.0 * found.corner_loss)
        } else {
            "left".to_owned()
        };
        writeln!(out, "| {name} | {loss:.0} | {corner} | {} |", found.remark)?;
    }
    Ok(())
}

fn changing_light(out: &mut impl Write) -> Done {
    writeln!(out, "\n## Changing light\n")?;
    writeln!(out, "| night | frames used | weights over the first frame's | gain over ideal |")?;
    writeln!(out, "| --- | ---: | --- | ---: |")?;
    let cloud = |frame, transparency, veil| Cloud { frame, transparency, veil, bank: None };
    let clouds = vec![cloud(2, 0.93, 0.15), cloud(3, 0.7, 0.6), cloud(4, 0.3, 1.5), cloud(5, 0.95, 0.1)];
    let nights = [
        ("clear", Vec::new(), 0.0, 0.0),
        ("passing cloud", clouds, 0.0, 0.0),
        ("rising Moon", Vec::new(), 1.2, 0.0),
        ("town's glow growing by half", Vec::new(), 0.0, 0.5),
    ];
    for (name, clouds, moonlight, glow_drift) in nights {
        let (outcome, _) = stacked(&Scene { clouds, moonlight, glow_drift, ..scene() }, 0)?;
        let frames = &outcome.report.frames;
        let weights: Vec<String> = frames
            .iter()
            .map(|frame| if frame.used { format!("{:.2}", frame.weight / frames[0].weight) } else { "–".to_owned() })
            .collect();
        let noise = outcome.report.noise.ok_or("no noise figure")?;
        let used = frames.iter().filter(|frame| frame.used).count();
        writeln!(
            out,
            "| {name} | {used} of {} | {} | {:.3} |",
            frames.len(),
            weights.join(", "),
            noise.gain / noise.ideal
        )?;
    }
    Ok(())
}
