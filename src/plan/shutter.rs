//! How long the shutter may stay open before stars become lines.
//!
//! Three opinions side by side: the rules of the trade (common practice, no source), the formula from
//! aperture and pixel pitch, and the trail itself, exact for a rectilinear lens without distortion.
//! A star moves at the sidereal rate around the celestial pole; its image is the pinhole projection
//! x = F s_x / s_z of the turning direction s, so its speed on the sensor is that projection's
//! derivative. On the axis this is 15.041 t cos δ f / (206.265 p) pixels in t seconds, with f in mm and
//! p in µm; off the axis the projection stretches it, up to sec²θ along the radius.

use super::coordinates::Place;
use super::request::PlanError;

/// The sky's turning, arcseconds a second of time.
pub const SIDEREAL_ARCSEC_PER_SEC: f64 = 15.041;

/// Arcseconds in a radian.
const ARCSEC_PER_RADIAN: f64 = 206_264.806;

/// Width of the film-sized sensor that the rules of the trade call full frame.
const FULL_FRAME_WIDTH_MM: f64 = 36.0;

/// From this width on a sensor counts as full frame.
const FULL_FRAME_FROM_MM: f64 = 30.0;

/// From this width on a smaller sensor counts as crop.
const CROP_FROM_MM: f64 = 20.0;

/// A trail slower than this does not limit anything: at the pole it would take a day for a pixel.
const STANDSTILL_PX_PER_SEC: f64 = 1e-5;

/// The lens and the sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Camera {
    /// Focal length, the real one.
    pub focal_mm: f64,
    /// The f-number.
    pub aperture: f64,
    /// Long side of the sensor.
    pub sensor_width_mm: f64,
    /// Short side of the sensor; two thirds of the long one when not given.
    pub sensor_height_mm: Option<f64>,
    /// Pixels along the long side.
    pub width_px: usize,
}

impl Default for Camera {
    /// A fast wide lens on a 24-megapixel crop sensor.
    fn default() -> Self {
        Self { focal_mm: 12.0, aperture: 2.0, sensor_width_mm: 23.5, sensor_height_mm: None, width_px: 6000 }
    }
}

impl Camera {
    /// Refuses what no camera has.
    pub(super) fn check(&self) -> Result<(), PlanError> {
        let within = |value: f64, low: f64, high: f64| (low..=high).contains(&value);
        if !within(self.focal_mm, 1.0, 2000.0) {
            return Err(PlanError::Focal { found: self.focal_mm });
        }
        if !within(self.aperture, 0.5, 64.0) {
            return Err(PlanError::Aperture { found: self.aperture });
        }
        if !within(self.sensor_width_mm, 2.0, 100.0) {
            return Err(PlanError::SensorWidth { found: self.sensor_width_mm });
        }
        if !within(self.height_mm(), 1.0, 100.0) {
            return Err(PlanError::SensorHeight { found: self.height_mm() });
        }
        if !(100..=100_000).contains(&self.width_px) {
            return Err(PlanError::Pixels { found: self.width_px });
        }
        Ok(())
    }

    /// Distance between pixel centers.
    #[must_use]
    pub fn pixel_pitch_um(&self) -> f64 {
        self.sensor_width_mm * 1000.0 / self.width_px as f64
    }

    /// Short side of the sensor.
    #[must_use]
    pub fn height_mm(&self) -> f64 {
        self.sensor_height_mm.unwrap_or(self.sensor_width_mm * 2.0 / 3.0)
    }

    /// Pixels along the short side, to the nearest.
    #[must_use]
    pub fn height_px(&self) -> f64 {
        (self.height_mm() / self.sensor_width_mm * self.width_px as f64).round()
    }

    /// Focal length in pixels.
    #[must_use]
    pub fn focal_px(&self) -> f64 {
        self.focal_mm * 1000.0 / self.pixel_pitch_um()
    }
}

/// Where the camera looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Aim {
    /// The middle of the frame has this declination; how the camera is turned around it is not known.
    Declination(f64),
    /// A level camera, long side along the horizon.
    Horizon {
        /// From north through east.
        azimuth_deg: f64,
        /// Of the middle of the frame.
        altitude_deg: f64,
    },
}

/// The trail that is accepted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WantedTrail {
    /// As pixels.
    Px(f64),
    /// As a circle of confusion on the sensor, in µm.
    CircleUm(f64),
}

impl WantedTrail {
    /// In pixels of the camera.
    #[must_use]
    pub fn px(self, camera: &Camera) -> f64 {
        match self {
            Self::Px(px) => px,
            Self::CircleUm(um) => um / camera.pixel_pitch_um(),
        }
    }
}

/// The three opinions on the exposure time.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ShutterLimits {
    /// The rule of the trade for this sensor (common practice, no source).
    pub shutter_rule_secs: f64,
    /// What the rule divides by the focal length: 500 for full frame, 300 for crop.
    pub shutter_rule_numerator: f64,
    /// The formula from aperture and pixel pitch, for stars as sharp as it allows.
    pub aperture_pitch_secs: f64,
    /// In the middle of the frame.
    pub trail_px_per_sec: f64,
    /// At the corner where stars run fastest.
    pub trail_px_per_sec_corner: f64,
    /// The trail that is accepted.
    pub wanted_trail_px: f64,
    /// Longest exposure for that trail in the middle; `None` where the stars stand still.
    pub longest_shutter_secs: Option<f64>,
    /// Longest exposure for that trail at the fastest corner.
    pub longest_shutter_corner_secs: Option<f64>,
    /// Trail in the middle at the rule's exposure.
    pub trail_px_at_rule: f64,
    /// Trail at the fastest corner at the rule's exposure.
    pub trail_px_at_rule_corner: f64,
    /// Of the middle of the frame.
    pub declination_deg: f64,
    /// Lowest and highest declination in the frame; known only when the pointing is.
    pub declination_range_deg: Option<[f64; 2]>,
    /// Distance between pixel centers.
    pub pixel_pitch_um: f64,
}

impl ShutterLimits {
    /// What an exposure draws out beyond the trail that is accepted; `None` where it does not, anywhere in the frame.
    #[must_use]
    pub fn caution(&self, exposure_secs: f64) -> Option<String> {
        let wanted_px = self.wanted_trail_px;
        let (middle_px, corner_px) =
            (self.trail_px_per_sec * exposure_secs, self.trail_px_per_sec_corner * exposure_secs);
        // A tenth of a pixel is what the figures are rounded to.
        let is_long = |trail_px: f64| trail_px > wanted_px + 0.05;
        let exposure = secs(exposure_secs);
        let accepted = format!("where {} px are accepted", (100.0 * wanted_px).round() / 100.0);
        let keeps = |limit: Option<f64>| limit.map_or_else(|| "any time".to_owned(), secs);
        if is_long(middle_px) {
            let (middle, corner) = (keeps(self.longest_shutter_secs), keeps(self.longest_shutter_corner_secs));
            return Some(format!(
                "{exposure} trail stars by {middle_px:.1} px in the middle and {corner_px:.1} px in the fastest corner, \
                 {accepted}: {middle} keep to it in the middle, {corner} everywhere"
            ));
        }
        is_long(corner_px).then(|| {
            let corner = keeps(self.longest_shutter_corner_secs);
            format!(
                "{exposure} trail stars by {corner_px:.1} px in the fastest corner, {accepted}, and keep to it in the \
                 middle: {corner} keep to it everywhere"
            )
        })
    }
}

/// Seconds as cameras have them.
pub(super) fn secs(secs: f64) -> String {
    if secs >= 100.0 { format!("{secs:.0} s") } else { format!("{} s", (secs * 10.0).round() / 10.0) }
}

/// All figures for a camera that looks somewhere.
#[must_use]
pub fn shutter_limits(camera: &Camera, aim: Aim, place: Place, wanted_trail: WantedTrail) -> ShutterLimits {
    let wanted_trail_px = wanted_trail.px(camera);
    let shutter_rule_numerator = rule_numerator(camera.sensor_width_mm);
    let shutter_rule_secs = shutter_rule_numerator / camera.focal_mm;
    let (declination_deg, trail_px_per_sec_corner, declination_range_deg) = match aim {
        Aim::Declination(declination_deg) => (declination_deg, fastest_corner_any_roll(camera, declination_deg), None),
        Aim::Horizon { azimuth_deg, altitude_deg } => {
            let pole = pole_seen_from_level_camera(azimuth_deg, altitude_deg, place.latitude_deg);
            (pole[2].clamp(-1.0, 1.0).asin().to_degrees(), fastest_corner(camera, pole), Some(range(camera, pole)))
        }
    };
    let trail_px_per_sec = axis_trail_px_per_sec(camera, declination_deg);
    let longest = |rate: f64| (rate > STANDSTILL_PX_PER_SEC).then(|| wanted_trail_px / rate);
    ShutterLimits {
        shutter_rule_secs,
        shutter_rule_numerator,
        aperture_pitch_secs: aperture_pitch_secs(camera, declination_deg),
        trail_px_per_sec,
        trail_px_per_sec_corner,
        wanted_trail_px,
        longest_shutter_secs: longest(trail_px_per_sec),
        longest_shutter_corner_secs: longest(trail_px_per_sec_corner),
        trail_px_at_rule: trail_px_per_sec * shutter_rule_secs,
        trail_px_at_rule_corner: trail_px_per_sec_corner * shutter_rule_secs,
        declination_deg,
        declination_range_deg,
        pixel_pitch_um: camera.pixel_pitch_um(),
    }
}

/// Trail of a star on the lens axis.
#[must_use]
pub fn axis_trail_px_per_sec(camera: &Camera, declination_deg: f64) -> f64 {
    SIDEREAL_ARCSEC_PER_SEC / ARCSEC_PER_RADIAN * declination_deg.to_radians().cos() * camera.focal_px()
}

/// Common practice, no source: 500 for full frame and 300 for crop sensors; 500 in proportion to the
/// sensor's width for sizes that have no rule of their own.
fn rule_numerator(sensor_width_mm: f64) -> f64 {
    if !(CROP_FROM_MM..=FULL_FRAME_WIDTH_MM).contains(&sensor_width_mm) {
        500.0 * sensor_width_mm / FULL_FRAME_WIDTH_MM
    } else if sensor_width_mm >= FULL_FRAME_FROM_MM {
        500.0
    } else {
        300.0
    }
}

/// The formula from aperture N, pitch p (µm) and focal length f (mm):
/// (16.856 N + 0.0997 f + 13.713 p) / (f cos δ). Published by Frédéric Michaud of the Société
/// astronomique du Havre; origin and coefficients from memory. Near the pole cos δ is held at 0.1,
/// because the rest of the frame still turns.
fn aperture_pitch_secs(camera: &Camera, declination_deg: f64) -> f64 {
    let numerator = 16.856 * camera.aperture + 0.0997 * camera.focal_mm + 13.713 * camera.pixel_pitch_um();
    numerator / (camera.focal_mm * declination_deg.to_radians().cos().max(0.1))
}

/// The celestial pole in the axes of a level camera: x right, y down, z along the lens axis.
#[must_use]
pub fn pole_seen_from_level_camera(azimuth_deg: f64, altitude_deg: f64, latitude_deg: f64) -> [f64; 3] {
    let (sin_azimuth, cos_azimuth) = azimuth_deg.to_radians().sin_cos();
    let (sin_altitude, cos_altitude) = altitude_deg.to_radians().sin_cos();
    let (up, north) = latitude_deg.to_radians().sin_cos();
    [
        -sin_azimuth * north,
        sin_altitude * cos_azimuth * north - cos_altitude * up,
        cos_altitude * cos_azimuth * north + sin_altitude * up,
    ]
}

/// The fastest corner over every way to turn the camera around its axis.
fn fastest_corner_any_roll(camera: &Camera, declination_deg: f64) -> f64 {
    let (along, across) = declination_deg.to_radians().sin_cos();
    (0..720)
        .map(|half_degrees| {
            let (sin_roll, cos_roll) = (f64::from(half_degrees) / 2.0).to_radians().sin_cos();
            fastest_corner(camera, [across * sin_roll, across * cos_roll, along])
        })
        .fold(0.0, f64::max)
}

fn fastest_corner(camera: &Camera, pole: [f64; 3]) -> f64 {
    corners(camera).map(|corner| speed_px_per_sec(camera, pole, corner)).into_iter().fold(0.0, f64::max)
}

/// Tangents of the four corners' angles from the axis.
fn corners(camera: &Camera) -> [[f64; 2]; 4] {
    let x = camera.sensor_width_mm / 2.0 / camera.focal_mm;
    let y = camera.height_mm() / 2.0 / camera.focal_mm;
    [[-x, -y], [x, -y], [-x, y], [x, y]]
}

/// Speed on the sensor of the star seen at (x, y), in units of the focal length, around a pole.
fn speed_px_per_sec(camera: &Camera, pole: [f64; 3], place: [f64; 2]) -> f64 {
    let [right, down] = motion_px_per_sec(camera.focal_px(), pole, place);
    right.hypot(down)
}

/// Motion on the sensor, right and down, of the star seen at (x, y) from the axis, in units of the focal length.
///
/// `pole` is the celestial pole in camera axes: x right, y down, z along the lens axis. Exact for a rectilinear
/// lens without distortion.
#[must_use]
pub fn motion_px_per_sec(focal_px: f64, pole: [f64; 3], [x, y]: [f64; 2]) -> [f64; 2] {
    // The direction (x, y, 1) is moved by pole × (x, y, 1); its projection moves by the quotient rule.
    let [px, py, pz] = pole;
    let (dx, dy, dz) = (py - pz * y, pz * x - px, px * y - py * x);
    let scale = SIDEREAL_ARCSEC_PER_SEC / ARCSEC_PER_RADIAN * focal_px;
    [scale * (dx - x * dz), scale * (dy - y * dz)]
}

/// Lowest and highest declination on a grid over the frame.
fn range(camera: &Camera, pole: [f64; 3]) -> [f64; 2] {
    const HALF_STEPS: i32 = 50;
    let [corner_x, corner_y] = corners(camera)[3];
    let mut range_deg = [90.0_f64, -90.0_f64];
    for row in -HALF_STEPS..=HALF_STEPS {
        for column in -HALF_STEPS..=HALF_STEPS {
            let x = corner_x * f64::from(column) / f64::from(HALF_STEPS);
            let y = corner_y * f64::from(row) / f64::from(HALF_STEPS);
            let sine = (pole[0] * x + pole[1] * y + pole[2]) / (x * x + y * y + 1.0).sqrt();
            let declination_deg = sine.clamp(-1.0, 1.0).asin().to_degrees();
            range_deg = [range_deg[0].min(declination_deg), range_deg[1].max(declination_deg)];
        }
    }
    range_deg
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALPS: Place = Place { latitude_deg: 46.5, longitude_deg: 8.0 };

    fn crop(focal_mm: f64) -> Camera {
        Camera { focal_mm, ..Camera::default() }
    }

    /// Worked values of the trade: 12 mm 25 s, 16 mm 18.75 s, 24 mm 12.5 s on crop; 500/20 on full frame.
    #[test]
    fn the_rules_give_the_values_of_the_trade() {
        let rule = |camera: &Camera| {
            shutter_limits(camera, Aim::Declination(0.0), ALPS, WantedTrail::Px(3.0)).shutter_rule_secs
        };
        for (focal_mm, expected_secs) in [(12.0, 25.0), (16.0, 18.75), (24.0, 12.5)] {
            assert_eq!(rule(&crop(focal_mm)), expected_secs, "{focal_mm} mm on crop");
        }
        let full_frame = Camera { focal_mm: 20.0, sensor_width_mm: 36.0, ..Camera::default() };
        assert_eq!(rule(&full_frame), 25.0, "20 mm on full frame");
        let small = Camera { focal_mm: 12.0, sensor_width_mm: 18.0, ..Camera::default() };
        assert_eq!(rule(&small), 500.0 / 24.0, "12 mm on half the width");
    }

    /// 15.041 × 12 / (206.265 × 3.9167) = 0.22342 px/s; 3 px last 13.43 s.
    #[test]
    fn the_trail_on_the_axis_is_the_textbook_formula() {
        let limits = shutter_limits(&crop(12.0), Aim::Declination(0.0), ALPS, WantedTrail::Px(3.0));
        assert!((limits.trail_px_per_sec - 0.223_42).abs() < 1e-5, "{}", limits.trail_px_per_sec);
        let longest = limits.longest_shutter_secs.expect("the sky turns at the equator");
        assert!((longest - 13.428).abs() < 1e-3, "{longest}");
        let at_60 = shutter_limits(&crop(12.0), Aim::Declination(60.0), ALPS, WantedTrail::Px(3.0)).trail_px_per_sec;
        assert!((at_60 - limits.trail_px_per_sec / 2.0).abs() < 1e-9, "{at_60}");
    }

    /// tan θ = 14.12 / 12 at the corner, so sec²θ = 2.38 bounds the growth there.
    #[test]
    fn the_corner_of_a_wide_lens_runs_up_to_the_square_of_the_secant_faster() {
        let limits = shutter_limits(&crop(12.0), Aim::Declination(0.0), ALPS, WantedTrail::Px(3.0));
        let half_diagonal_mm = 23.5_f64.hypot(23.5 * 2.0 / 3.0) / 2.0;
        let bound = 1.0 + (half_diagonal_mm / 12.0).powi(2);
        let growth = limits.trail_px_per_sec_corner / limits.trail_px_per_sec;
        assert!(growth < bound + 1e-9 && growth > 0.999 * bound, "{growth} of at most {bound}");
    }

    /// 30 µm on 3.9167 µm pixels are 7.66 px.
    #[test]
    fn a_circle_of_confusion_is_a_trail_in_pixels() {
        let limits = shutter_limits(&crop(12.0), Aim::Declination(0.0), ALPS, WantedTrail::CircleUm(30.0));
        assert!((limits.wanted_trail_px - 7.6596).abs() < 1e-4, "{}", limits.wanted_trail_px);
    }

    #[test]
    fn stars_stand_still_at_the_pole_but_not_in_the_corner() {
        let limits = shutter_limits(&crop(12.0), Aim::Declination(90.0), ALPS, WantedTrail::Px(3.0));
        assert_eq!(limits.longest_shutter_secs, None, "{}", limits.trail_px_per_sec);
        assert!(limits.longest_shutter_corner_secs.is_some_and(|secs| secs > 5.0), "{limits:?}");
    }

    /// 25 s at 0.22342 px/s and 0.5328 px/s in the corner (see the tests of the terminal): 5.6 px and 13.3 px.
    #[test]
    fn an_exposure_beyond_the_limits_is_cautioned_against_with_its_trail() {
        let limits = shutter_limits(&crop(12.0), Aim::Declination(0.0), ALPS, WantedTrail::Px(3.0));
        let long = limits.caution(25.0).expect("both are beyond 3 px");
        for part in ["25 s trail stars by 5.6 px in the middle and 13.3 px", "3 px are accepted", "13.4 s", "5.6 s"] {
            assert!(long.contains(part), "{part:?} is missing in {long}");
        }
        let corner = limits.caution(10.0).expect("the corner is beyond 3 px");
        assert!(corner.contains("5.3 px in the fastest corner") && corner.contains("in the middle: 5.6 s"), "{corner}");
        assert_eq!(limits.caution(5.6), None, "short enough everywhere");
        let pole = shutter_limits(&crop(12.0), Aim::Declination(90.0), ALPS, WantedTrail::Px(3.0));
        assert!(pole.caution(60.0).is_some_and(|words| !words.contains("by 0")), "the corners turn: {pole:?}");
    }

    /// Turned directions, projected at two instants, move as the derivative says.
    #[test]
    fn the_derivative_agrees_with_two_projections_a_second_apart() {
        let camera = crop(12.0);
        let pole = pole_seen_from_level_camera(140.0, 25.0, 46.5);
        for [x, y] in corners(&camera) {
            let axis = nalgebra::Unit::new_normalize(nalgebra::Vector3::from(pole));
            let turn = |secs: f64| {
                let angle = SIDEREAL_ARCSEC_PER_SEC / ARCSEC_PER_RADIAN * secs;
                let turned = nalgebra::Rotation3::from_axis_angle(&axis, angle) * nalgebra::Vector3::new(x, y, 1.0);
                [turned.x / turned.z * camera.focal_px(), turned.y / turned.z * camera.focal_px()]
            };
            let (before, after) = (turn(-0.5), turn(0.5));
            let moved_px = (after[0] - before[0]).hypot(after[1] - before[1]);
            let speed = speed_px_per_sec(&camera, pole, [x, y]);
            assert!((moved_px - speed).abs() < 1e-6 * speed, "{moved_px} against {speed}");
        }
    }

    /// A camera at latitude φ that looks at the pole sees declination 90; level south, 90 − φ less.
    #[test]
    fn pointing_gives_the_declination_of_the_middle() {
        let declination = |azimuth_deg, altitude_deg| {
            let aim = Aim::Horizon { azimuth_deg, altitude_deg };
            shutter_limits(&crop(24.0), aim, ALPS, WantedTrail::Px(3.0)).declination_deg
        };
        assert!((declination(0.0, 46.5) - 90.0).abs() < 1e-4, "{}", declination(0.0, 46.5));
        assert!((declination(180.0, 20.0) + 23.5).abs() < 1e-9, "{}", declination(180.0, 20.0));
        assert!(declination(90.0, 0.0).abs() < 1e-9, "{}", declination(90.0, 0.0));
    }

    #[test]
    fn the_frame_covers_the_declinations_of_its_edges() {
        let aim = Aim::Horizon { azimuth_deg: 180.0, altitude_deg: 43.5 };
        let limits = shutter_limits(&crop(12.0), aim, ALPS, WantedTrail::Px(3.0));
        let range = limits.declination_range_deg.expect("the pointing is known");
        let half_height_deg = (23.5_f64 / 3.0 / 12.0).atan().to_degrees();
        assert!((range[1] - half_height_deg).abs() < 1e-6, "{range:?} against {half_height_deg}");
        assert!(range[0] < range[1] && range[0] <= -half_height_deg, "{range:?}");
    }
}
