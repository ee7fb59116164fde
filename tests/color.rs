//! Color arithmetic against the standards' numbers, through values made by another library
//! (tests/reference/color), and the behavior of a whole development on pixels with known answers.

use nalgebra::{Matrix3, Vector3};
use nightsheaf::develop::color::{
    BLACK_BODY_3200_K, D55, D65, PCS_WHITE, adapt_white, output_from_balanced, xyz_from_rgb,
};
use nightsheaf::develop::transfer::{decode, encode};
use nightsheaf::develop::{DevelopSettings, Development, GradientRemoval, OutputSpace, Stretch, WhiteBalance, develop};
use nightsheaf::foreground::ForegroundMask;
use nightsheaf::pixels::{EncodedImage, LinearImage, Plane, Primaries, Size, Transfer};
use nightsheaf::raw::CameraColor;
use serde_json::Value;

fn reference() -> Value {
    serde_json::from_str(include_str!("reference/color/color.json")).expect("values written as JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    match value {
        Value::Array(values) => values.iter().flat_map(numbers).collect(),
        number => vec![number.as_f64().expect("a number")],
    }
}

fn check_matrix(found: &Matrix3<f64>, expected: &Value, tolerance: f64, what: &str) {
    let expected = Matrix3::from_row_slice(&numbers(expected));
    assert!((found - expected).amax() < tolerance, "{what}: {found} instead of {expected}");
}

#[test]
fn primaries_give_the_matrices_of_the_standards() {
    let reference = reference();
    check_matrix(&xyz_from_rgb(Primaries::Srgb), &reference["xyz_from_srgb"], 1e-12, "sRGB");
    check_matrix(&xyz_from_rgb(Primaries::Rec2020), &reference["xyz_from_rec2020"], 1e-12, "Rec. 2020");
    // IEC 61966-2-1 prints four decimals.
    let printed = Matrix3::new(0.4124, 0.3576, 0.1805, 0.2126, 0.7152, 0.0722, 0.0193, 0.1192, 0.9505);
    assert!((xyz_from_rgb(Primaries::Srgb) - printed).amax() < 6e-5, "the matrix printed in IEC 61966-2-1");
    // ITU-R BT.2020 table 4: Y = 0.2627 R + 0.6780 G + 0.0593 B.
    let luminance = xyz_from_rgb(Primaries::Rec2020).row(1).transpose();
    assert!((luminance - Vector3::new(0.2627, 0.6780, 0.0593)).amax() < 6e-5, "the luminance of ITU-R BT.2020");
}

#[test]
fn whites_and_their_adaptation_agree_with_the_reference() {
    let reference = reference();
    let white = |name: &str| Vector3::from_column_slice(&numbers(&reference[name]));
    let to_d50 = adapt_white(&D65.xyz(), &PCS_WHITE.into()).expect("D65 is a light");
    check_matrix(&to_d50, &reference["bradford_d50_from_d65"], 1e-4, "D65 to D50");
    let from_lamp = adapt_white(&white("illuminant_a"), &D65.xyz()).expect("A is a light");
    check_matrix(&from_lamp, &reference["bradford_d65_from_a"], 1e-4, "A to D65");
    for (found, name) in [(D55, "d55"), (BLACK_BODY_3200_K, "black_body_3200")] {
        let expected = numbers(&reference[name]);
        assert!((found.0 - expected[0]).abs() < 1e-5 && (found.1 - expected[1]).abs() < 1e-5, "{name}: {found:?}");
    }
    assert!(adapt_white(&Vector3::new(0.1, 1.0, -0.5), &D65.xyz()).is_none(), "no light has this color");
}

#[test]
fn transfer_functions_agree_with_the_reference() {
    let reference = reference();
    let lights = numbers(&reference["lights"]);
    for (transfer, name, tolerance) in [(Transfer::Srgb, "srgb", 1e-7), (Transfer::Rec2020, "rec2020", 2e-5)] {
        for (&light, expected) in lights.iter().zip(numbers(&reference[name])) {
            let found = encode(transfer, light);
            assert!((found - expected).abs() < tolerance, "{name} of {light}: {found} instead of {expected}");
        }
    }
}

/// A camera whose channels see a mixture of the colors of sRGB, under a reddish light. Invented.
fn camera() -> CameraColor {
    let mixture = Matrix3::new(0.75, 0.20, 0.05, 0.20, 0.70, 0.10, 0.05, 0.25, 0.70);
    let gains = Matrix3::from_diagonal(&Vector3::new(0.55, 1.0, 0.65));
    let rgb_from_xyz = xyz_from_rgb(Primaries::Srgb).try_inverse().expect("standard primaries");
    let camera_from_xyz = gains * mixture * rgb_from_xyz;
    let neutral = camera_from_xyz * D65.xyz();
    CameraColor {
        as_shot_neutral: [neutral[0] / neutral[1], 1.0, neutral[2] / neutral[1]],
        camera_from_xyz: std::array::from_fn(|row| std::array::from_fn(|column| camera_from_xyz[(row, column)])),
    }
}

/// Camera RGB of linear sRGB.
fn seen_by_camera(rgb: [f64; 3]) -> [f32; 3] {
    let color = camera();
    let camera_from_xyz = Matrix3::from_fn(|row, column| color.camera_from_xyz[row][column]);
    let seen = camera_from_xyz * xyz_from_rgb(Primaries::Srgb) * Vector3::from(rgb);
    [seen[0] as f32, seen[1] as f32, seen[2] as f32]
}

/// A sky of one level with chosen pixels in its first row.
fn sky_with(sky: [f32; 3], pixels: &[[f32; 3]]) -> LinearImage {
    let size = Size { width: 64, height: 48 };
    let plane = |channel: usize| {
        Plane::from_fn(size, |x, y| pixels.get(x).filter(|_| y == 0).map_or(sky[channel], |pixel| pixel[channel]))
    };
    LinearImage { planes: [plane(0), plane(1), plane(2)] }
}

fn developed(image: &LinearImage, settings: &DevelopSettings) -> EncodedImage {
    develop(image, &Development::prepare(image, &camera(), None, settings))
}

fn pixel(image: &EncodedImage, x: usize, y: usize) -> [u16; 3] {
    [0, 1, 2].map(|channel: usize| image.planes[channel].at(x, y))
}

fn spread(pixel: [u16; 3]) -> u16 {
    let most = pixel.into_iter().fold(0, u16::max);
    most - pixel.into_iter().fold(u16::MAX, u16::min)
}

#[test]
fn what_the_camera_calls_neutral_is_grey_in_every_space() {
    for space in [OutputSpace::Srgb, OutputSpace::Rec2020] {
        let settings = DevelopSettings { space, ..DevelopSettings::default() };
        let greys =
            [0.002, 0.02, 0.1, 0.3].map(|level| camera().as_shot_neutral.map(|channel| (channel * level) as f32));
        let image = developed(&sky_with(seen_by_camera([0.01, 0.01, 0.012]), &greys), &settings);
        for x in 0..greys.len() {
            let found = pixel(&image, x, 0);
            assert!(spread(found) <= 2, "grey {x} in {space:?} is {found:?}");
        }
        let brightness: Vec<u16> = (0..greys.len()).map(|x| pixel(&image, x, 0)[1]).collect();
        assert!(brightness.windows(2).all(|pair| pair[0] < pair[1]), "brighter greys are brighter: {brightness:?}");
    }
}

#[test]
fn without_a_stretch_colors_come_out_as_they_went_in() {
    // A black point of nothing, no lift: only balance, matrix and transfer function are left.
    let settings = DevelopSettings { black_offset: -1.0, stretch: Stretch::Stops(0.0), ..DevelopSettings::default() };
    let truth = [[0.2, 0.1, 0.05], [0.02, 0.08, 0.1], [0.3, 0.3, 0.1]];
    let image = sky_with(seen_by_camera([0.01; 3]), &truth.map(seen_by_camera));
    let found = developed(&image, &settings);
    // The white level of the camera's weakest channel is white; this is its light.
    let white = {
        let neutral = camera().as_shot_neutral;
        let most = neutral.into_iter().fold(f64::MIN, f64::max);
        f64::from(seen_by_camera([1.0; 3])[1]) * most / neutral[1]
    };
    for (x, rgb) in truth.into_iter().enumerate() {
        for (channel, light) in rgb.into_iter().enumerate() {
            let code = f64::from(pixel(&found, x, 0)[channel]);
            let expected = 65535.0 * encode(Transfer::Srgb, light * white);
            assert!((code - expected).abs() < 3.0, "channel {channel} of {rgb:?}: {code} instead of {expected}");
        }
    }
}

#[test]
fn the_stretch_keeps_the_ratios_of_star_colors() {
    let stars = [[0.06, 0.04, 0.02], [0.02, 0.03, 0.05], [0.006, 0.004, 0.002]];
    let image = sky_with(seen_by_camera([0.002; 3]), &stars.map(seen_by_camera));
    let found = developed(&image, &DevelopSettings::default());
    for (x, star) in stars.into_iter().enumerate() {
        let light = pixel(&found, x, 0).map(|code| decode(Transfer::Srgb, f64::from(code) / 65535.0));
        assert!(light[1] > 2.0 * star[1], "star {x} is lifted: {light:?}");
        for channel in [0, 2] {
            let ratio = (light[channel] / light[1]) / (star[channel] / star[1]);
            assert!((ratio - 1.0).abs() < 0.005, "channel {channel} of star {x} is off by {ratio}");
        }
    }
}

#[test]
fn a_blown_star_is_white_and_not_magenta() {
    // Green is blown first; red and blue stop short, and the balance would lift them above green.
    let cores = [[0.8, 1.0, 0.9], [1.0, 1.0, 1.0], [0.5, 1.0, 0.5], [1.0, 0.7, 0.4]];
    let found = developed(&sky_with([0.004, 0.008, 0.005], &cores), &DevelopSettings::default());
    for (x, core) in cores.into_iter().enumerate() {
        let pixel = pixel(&found, x, 0);
        assert!(spread(pixel) <= 2, "the core {core:?} is shown as {pixel:?}");
        assert!(pixel[1] > 55_000, "the core {core:?} is bright: {pixel:?}");
    }
}

#[test]
fn the_sky_lands_on_the_chosen_grey_at_any_exposure_of_the_burst() {
    for level in [0.0005_f64, 0.003, 0.01] {
        let image = sky_with(seen_by_camera([level; 3]), &[]);
        let settings = DevelopSettings { stretch: Stretch::Auto { sky_level: 0.12 }, ..DevelopSettings::default() };
        let code = f64::from(pixel(&developed(&image, &settings), 30, 30)[1]) / 65535.0;
        assert!((code - 0.12).abs() < 0.001, "a sky of {level} is shown at {code}");
    }
}

#[test]
fn the_sky_itself_can_be_the_neutral() {
    let settings = DevelopSettings { white_balance: WhiteBalance::FromSky, ..DevelopSettings::default() };
    let image = sky_with([0.012, 0.015, 0.006], &[]);
    let found = pixel(&developed(&image, &settings), 30, 30);
    assert!(spread(found) <= 2, "a brownish sky became {found:?}");
}

#[test]
fn an_impossible_neutral_still_gives_grey_for_equal_channels() {
    let matrix = output_from_balanced(&camera(), [40.0, 1.0, 0.03], Primaries::Srgb);
    for row in matrix {
        let sum: f32 = row.iter().sum();
        assert!((sum - 1.0).abs() < 1e-3, "a row of {matrix:?} sums to {sum}");
    }
    let broken = CameraColor { camera_from_xyz: [[f64::NAN; 3]; 3], as_shot_neutral: [1.0; 3] };
    assert!(output_from_balanced(&broken, [1.0; 3], Primaries::Srgb).as_flattened().iter().all(|x| x.is_finite()));
}

#[test]
fn glow_is_taken_from_the_sky_and_not_from_the_land() {
    let size = Size { width: 480, height: 320 };
    let is_land = |y: usize| y >= 240;
    let light = |x: usize, y: usize| if is_land(y) { 0.004 } else { 0.01 + 0.00002 * x as f32 };
    let image = LinearImage { planes: std::array::from_fn(|_| Plane::from_fn(size, light)) };
    let mask = ForegroundMask(Plane::from_fn(size, |_, y| if is_land(y) { 1.0 } else { 0.0 }));
    let color = CameraColor::SRGB;
    let settings = DevelopSettings { gradient: GradientRemoval::On { strength: 1.0 }, ..DevelopSettings::default() };
    let development = Development::prepare(&image, &color, Some(&mask), &settings);
    let found = develop(&image, &development);
    let (left, right) = (pixel(&found, 5, 100)[1], pixel(&found, 475, 100)[1]);
    assert!(left.abs_diff(right) < 40, "the sky is level: {left} and {right}");
    assert_eq!(pixel(&found, 5, 300), pixel(&found, 475, 300), "the land has no gradient to begin with and gets none");

    let surface = development.gradient().expect("a fitted surface").picture(Size { width: 24, height: 16 });
    let across = surface.planes[1].at(23, 4) - surface.planes[1].at(0, 4);
    assert!((across - 0.00002 * 460.0).abs() < 2e-4, "the surface that is shown rises by {across}");
    let half = DevelopSettings { gradient: GradientRemoval::On { strength: 0.5 }, ..DevelopSettings::default() };
    let halved = Development::prepare(&image, &color, Some(&mask), &half);
    let ratio = halved.gradient().expect("a surface").picture(size).planes[1].at(470, 10)
        / development.gradient().expect("a surface").picture(size).planes[1].at(470, 10);
    assert!((ratio - 0.5).abs() < 1e-3, "half the strength takes {ratio} of the light");
}

#[test]
fn the_same_picture_on_any_number_of_threads() {
    let size = Size { width: 333, height: 222 };
    let light = |x: usize, y: usize| 0.002 + ((x * 7919 + y * 104_729) % 1000) as f32 * 1e-5;
    let image = LinearImage { planes: std::array::from_fn(|_| Plane::from_fn(size, light)) };
    let settings = DevelopSettings { gradient: GradientRemoval::On { strength: 1.0 }, ..DevelopSettings::default() };
    let with_threads = |n: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(n).build().expect("a pool");
        pool.install(|| developed(&image, &settings))
    };
    let one = with_threads(1);
    assert_eq!(one, with_threads(2), "two threads");
    assert_eq!(one, with_threads(7), "seven threads");
}
