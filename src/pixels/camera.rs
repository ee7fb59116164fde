//! The camera as a map between directions and pixels, and the turning sky seen through it.
//!
//! Camera axes: x to the right of the picture, y down, z forward; directions are unit vectors.
//! A direction at the angle θ from the axis lands at the ideal radius ρ(θ) (in focal lengths: tan θ for a
//! rectilinear lens, θ for an equidistant fisheye), the lens moves it to ρ (1 + k₁ρ² + k₂ρ⁴ + k₃ρ⁶)
//! (Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32, 1966, radial terms), and
//! focal length and principal point turn that into pixels.
//! Two frames from a fixed tripod are related by a rotation of the directions, above the air: refraction
//! is taken off before the rotation and put on after it.

use nalgebra::{Rotation3, Vector3};
use serde::{Deserialize, Serialize};

use super::geometry::Point;
use super::refraction::Refraction;

/// How an ideal lens spreads angles over the picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Projection {
    /// Straight lines stay straight: ρ = tan θ.
    #[default]
    Rectilinear,
    /// ρ = θ.
    EquidistantFisheye,
    /// ρ = 2 sin(θ/2).
    EquisolidFisheye,
    /// ρ = 2 tan(θ/2).
    StereographicFisheye,
}

impl Projection {
    /// Ideal radius, in focal lengths, of a direction at `angle` from the axis.
    #[must_use]
    #[inline]
    pub fn radius(self, angle: f64) -> f64 {
        match self {
            Self::Rectilinear => angle.tan(),
            Self::EquidistantFisheye => angle,
            Self::EquisolidFisheye => 2.0 * (0.5 * angle).sin(),
            Self::StereographicFisheye => 2.0 * (0.5 * angle).tan(),
        }
    }

    /// Derivative of the ideal radius by the angle.
    #[must_use]
    #[inline]
    pub fn slope(self, angle: f64) -> f64 {
        match self {
            Self::Rectilinear => angle.cos().powi(-2),
            Self::EquidistantFisheye => 1.0,
            Self::EquisolidFisheye => (0.5 * angle).cos(),
            Self::StereographicFisheye => (0.5 * angle).cos().powi(-2),
        }
    }

    /// Angle from the axis that lands at the ideal radius, which is at most [`Self::largest_radius`].
    #[must_use]
    #[inline]
    fn angle(self, radius: f64) -> f64 {
        match self {
            Self::Rectilinear => radius.atan(),
            Self::EquidistantFisheye => radius,
            Self::EquisolidFisheye => 2.0 * (0.5 * radius).asin(),
            Self::StereographicFisheye => 2.0 * (0.5 * radius).atan(),
        }
    }

    /// The largest ideal radius that is looked at: 85° for a rectilinear lens, 120° for a fisheye.
    #[must_use]
    fn largest_radius(self) -> f64 {
        match self {
            Self::Rectilinear => self.radius(85_f64.to_radians()),
            _ => self.radius(120_f64.to_radians()),
        }
    }
}

/// A lens on a sensor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lens {
    /// How angles spread over the picture before distortion.
    pub projection: Projection,
    /// Focal length in pixels.
    pub focal_px: f64,
    /// Where the axis meets the picture.
    pub principal: Point,
    /// k₁, k₂, k₃ of the radial distortion, in powers of the ideal radius in focal lengths.
    pub radial: [f64; 3],
    /// Radial scale of the red, green and blue picture about the principal point; green is 1.0.
    pub channel_scale: [f64; 3],
}

impl Lens {
    /// A lens without distortion.
    #[must_use]
    pub fn ideal(projection: Projection, focal_px: f64, principal: Point) -> Self {
        Self { projection, focal_px, principal, radial: [0.0; 3], channel_scale: [1.0; 3] }
    }

    /// The part of the picture in which this lens is one to one.
    #[must_use]
    pub fn reach(&self) -> Reach {
        let largest = self.projection.largest_radius();
        let mut ideal = 0.0;
        // Beyond the fold of the distortion polynomial two directions would share a pixel. A tenth of
        // the slope in the middle is kept as a margin, so that the way back stays well conditioned.
        let grows = |radius: f64| self.distortion_slope(radius) > 0.1;
        let step = largest / 256.0;
        while ideal + step <= largest && grows(ideal + step) {
            ideal += step;
        }
        Reach { ideal, distorted: ideal * self.distortion(ideal) }
    }

    /// The direction seen at a point; `None` outside the reach.
    #[must_use]
    #[inline]
    pub fn ray(&self, reach: Reach, point: Point) -> Option<Vector3<f64>> {
        let (x, y) = ((point.x - self.principal.x) / self.focal_px, (point.y - self.principal.y) / self.focal_px);
        let distorted = x.hypot(y);
        // Also no for what is not a number.
        (distorted <= reach.distorted).then_some(())?;
        let ideal = self.undistorted(reach, distorted);
        let (sine, cosine) = self.projection.angle(ideal).sin_cos();
        let scale = if distorted > 0.0 { sine / distorted } else { 0.0 };
        Some(Vector3::new(x * scale, y * scale, cosine))
    }

    /// The point where a direction (any length) is seen; `None` outside the reach.
    #[must_use]
    #[inline]
    pub fn point(&self, reach: Reach, ray: &Vector3<f64>) -> Option<Point> {
        let sideways = ray.x.hypot(ray.y);
        let ideal = match self.projection {
            Projection::Rectilinear if ray.z > 0.0 => sideways / ray.z,
            Projection::Rectilinear => return None,
            fisheye => fisheye.radius(sideways.atan2(ray.z)),
        };
        (ideal <= reach.ideal).then_some(())?;
        let scale = if sideways > 0.0 { ideal / sideways } else { 0.0 };
        let scale = self.focal_px * scale * self.distortion(ideal);
        Some(Point { x: self.principal.x + scale * ray.x, y: self.principal.y + scale * ray.y })
    }

    /// Distorted over ideal radius.
    #[must_use]
    #[inline]
    pub fn distortion(&self, ideal: f64) -> f64 {
        let [k1, k2, k3] = self.radial;
        let square = ideal * ideal;
        1.0 + square * (k1 + square * (k2 + square * k3))
    }

    /// Derivative of the distorted radius by the ideal radius.
    #[must_use]
    #[inline]
    pub fn distortion_slope(&self, ideal: f64) -> f64 {
        let [k1, k2, k3] = self.radial;
        let square = ideal * ideal;
        1.0 + square * (3.0 * k1 + square * (5.0 * k2 + square * 7.0 * k3))
    }

    /// The ideal radius whose distorted radius is given: Newton's method inside a shrinking bracket.
    fn undistorted(&self, reach: Reach, distorted: f64) -> f64 {
        let (mut low, mut high) = (0.0, reach.ideal);
        let mut ideal = distorted.min(high);
        for _ in 0..60 {
            let error = ideal * self.distortion(ideal) - distorted;
            if error.abs() <= 1e-15 * (1.0 + distorted) {
                break;
            }
            if error > 0.0 {
                high = ideal;
            } else {
                low = ideal;
            }
            let next = ideal - error / self.distortion_slope(ideal);
            ideal = if next > low && next < high { next } else { 0.5 * (low + high) };
        }
        ideal
    }
}

/// The largest radii, ideal and distorted, in focal lengths, up to which a lens is one to one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    ideal: f64,
    distorted: f64,
}

/// A point of one frame seen in another, through the lens, the air and the turning sky.
#[derive(Clone, Debug, PartialEq)]
pub struct CameraTransform {
    lens: Lens,
    reach: Reach,
    target_from_source: Rotation3<f64>,
    refraction: Option<Refraction>,
    source_scale: f64,
    target_scale: f64,
}

impl CameraTransform {
    /// Frames of one lens whose directions are related by a rotation; green to green.
    #[must_use]
    pub fn new(lens: Lens, target_from_source: Rotation3<f64>, refraction: Option<Refraction>) -> Self {
        Self { lens, reach: lens.reach(), target_from_source, refraction, source_scale: 1.0, target_scale: 1.0 }
    }

    /// The lens of both frames.
    #[must_use]
    pub fn lens(&self) -> &Lens {
        &self.lens
    }

    /// Directions of the target frame from those of the source frame, above the air.
    #[must_use]
    pub fn rotation(&self) -> &Rotation3<f64> {
        &self.target_from_source
    }

    /// The air, where it counts.
    #[must_use]
    pub fn refraction(&self) -> Option<&Refraction> {
        self.refraction.as_ref()
    }

    /// The image of a point; `None` behind the camera or outside the lens.
    #[must_use]
    pub fn apply(&self, point: Point) -> Option<Point> {
        let green = scaled(point, self.lens.principal, 1.0 / self.source_scale);
        let seen = self.lens.ray(self.reach, green)?;
        let above = self.refraction.as_ref().map_or(seen, |air| air.true_from_apparent(&seen));
        let turned = self.target_from_source * above;
        let seen = self.refraction.as_ref().map_or(turned, |air| air.apparent_from_true(&turned));
        let green = self.lens.point(self.reach, &seen)?;
        Some(scaled(green, self.lens.principal, self.target_scale))
    }

    /// The map back.
    #[must_use]
    pub fn inverse(&self) -> Self {
        Self {
            target_from_source: self.target_from_source.inverse(),
            source_scale: self.target_scale,
            target_scale: self.source_scale,
            ..self.clone()
        }
    }

    /// From the source as green shows it to colour channel `channel` (red, green, blue) of the target.
    #[must_use]
    pub fn to_channel(&self, channel: usize) -> Self {
        Self { target_scale: self.lens.channel_scale[channel], ..self.clone() }
    }

    /// Whether every point stays where it is.
    #[must_use]
    pub fn is_identity(&self) -> bool {
        self.source_scale == self.target_scale && self.target_from_source == Rotation3::identity()
    }
}

fn scaled(point: Point, about: Point, scale: f64) -> Point {
    Point { x: about.x + scale * (point.x - about.x), y: about.y + scale * (point.y - about.y) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wide(projection: Projection, radial: [f64; 3]) -> Lens {
        Lens { radial, ..Lens::ideal(projection, 3076.0, Point { x: 2990.0, y: 2011.0 }) }
    }

    fn check_round_trip(lens: Lens, refraction: Option<Refraction>) {
        let rotation = Rotation3::new(Vector3::new(0.02, -0.05, 0.11));
        let there = CameraTransform::new(lens, rotation, refraction).to_channel(2);
        let back = there.inverse();
        let mut n_inside = 0;
        for y in (0..4000).step_by(500) {
            for x in (0..6000).step_by(500) {
                let point = Point { x: f64::from(x), y: f64::from(y) };
                let Some(moved) = there.apply(point) else { continue };
                let error = back.apply(moved).expect("what came out goes back in").distance(point);
                assert!(error < 1e-7, "{lens:?} brings {point:?} back {error} px away");
                n_inside += 1;
            }
        }
        assert!(n_inside > 80, "most of the frame is inside the lens, not only {n_inside} of 96 points");
    }

    #[test]
    fn a_camera_transform_and_its_inverse_cancel() {
        let refraction = Refraction::new(Vector3::new(0.1, -0.9, 0.4));
        for projection in [
            Projection::Rectilinear,
            Projection::EquidistantFisheye,
            Projection::EquisolidFisheye,
            Projection::StereographicFisheye,
        ] {
            for radial in [[0.0; 3], [-0.10, 0.02, -0.002], [0.05, -0.004, 0.0]] {
                let lens = Lens { channel_scale: [1.0003, 1.0, 0.9996], ..wide(projection, radial) };
                check_round_trip(lens, None);
                check_round_trip(lens, Some(refraction));
            }
        }
    }

    #[test]
    fn beyond_the_fold_of_the_distortion_there_is_no_image() {
        let lens = wide(Projection::Rectilinear, [-0.2, 0.0, 0.0]);
        // The slope 1 - 0.6 ρ² falls to zero at ρ = 1.29.
        assert_eq!(lens.point(lens.reach(), &Vector3::new(1.4, 0.0, 1.0)), None, "past the fold");
        assert!(lens.point(lens.reach(), &Vector3::new(1.1, 0.0, 1.0)).is_some(), "before the fold");
        assert_eq!(lens.point(lens.reach(), &Vector3::new(0.1, 0.0, -1.0)), None, "behind the camera");
        assert_eq!(lens.ray(lens.reach(), Point { x: f64::NAN, y: 0.0 }), None, "not a point");
    }

    #[test]
    fn red_is_taken_from_where_the_lens_put_it() {
        let mut lens = wide(Projection::Rectilinear, [0.0; 3]);
        lens.channel_scale[0] = 1.001;
        let still = CameraTransform::new(lens, Rotation3::identity(), None);
        let light_from_reference = still.to_channel(0);
        let green = Point { x: lens.principal.x + 1000.0, y: lens.principal.y };
        let red = light_from_reference.apply(green).expect("inside the lens");
        assert!((red.x - green.x - 1.0).abs() < 1e-9, "1 px further out, not {} px", red.x - green.x);
    }
}
