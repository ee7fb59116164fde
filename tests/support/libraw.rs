//! What LibRaw says of a raw, compared with what was read of it.

use nightsheaf::pixels::Orientation;
use nightsheaf::raw::RawFrame;
use serde_json::Value;

/// LibRaw numbers turns as its flags say: 3 half, 5 to the left, 6 to the right.
pub(crate) fn orientation_of(flip: &Value) -> Orientation {
    match flip.as_u64() {
        Some(0) => Orientation::Normal,
        Some(3) => Orientation::Rotate180,
        Some(5) => Orientation::Rotate270,
        Some(6) => Orientation::Rotate90,
        other => panic!("the reference has no turn {other:?}"),
    }
}

/// LibRaw's matrix undoes ours up to a scale of each camera channel: sRGB to XYZ to camera and back.
///
/// Tolerance 2e-3: the sRGB matrices of both sides are rounded to 3 to 7 digits.
pub(crate) fn check_color_matrix(frame: &RawFrame, srgb_from_camera: &Value, file: &str) {
    let xyz_from_srgb =
        [[0.412_456, 0.357_576, 0.180_437], [0.212_673, 0.715_152, 0.072_175], [0.019_334, 0.119_192, 0.950_304]];
    for row in 0..3 {
        let camera: [f64; 3] = std::array::from_fn(|column| {
            (0..3).map(|k| frame.color.camera_from_xyz[row][k] * xyz_from_srgb[k][column]).sum()
        });
        let sum: f64 = camera.iter().sum();
        for column in 0..3 {
            let product: f64 =
                (0..3).map(|k| camera[k] / sum * srgb_from_camera[k][column].as_f64().expect("a number")).sum();
            let expected = if row == column { 1.0 } else { 0.0 };
            assert!((product - expected).abs() < 2e-3, "{file}: element ({row}, {column}) of the product is {product}");
        }
    }
}
