//! What a plan is made from, and what it refuses.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::coordinates::Place;
use super::frames::{BurstRequest, LightSource};
use super::shutter::{Aim, Camera, WantedTrail};

/// First and last year whose nights are planned: the polynomials of ΔT and the Moon hold there.
const YEARS: std::ops::RangeInclusive<i16> = 1900..=2100;

/// Longest shutter time, burst and gap that a plan accepts.
const LONGEST_SECS: f64 = 86_400.0;

/// Everything a plan depends on.
#[derive(Clone, Debug)]
pub struct PlanRequest {
    /// Where; it stays on this machine.
    pub place: Place,
    /// The evening's date on the clock of the place.
    pub date: Date,
    /// The clock of the place.
    pub zone: TimeZone,
    /// Lens and sensor.
    pub camera: Camera,
    /// Where the camera looks.
    pub aim: Aim,
    /// The trail that is accepted.
    pub wanted_trail: WantedTrail,
    /// From which altitude on the galactic center is worth a picture.
    pub galactic_above_deg: f64,
    /// The burst.
    pub burst: BurstRequest,
}

impl PlanRequest {
    /// A night at a place, with the default camera aimed at the celestial equator.
    #[must_use]
    pub fn new(place: Place, date: Date, zone: TimeZone) -> Self {
        Self {
            place,
            date,
            zone,
            camera: Camera::default(),
            aim: Aim::Declination(0.0),
            wanted_trail: WantedTrail::Px(3.0),
            galactic_above_deg: 10.0,
            burst: BurstRequest::default(),
        }
    }

    pub(super) fn check(&self) -> Result<(), PlanError> {
        let within = |value: f64, low: f64, high: f64| (low..=high).contains(&value);
        let Place { latitude_deg, longitude_deg } = self.place;
        if !within(latitude_deg, -90.0, 90.0) {
            return Err(PlanError::Latitude { found: latitude_deg });
        }
        if !within(longitude_deg, -180.0, 180.0) {
            return Err(PlanError::Longitude { found: longitude_deg });
        }
        if !YEARS.contains(&self.date.year()) {
            return Err(PlanError::Year { found: self.date.year() });
        }
        self.camera.check()?;
        match self.aim {
            Aim::Declination(found) if !within(found, -90.0, 90.0) => return Err(PlanError::Declination { found }),
            Aim::Horizon { azimuth_deg, .. } if !within(azimuth_deg, -360.0, 360.0) => {
                return Err(PlanError::Azimuth { found: azimuth_deg });
            }
            Aim::Horizon { altitude_deg, .. } if !within(altitude_deg, -90.0, 90.0) => {
                return Err(PlanError::Altitude { found: altitude_deg });
            }
            _ => {}
        }
        let wanted_px = self.wanted_trail.px(&self.camera);
        if !within(wanted_px, 0.1, 10_000.0) {
            return Err(PlanError::WantedTrail { found: wanted_px });
        }
        if !within(self.galactic_above_deg, -90.0, 90.0) {
            return Err(PlanError::Altitude { found: self.galactic_above_deg });
        }
        check_burst(&self.burst)
    }
}

fn check_burst(burst: &BurstRequest) -> Result<(), PlanError> {
    let positive_secs = |found: f64| {
        let valid = found > 0.0 && found <= LONGEST_SECS;
        if valid { Ok(()) } else { Err(PlanError::Exposure { found }) }
    };
    burst.exposure_secs.map_or(Ok(()), positive_secs)?;
    if !(1..=100_000).contains(&burst.n_frames) {
        return Err(PlanError::Frames { found: burst.n_frames });
    }
    if !(0.0..=LONGEST_SECS).contains(&burst.gap_secs) {
        return Err(PlanError::Gap { found: burst.gap_secs });
    }
    let brightness = |found: f64| {
        if (0.0..=30.0).contains(&found) { Ok(()) } else { Err(PlanError::Brightness { found }) }
    };
    brightness(burst.target_mag_per_arcsec2)?;
    let read_noise_e = match burst.light {
        LightSource::Measured { sky_electrons, exposure_secs, read_noise_e } => {
            positive_secs(exposure_secs)?;
            if !(0.0..=1e7).contains(&sky_electrons) {
                return Err(PlanError::SkyElectrons { found: sky_electrons });
            }
            read_noise_e
        }
        LightSource::Typical { sky_mag_per_arcsec2, read_noise_e } => {
            brightness(sky_mag_per_arcsec2)?;
            read_noise_e
        }
    };
    if !(0.0..=1000.0).contains(&read_noise_e) {
        return Err(PlanError::ReadNoise { found: read_noise_e });
    }
    Ok(())
}

/// A time zone from an IANA name or a fixed offset from UTC such as `+01:00`.
///
/// The names are built in: no file of the system is read and nothing is asked over a network.
///
/// # Errors
/// [`PlanError::Zone`] when it is neither.
pub fn time_zone(text: &str) -> Result<TimeZone, PlanError> {
    let refuse = || PlanError::Zone { found: text.to_owned() };
    let text = text.trim();
    if text.starts_with(['+', '-']) || text == "Z" {
        return jiff::fmt::temporal::DateTimeParser::new().parse_time_zone(text).ok().ok_or_else(refuse);
    }
    TimeZone::get(text).ok().ok_or_else(refuse)
}

/// Why a plan cannot be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// Off the globe.
    #[error("latitude {found} is not between -90 and 90 degrees; north is positive")]
    Latitude {
        /// As given.
        found: f64,
    },
    /// Off the globe.
    #[error("longitude {found} is not between -180 and 180 degrees; east is positive")]
    Longitude {
        /// As given.
        found: f64,
    },
    /// Outside the span of the methods.
    #[error("year {found} is not between 1900 and 2100, where Sun and Moon are known well enough")]
    Year {
        /// As given.
        found: i16,
    },
    /// Neither a name nor an offset.
    #[error("time zone \"{found}\" is not known; give an IANA name such as Europe/Zurich, or an offset such as +01:00")]
    Zone {
        /// As given.
        found: String,
    },
    /// No such lens.
    #[error("focal length {found} mm is not between 1 and 2000 mm")]
    Focal {
        /// As given.
        found: f64,
    },
    /// No such lens.
    #[error("aperture f/{found} is not between f/0.5 and f/64; give the f-number alone, such as 2.8")]
    Aperture {
        /// As given.
        found: f64,
    },
    /// No such sensor.
    #[error("sensor width {found} mm is not between 2 and 100 mm; a crop sensor has about 23.5, full frame 36")]
    SensorWidth {
        /// As given.
        found: f64,
    },
    /// No such sensor.
    #[error("sensor height {found} mm is not between 1 and 100 mm")]
    SensorHeight {
        /// As given.
        found: f64,
    },
    /// No such sensor.
    #[error(
        "{found} pixels along the long side are not between 100 and 100000; give the width of a frame, such as 6000"
    )]
    Pixels {
        /// As given.
        found: usize,
    },
    /// Off the sky.
    #[error("declination {found} is not between -90 and 90 degrees")]
    Declination {
        /// As given.
        found: f64,
    },
    /// Off the compass.
    #[error("azimuth {found} is not between -360 and 360 degrees; north is 0, east 90")]
    Azimuth {
        /// As given.
        found: f64,
    },
    /// Off the sky.
    #[error("altitude {found} is not between -90 and 90 degrees")]
    Altitude {
        /// As given.
        found: f64,
    },
    /// A trail that limits nothing, or everything.
    #[error("accepted trail {found} px is not between 0.1 and 10000 px")]
    WantedTrail {
        /// As given.
        found: f64,
    },
    /// Not an exposure.
    #[error("exposure {found} s is not above 0 and at most a day")]
    Exposure {
        /// As given.
        found: f64,
    },
    /// Not a burst.
    #[error("{found} frames are not between 1 and 100000")]
    Frames {
        /// As given.
        found: usize,
    },
    /// Not a burst.
    #[error("gap of {found} s between frames is not between 0 and a day")]
    Gap {
        /// As given.
        found: f64,
    },
    /// No sky is like that.
    #[error("brightness {found} is not between 0 and 30 magnitudes per square arcsecond; a dark sky has about 21.5")]
    Brightness {
        /// As given.
        found: f64,
    },
    /// Not a measurement.
    #[error("{found} sky electrons are not between 0 and 10 million a pixel")]
    SkyElectrons {
        /// As given.
        found: f64,
    },
    /// Not a camera.
    #[error("read noise {found} is not between 0 and 1000 electrons")]
    ReadNoise {
        /// As given.
        found: f64,
    },
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_offsets_become_zones() {
        let instant: jiff::Timestamp = "2027-03-10T00:00:00Z".parse().expect("a valid time");
        let offset = |text: &str| time_zone(text).expect("a zone").to_offset(instant).to_string();
        assert_eq!(offset("Europe/Zurich"), "+01", "winter time");
        assert_eq!(offset("+05:45"), "+05:45", "ahead");
        assert_eq!(offset("-03:30"), "-03:30", "behind");
        assert_eq!(offset("Asia/Kathmandu"), "+05:45", "a zone of three quarters");
    }

    #[test]
    fn nonsense_is_refused_with_advice() {
        for text in ["", "Middle/Earth", "+99:00", "+ab", "noon"] {
            let error = time_zone(text).expect_err("not a zone");
            assert!(error.to_string().contains("IANA"), "{text}: {error}");
        }
        let zone = TimeZone::UTC;
        let date = jiff::civil::date(2027, 3, 10);
        let at = |latitude_deg, longitude_deg| {
            PlanRequest::new(Place { latitude_deg, longitude_deg }, date, zone.clone()).check()
        };
        assert_eq!(at(91.0, 0.0), Err(PlanError::Latitude { found: 91.0 }), "too far north");
        assert!(at(f64::NAN, 0.0).is_err(), "not a number");
        assert_eq!(at(0.0, 200.0), Err(PlanError::Longitude { found: 200.0 }), "too far east");
        assert_eq!(at(46.5, 8.0), Ok(()), "the Alps");
        let mut request = PlanRequest::new(Place { latitude_deg: 0.0, longitude_deg: 0.0 }, date, zone);
        request.camera.focal_mm = 0.0;
        assert_eq!(request.check(), Err(PlanError::Focal { found: 0.0 }), "no lens");
    }
}
