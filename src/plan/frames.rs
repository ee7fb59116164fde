//! How many frames, and what would help most.
//!
//! One pixel of one frame collects s·t electrons of the faint light that is wanted and b·t of sky
//! behind it in t seconds, and the camera adds read noise r: S/N = s t / √((s + b) t + r²). Photon and
//! read noise add in squares; N equal frames improve by √N.
//! Where nothing was measured, rates come from surface brightness: a star of magnitude 0 sends about
//! 8.8e5 photons a second through a square centimeter in the V band (1000 per Ångström over 880 Å), of
//! which a camera behind its color filters turns some 35 % into electrons. Typical figures, from memory.

use super::shutter::Camera;

/// Photons from magnitude 0 in V, a second and square centimeter.
const ZERO_MAGNITUDE_PHOTONS: f64 = 8.8e5;

/// Share of them that becomes electrons: lens, filter and silicon together.
const THROUGHPUT: f64 = 0.35;

/// Bits a pixel takes in an uncompressed raw file.
const RAW_BITS_PER_PX: f64 = 14.0;

/// One more frame that adds less than this is a small return.
const SMALL_RETURN: f64 = 0.02;

/// With this many times the read noise squared in sky electrons, read noise adds 10 % or less: √(6/5).
const SKY_OVER_READ_SWAMPED: f64 = 5.0;

/// Read noise in electrons above which a higher ISO usually lowers it (typical, from memory).
const HIGH_READ_NOISE_E: f64 = 3.0;

/// Where the light and noise figures come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LightSource {
    /// Measured on one test frame with its camera's gain.
    Measured {
        /// Sky above black, electrons a pixel in the test frame.
        sky_electrons: f64,
        /// Exposure of the test frame.
        exposure_secs: f64,
        /// Electrons.
        read_noise_e: f64,
    },
    /// Typical values for a sky of this brightness.
    Typical {
        /// V magnitudes per square arcsecond.
        sky_mag_per_arcsec2: f64,
        /// Electrons; 2 is typical of present cameras at the ISO used at night (from memory).
        read_noise_e: f64,
    },
}

/// The burst that is considered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BurstRequest {
    /// The rule of the trade when not given.
    pub exposure_secs: Option<f64>,
    /// Frames.
    pub n_frames: usize,
    /// From the end of one exposure to the start of the next.
    pub gap_secs: f64,
    /// Light and noise.
    pub light: LightSource,
    /// Brightness of the faint light that is wanted, V magnitudes per square arcsecond.
    pub target_mag_per_arcsec2: f64,
}

impl Default for BurstRequest {
    /// Sixteen frames of faint Milky Way under a country sky.
    fn default() -> Self {
        Self {
            exposure_secs: None,
            n_frames: 16,
            gap_secs: 1.0,
            light: LightSource::Typical { sky_mag_per_arcsec2: 21.1, read_noise_e: 2.0 },
            target_mag_per_arcsec2: 22.0,
        }
    }
}

/// What the burst brings and costs.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FramePlan {
    /// Of one frame.
    pub exposure_secs: f64,
    /// Frames.
    pub n_frames: usize,
    /// Signal of the faint light over noise, per pixel of one frame.
    pub single_frame_snr: f64,
    /// The same after averaging.
    pub stack_snr: f64,
    /// √N.
    pub gain: f64,
    /// From this many frames on, one more adds less than 2 %.
    pub small_return_from_frames: usize,
    /// Frames needed to double the signal-to-noise ratio of the stack.
    pub frames_to_double: usize,
    /// Sky in one frame, electrons a pixel.
    pub sky_electrons: f64,
    /// Electrons.
    pub read_noise_e: f64,
    /// Share of one frame's noise that read noise adds over photon noise alone.
    pub read_noise_adds: f64,
    /// From the first shutter to the last.
    pub total_secs: f64,
    /// Uncompressed at 14 bits a pixel: an upper bound for most cameras.
    pub card_bytes: f64,
    /// How far the sky moves in the middle of the frame meanwhile.
    pub drift_px: f64,
    /// The same as a share of the frame's long side.
    pub drift_share: f64,
    /// What helps most, in one sentence.
    pub advice: String,
}

/// Figures for a burst; `longest_secs` is the exposure at which trails become too long, if any.
#[must_use]
pub fn frame_plan(
    camera: &Camera,
    request: &BurstRequest,
    rule_secs: f64,
    trail_px_per_sec: f64,
    longest_secs: Option<f64>,
) -> FramePlan {
    let exposure_secs = request.exposure_secs.unwrap_or(rule_secs);
    let (sky_rate, read_noise_e) = match request.light {
        LightSource::Measured { sky_electrons, exposure_secs, read_noise_e } => {
            (sky_electrons / exposure_secs, read_noise_e)
        }
        LightSource::Typical { sky_mag_per_arcsec2, read_noise_e } => {
            (electrons_per_sec(camera, sky_mag_per_arcsec2), read_noise_e)
        }
    };
    let target_rate = electrons_per_sec(camera, request.target_mag_per_arcsec2);
    let sky_electrons = sky_rate * exposure_secs;
    let single_frame_snr = snr(target_rate * exposure_secs, sky_electrons, read_noise_e);
    let gain = (request.n_frames as f64).sqrt();
    let photon_noise = snr(target_rate * exposure_secs, sky_electrons, 0.0);
    let n = request.n_frames as f64;
    let total_secs = n * exposure_secs + (n - 1.0) * request.gap_secs;
    let drift_px = trail_px_per_sec * total_secs;
    FramePlan {
        exposure_secs,
        n_frames: request.n_frames,
        single_frame_snr,
        stack_snr: single_frame_snr * gain,
        gain,
        small_return_from_frames: small_return_from(SMALL_RETURN),
        frames_to_double: 4 * request.n_frames,
        sky_electrons,
        read_noise_e,
        read_noise_adds: photon_noise / single_frame_snr - 1.0,
        total_secs,
        card_bytes: n * camera.width_px as f64 * camera.height_px() * RAW_BITS_PER_PX / 8.0,
        drift_px,
        drift_share: drift_px / camera.width_px as f64,
        advice: advice(sky_electrons, read_noise_e, exposure_secs, longest_secs),
    }
}

/// Frames needed to improve the signal-to-noise ratio over one frame by a factor.
#[must_use]
pub fn frames_for_gain(gain: f64) -> usize {
    // A whole number of at least one; a float cast saturates.
    (gain * gain - 1e-9).ceil().max(1.0) as usize
}

/// Electrons a second in one pixel from an evenly bright sky.
#[must_use]
pub fn electrons_per_sec(camera: &Camera, mag_per_arcsec2: f64) -> f64 {
    let pixel_arcsec = 206.265 * camera.pixel_pitch_um() / camera.focal_mm;
    let pupil_cm = camera.focal_mm / 10.0 / camera.aperture;
    let pupil_cm2 = std::f64::consts::FRAC_PI_4 * pupil_cm * pupil_cm;
    ZERO_MAGNITUDE_PHOTONS * 10_f64.powf(-0.4 * mag_per_arcsec2) * THROUGHPUT * pupil_cm2 * pixel_arcsec.powi(2)
}

/// Signal over noise with all three noises added in squares.
fn snr(target_electrons: f64, sky_electrons: f64, read_noise_e: f64) -> f64 {
    target_electrons / (target_electrons + sky_electrons + read_noise_e * read_noise_e).sqrt()
}

/// The smallest N at which √((N + 1) / N) − 1 is below the share.
fn small_return_from(share: f64) -> usize {
    (1.0 / ((1.0 + share).powi(2) - 1.0)).floor() as usize + 1
}

fn advice(sky_electrons: f64, read_noise_e: f64, exposure_secs: f64, longest_secs: Option<f64>) -> String {
    let sky_over_read = sky_electrons / (read_noise_e * read_noise_e).max(f64::MIN_POSITIVE);
    if sky_over_read >= SKY_OVER_READ_SWAMPED {
        return "More frames help most: the sky's own noise outweighs the camera's read noise".to_owned();
    }
    let swamped_secs = exposure_secs * SKY_OVER_READ_SWAMPED / sky_over_read;
    let room_secs = longest_secs.unwrap_or(f64::INFINITY);
    if exposure_secs * 1.2 <= room_secs {
        let room = if swamped_secs <= room_secs {
            format!("{swamped_secs:.0} s serve")
        } else {
            format!("trails allow {room_secs:.0} s")
        };
        return format!("A longer exposure helps most: read noise still counts, and {room}");
    }
    if read_noise_e > HIGH_READ_NOISE_E {
        return "A higher ISO helps most: read noise counts, and trails forbid a longer exposure".to_owned();
    }
    "More frames help most: read noise is low already, and trails forbid a longer exposure".to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_burst(request: &BurstRequest) -> FramePlan {
        frame_plan(&Camera::default(), request, 25.0, 0.25, Some(15.0))
    }

    /// 100 electrons of light on 300 of sky with read noise √500: 100 / √900.
    #[test]
    fn noises_add_in_squares() {
        let found = snr(100.0, 300.0, 500.0_f64.sqrt());
        assert!((found - 100.0 / 30.0).abs() < 1e-12, "{found}");
    }

    #[test]
    fn sixteen_frames_gain_four_and_four_times_as_many_double_it() {
        let plan = check_burst(&BurstRequest::default());
        assert_eq!(plan.gain, 4.0, "{plan:?}");
        assert!((plan.stack_snr - 4.0 * plan.single_frame_snr).abs() < 1e-12, "{plan:?}");
        assert_eq!(plan.frames_to_double, 64, "{plan:?}");
        assert_eq!(frames_for_gain(4.0), 16, "√16 is 4");
        assert_eq!(frames_for_gain(3.1), 10, "3.1² is 9.61");
    }

    /// √(26/25) is 1.0198, √(25/24) is 1.0206.
    #[test]
    fn the_twenty_fifth_frame_is_where_the_return_grows_small() {
        assert_eq!(small_return_from(0.02), 25, "2 %");
        assert_eq!(small_return_from(0.01), 50, "1 %: √(51/50) is 1.00995, √(50/49) is 1.0102");
    }

    /// 16 × 25 s with 15 gaps of 1 s: 415 s, times 0.25 px/s; 24 Mpix of 14 bits are 42 MB.
    #[test]
    fn the_burst_costs_time_card_and_drift() {
        let plan = check_burst(&BurstRequest::default());
        assert_eq!(plan.total_secs, 415.0, "{plan:?}");
        assert!((plan.drift_px - 103.75).abs() < 1e-9, "{plan:?}");
        assert_eq!(plan.card_bytes, 16.0 * 42e6, "{plan:?}");
    }

    /// The light a pixel collects depends on pitch over f-number alone.
    #[test]
    fn a_longer_lens_at_the_same_f_number_gets_the_same_sky() {
        let wide = electrons_per_sec(&Camera::default(), 21.0);
        let long = electrons_per_sec(&Camera { focal_mm: 50.0, ..Camera::default() }, 21.0);
        let slow = electrons_per_sec(&Camera { aperture: 4.0, ..Camera::default() }, 21.0);
        assert!((wide / long - 1.0).abs() < 1e-12, "{wide} against {long}");
        assert!((wide / slow - 4.0).abs() < 1e-9, "{wide} against {slow}");
        assert!((1.0..3.0).contains(&wide), "about one and a half electrons a second, found {wide}");
    }

    #[test]
    fn advice_follows_sky_against_read_noise() {
        let advice = |sky_electrons, read_noise_e, exposure_secs| {
            let light = LightSource::Measured { sky_electrons, exposure_secs, read_noise_e };
            check_burst(&BurstRequest { exposure_secs: Some(exposure_secs), light, ..BurstRequest::default() }).advice
        };
        assert!(advice(400.0, 2.0, 15.0).starts_with("More frames"), "{}", advice(400.0, 2.0, 15.0));
        assert!(advice(5.0, 2.0, 5.0).contains("trails allow 15 s"), "{}", advice(5.0, 2.0, 5.0));
        assert!(advice(10.0, 2.0, 5.0).contains("10 s serve"), "{}", advice(10.0, 2.0, 5.0));
        assert!(advice(10.0, 2.0, 15.0).contains("low already"), "{}", advice(10.0, 2.0, 15.0));
        assert!(advice(10.0, 5.0, 15.0).starts_with("A higher ISO"), "{}", advice(10.0, 5.0, 15.0));
    }
}
