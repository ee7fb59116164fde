//! The sky alone, the land alone and the mask, and the other choices about files.

use std::fs;

use nightsheaf::job::Monitor;
use nightsheaf::pipeline::{ExportSettings, MaskChoice, Request, save_layers};

use crate::support::{codes, done, light, names, new_folder, night, picture, run};

/// Joined by the mask in linear light, the layers are the picture wherever sky or land stands alone.
#[test]
fn the_layers_are_what_the_picture_is_joined_from() {
    let folder = new_folder();
    let (output, layers) = (folder.path().join("night.tiff"), folder.path().join("layers"));
    let mask = night().join("truth/mask.png");
    let ran = done!("stack", night(), "--mask", mask, "-o", output, "--layers", layers);
    assert_eq!(names(&layers), ["land.tiff", "mask.png", "sky.tiff"], "three files in a new folder");
    for name in ["sky.tiff", "land.tiff", "mask.png"] {
        assert!(ran.out.contains(&format!("wrote {}\n", layers.join(name).display())), "{}", ran.out);
    }
    let (size, joined) = codes(&output);
    let (sky, land) = (codes(&layers.join("sky.tiff")), codes(&layers.join("land.tiff")));
    assert_eq!((sky.0, land.0), (size, size), "of the size of the picture");
    let mask = picture(&layers.join("mask.png")).into_luma16();
    assert_eq!((mask.width() as usize, mask.height() as usize), (size.width, size.height), "the mask too");
    let (mut n_sky, mut n_land, mut n_edge, mut worst) = (0, 0, 0, 0.0_f64);
    for (place, &land_share) in mask.as_raw().iter().enumerate() {
        let pixel = 3 * place..3 * place + 3;
        match land_share {
            0 => {
                n_sky += 1;
                assert_eq!(joined[pixel.clone()], sky.1[pixel], "sky at {place}");
            }
            65_535 => {
                n_land += 1;
                assert_eq!(joined[pixel.clone()], land.1[pixel], "land at {place}");
            }
            _ => {
                n_edge += 1;
                // As an editor joins them: the codes, not the light, by the mask as opacity.
                let share = f64::from(land_share) / 65_535.0;
                for code in pixel {
                    let anew = f64::from(sky.1[code]) * (1.0 - share) + f64::from(land.1[code]) * share;
                    worst = worst.max((anew - f64::from(joined[code])).abs() / 65_535.0);
                }
            }
        }
    }
    assert!(n_sky > 10_000 && n_land > 1_000 && n_edge > 100, "all are there: {n_sky}, {n_land}, {n_edge}");
    assert!(worst < 0.02, "joined anew an edge is off by {worst} of white");
    let below = |layer: &[u16]| -> u64 {
        let places = mask.as_raw().iter().enumerate().filter(|(_, share)| **share == 0);
        places.map(|(place, _)| u64::from(layer[3 * place + 1])).sum()
    };
    assert_ne!(below(&land.1), below(&sky.1), "the stars of the still frames are not those of the sky");
}

#[test]
fn without_a_landscape_there_is_a_sky_layer_alone() {
    let folder = new_folder();
    let (output, layers) = (folder.path().join("night.png"), folder.path().join("layers"));
    done!("stack", night(), "--mask", "none", "-o", output, "--layers", layers);
    assert_eq!(names(&layers), ["mask.png", "sky.png"], "as the picture: PNG");
    assert_eq!(codes(&output), codes(&layers.join("sky.png")), "the sky is the picture");
    assert!(picture(&layers.join("mask.png")).into_luma16().as_raw().iter().all(|&share| share == 0), "all sky");
}

#[test]
fn a_place_for_layers_that_cannot_be_is_told_before_the_work() {
    let folder = new_folder();
    let output = folder.path().join("night.tiff");
    let file = folder.path().join("file");
    fs::write(&file, "a letter").expect("a small file");
    for layers in [file.clone(), folder.path().join("no/such/folder")] {
        let ran = run!("stack", night(), "--mask", "none", "-o", output, "--layers", layers);
        assert_eq!(ran.code, Some(1), "{ran:?}");
        assert!(ran.err.contains("folder") && !ran.err.contains("Reading frames"), "{}", ran.err);
        assert!(!output.exists(), "nothing was written");
    }
}

#[test]
fn neither_the_mask_that_is_read_nor_a_frame_makes_room_for_a_layer() {
    let folder = new_folder();
    let (output, layers) = (folder.path().join("night.tiff"), folder.path().join("layers"));
    fs::create_dir(&layers).expect("a new folder");
    let mask = layers.join("mask.png");
    fs::copy(night().join("truth/mask.png"), &mask).expect("room for a small mask");
    let ran = run!("stack", night(), "--mask", mask, "-o", output, "--layers", layers);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.err.contains("mask.png is the mask that is read and will not be written over"), "{}", ran.err);
    let frame = layers.join("sky.tiff");
    fs::copy(light(1), &frame).expect("room for a small frame");
    let ran = run!("stack", night(), frame, "--mask", "none", "-o", output, "--layers", layers);
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.err.contains("sky.tiff is one of the frames and will not be written over"), "{}", ran.err);
    assert!(!output.exists(), "before any work");
    assert_eq!(names(&layers), ["mask.png", "sky.tiff"], "and nothing else is there");
}

/// One of the three cannot take its place: then none does.
#[test]
fn layers_take_their_places_together() {
    let folder = new_folder();
    let layers = folder.path().join("layers");
    let request = Request {
        lights: (1..=4).map(light).collect(),
        mask: MaskChoice::File(night().join("truth/mask.png")),
        keep_layers: true,
        scratch_folder: Some(folder.path().to_owned()),
        decoder_program: Some(env!("CARGO_BIN_EXE_nightsheaf-cli").into()),
        ..Request::default()
    };
    let outcome = nightsheaf::pipeline::run(&Monitor::silent(), &request).expect("a stack");
    let settings = ExportSettings::default();
    let write = || save_layers(&Monitor::silent(), &outcome, &layers, &settings);
    assert_eq!(write().expect("a new folder").len(), 3, "sky, land and mask");
    fs::remove_file(layers.join("land.tiff")).expect("our own file");
    fs::create_dir(layers.join("land.tiff")).expect("our own folder");
    fs::write(layers.join("sky.tiff"), "old").expect("our own file");
    let refused = write().expect_err("land has no place").to_string();
    assert!(refused.contains("land.tiff"), "{refused}");
    assert_eq!(fs::read(layers.join("sky.tiff")).expect("there"), b"old", "the old sky, not the new beside no land");
    assert_eq!(names(&layers), ["land.tiff", "mask.png", "sky.tiff"], "nothing half-written is left");
}

#[test]
fn deflate_packs_a_tiff_without_loss_and_quality_sizes_a_jpeg() {
    let folder = new_folder();
    let at = |name: &str| folder.path().join(name);
    let (plain, packed) = (at("plain.tiff"), at("packed.tiff"));
    done!("stack", night(), "--mask", "none", "-o", plain);
    done!("stack", night(), "--mask", "none", "-o", packed, "--compression", "deflate");
    assert_eq!(codes(&plain), codes(&packed), "the same samples");
    let bytes = |name: &str| fs::metadata(at(name)).expect("written").len();
    assert!(bytes("packed.tiff") < bytes("plain.tiff"), "{} of {} bytes", bytes("packed.tiff"), bytes("plain.tiff"));
    for (name, quality) in [("good.jpg", "95"), ("poor.jpg", "20")] {
        done!("stack", night(), "--mask", "none", "-o", at(name), "--quality", quality);
    }
    assert!(2 * bytes("poor.jpg") < bytes("good.jpg"), "{} and {} bytes", bytes("poor.jpg"), bytes("good.jpg"));
    let ran = run!("stack", night(), "-o", at("x.jpg"), "--quality", "0");
    assert_eq!(ran.code, Some(2), "there is no quality 0: {ran:?}");
}

/// A frame that tells its place, in a burst: the picture keeps it only when asked.
#[test]
fn the_place_is_left_out_unless_it_is_asked_for() {
    let folder = new_folder();
    let frames = folder.path().join("frames");
    fs::create_dir(&frames).expect("a new folder");
    for number in 1..=3 {
        fs::copy(light(number), frames.join(format!("{number}.dng"))).expect("room for a small frame");
    }
    let tagged = std::process::Command::new("exiftool")
        .args([
            "-q",
            "-overwrite_original",
            "-GPSLatitude=46.5",
            "-GPSLatitudeRef=N",
            "-GPSLongitude=8.25",
            "-GPSLongitudeRef=E",
        ])
        .arg(&frames)
        .status();
    if !tagged.is_ok_and(|tagged| tagged.success()) {
        assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "exiftool is required and not installed");
        return crate::support::skipped::<()>("exiftool is not installed").unwrap_or_default();
    }
    for (name, words, tells) in [("silent.jpg", &[][..], false), ("telling.jpg", &["--keep-place"][..], true)] {
        let output = folder.path().join(name);
        let mut command = crate::support::program();
        command.arg("stack").arg(&frames).args(["--mask", "none", "-o"]).arg(&output).args(words);
        assert!(command.output().expect("the program was built").status.success(), "{name}");
        let read = std::process::Command::new("exiftool").args(["-n", "-s3", "-GPSLatitude"]).arg(&output).output();
        let read = String::from_utf8_lossy(&read.expect("it ran before").stdout).trim().to_owned();
        assert_eq!(read == "46.5", tells, "{name}: {read:?}");
        assert_eq!(read.is_empty(), !tells, "{name}: {read:?}");
    }
}
