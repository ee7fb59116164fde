//! Frames that cannot be read: told once, by name, and never another frame's picture in their place.

use super::*;

#[test]
fn a_frame_that_cannot_be_read_is_named_and_its_place_on_the_canvas_stays_empty() {
    let frames = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-frames");
    let folder = tempfile::tempdir().expect("a temporary folder");
    for name in ["night-001.dng", "night-002.dng", "night-003.dng"] {
        std::fs::copy(frames.join(name), folder.path().join(name)).expect("room for a frame");
    }
    let whole = std::fs::read(frames.join("night-004.dng")).expect("a sample frame");
    let half = folder.path().join("night-004.dng");
    std::fs::write(&half, &whole[..200_000]).expect("room for a part");
    let mut stage = Stage::open(vec![folder.path().to_owned()], decoder());
    stage.wait("the frames are measured", |state| state.sheaf.frames.len() == 4 && !state.measuring);
    let told = |state: &nightsheaf::gui::state::State| -> Vec<String> {
        let texts = state.notices.iter().map(|notice| notice.text.clone());
        texts.filter(|text| text.contains("cannot be read")).collect()
    };
    let texts = told(stage.state());
    assert_eq!(texts.len(), 1, "told once: {texts:?}");
    assert!(texts[0].contains(&half.display().to_string()), "by its name: {texts:?}");
    assert!(texts[0].contains("copy it from the card again"), "with what to do: {texts:?}");

    stage.apply(Action::Show(Shown::Frame(0)));
    stage.wait("a frame is there", |state| !state.opening);
    stage.rest();
    let canvas = |picture: &RgbImage| image::imageops::crop_imm(picture, 60, 150, 250, 250).to_image();
    let brightest = |picture: &RgbImage| canvas(picture).pixels().map(|pixel| pixel.0[1]).max();
    let of_frame = brightest(&stage.picture());
    stage.apply(Action::Show(Shown::Frame(3)));
    stage.wait("it was tried", |state| !state.opening);
    stage.rest();
    let of_none = brightest(&stage.picture());
    assert!(of_frame > Some(100), "stars of a frame: {of_frame:?}");
    assert!(of_none < Some(60), "no stars of another frame: {of_none:?}");
    assert_eq!(told(stage.state()).len(), 1, "still once: {:?}", told(stage.state()));
}
