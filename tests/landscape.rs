//! The landscape of the picture and its seam with the sky, on invented bursts with a textured land.

#[allow(dead_code, reason = "the foreground tests use the rest")]
#[path = "support/mask_scenes.rs"]
mod mask_scenes;
#[allow(dead_code, reason = "the tests of the pipeline use the rest")]
#[path = "pipeline/sample.rs"]
mod sample;

#[path = "landscape/alone.rs"]
mod alone;
#[path = "landscape/dark.rs"]
mod dark;
#[path = "landscape/knock.rs"]
mod knock;
#[path = "landscape/longer.rs"]
mod longer;
#[path = "landscape/mask.rs"]
mod mask;
#[path = "landscape/night.rs"]
mod night;
#[path = "landscape/seam.rs"]
mod seam;
