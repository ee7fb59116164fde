//! Points, sizes, rectangles, and the transforms that carry a point of one frame to another.
//!
//! A transform is named `target_from_source`, so neighbours cancel when they are composed.

use super::camera::CameraTransform;

/// A position in pixels; the centre of the first pixel is the origin, y grows down.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Point {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
}

impl Point {
    /// Distance in pixels.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// Width by height in pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub struct Size {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Size {
    /// Number of pixels.
    #[must_use]
    pub fn area(self) -> usize {
        self.width * self.height
    }

    /// The point in the middle of the frame.
    #[must_use]
    pub fn center(self) -> Point {
        Point { x: (self.width as f64 - 1.0) / 2.0, y: (self.height as f64 - 1.0) / 2.0 }
    }
}

impl std::fmt::Display for Size {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "{} × {}", self.width, self.height)
    }
}

/// A block of whole pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rect {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns by rows.
    pub size: Size,
}

/// A projective map of the plane: column vectors, row-major 3 × 3 matrix.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Homography(pub [[f64; 3]; 3]);

impl Homography {
    /// The map that moves nothing.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]);

    /// The image of a point; `None` where it lies on or behind the horizon of the map.
    #[must_use]
    #[inline]
    pub fn apply(&self, point: Point) -> Option<Point> {
        let [a, b, c] = &self.0;
        let w = c[0] * point.x + c[1] * point.y + c[2];
        (w > 1e-12).then(|| Point {
            x: (a[0] * point.x + a[1] * point.y + a[2]) / w,
            y: (b[0] * point.x + b[1] * point.y + b[2]) / w,
        })
    }

    /// The map back, scaled so that its last element is 1; `None` for a map that flattens the plane.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        let m = nalgebra::Matrix3::from_fn(|row, column| self.0[row][column]);
        let inverse = m.try_inverse()?;
        let last = inverse[(2, 2)];
        (last.abs() > 1e-12)
            .then(|| Self(std::array::from_fn(|row| std::array::from_fn(|column| inverse[(row, column)] / last))))
    }
}

/// How a point of one frame is found in another.
///
/// The camera model (lens and rotation of the sky) is the rule; a homography the fallback.
#[derive(Clone, Debug, PartialEq)]
pub enum Transform {
    /// The frames coincide.
    Identity,
    /// A projective map.
    Homography(Homography),
    /// One lens, directions turned; boxed because it is much larger than the others.
    Camera(Box<CameraTransform>),
}

impl Transform {
    /// The image of a point; `None` where the model has none (behind the camera, outside the lens).
    #[must_use]
    pub fn apply(&self, point: Point) -> Option<Point> {
        match self {
            Self::Identity => Some(point),
            Self::Homography(homography) => homography.apply(point),
            Self::Camera(camera) => camera.apply(point),
        }
    }

    /// The map back; `None` for a map that has no inverse.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        match self {
            Self::Identity => Some(Self::Identity),
            Self::Homography(homography) => homography.inverse().map(Self::Homography),
            Self::Camera(camera) => Some(Self::Camera(Box::new(camera.inverse()))),
        }
    }

    /// The maps to the red, green and blue picture of the target, which a lens with lateral colour scales
    /// apart; `None` where one map holds for all.
    ///
    /// Only the camera model knows lateral colour; the others treat all channels alike.
    #[must_use]
    pub fn to_channels(&self) -> Option<[Self; 3]> {
        let Self::Camera(camera) = self else { return None };
        let scale = camera.lens().channel_scale;
        (scale != [1.0; 3]).then(|| {
            std::array::from_fn(|channel| {
                let camera = camera.to_channel(channel);
                // Copies bit for bit, where the camera model would round.
                if camera.is_identity() { Self::Identity } else { Self::Camera(Box::new(camera)) }
            })
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_homography_and_its_inverse_cancel() {
        let map = Homography([[1.01, -0.02, 14.0], [0.03, 0.98, -7.0], [1e-5, -2e-5, 1.0]]);
        let point = Point { x: 321.0, y: 123.0 };
        let there = map.apply(point).expect("in front of the horizon");
        let back = map.inverse().expect("not flat").apply(there).expect("in front of the horizon");
        assert!(back.distance(point) < 1e-9, "came back to {back:?}");
    }
}
