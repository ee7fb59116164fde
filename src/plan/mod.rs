//! The night before: when it is dark, how long the shutter may stay open, how many frames.
//!
//! Pure computation: no clock, no file, no network. The place stays where it was given.
//! Methods and their sources stand at the head of each file; how well they agree with the outside is
//! in `docs/planning.md`.

pub mod bortle;
mod cautions;
pub mod chart;
mod coordinates;
mod events;
pub mod frames;
mod galactic;
mod moon;
mod moon_terms;
mod night;
mod request;
pub mod shutter;
mod sun;
mod text;
mod time;

pub use cautions::CAUTIONS;
pub use coordinates::Place;
pub use frames::{BurstRequest, FramePlan, LightSource};
pub use night::{ChartPoint, Daylight, Highest, Night, Window};
pub use request::{PlanError, PlanRequest, time_zone};
pub use shutter::{Aim, Camera, ShutterLimits, WantedTrail};
pub use text::{Row, Section};
pub use time::LocalTime;

/// A planned night. As JSON its parts lie side by side, but for the burst, which is `frames`.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Plan {
    /// The evening's date.
    pub date: String,
    /// North positive.
    pub latitude_deg: f64,
    /// East positive.
    pub longitude_deg: f64,
    /// Sun, Moon, galactic center.
    #[serde(flatten)]
    pub night: Night,
    /// How long one exposure may last.
    #[serde(flatten)]
    pub shutter: ShutterLimits,
    /// Of the lens the figures are for.
    pub focal_mm: f64,
    /// Of the lens the figures are for.
    pub aperture: f64,
    /// How many exposures.
    pub frames: FramePlan,
    /// Trail that the exposure of the burst draws in the middle of the frame.
    pub exposure_trail_px: f64,
    /// The same in the corner where stars run fastest.
    pub exposure_trail_px_corner: f64,
    /// Said where that is more than is accepted.
    pub exposure_caution: Option<String>,
    /// The class of sky that the burst is reckoned for, when it was not measured.
    pub sky: Option<bortle::SkyClass>,
    /// What to think of before walking out.
    pub cautions: Vec<&'static str>,
}

/// Plans the night that begins on the date of the request.
///
/// # Errors
/// [`PlanError`] names the figure that is out of its range.
pub fn plan(request: &PlanRequest) -> Result<Plan, PlanError> {
    request.check()?;
    let camera = &request.camera;
    let shutter = shutter::shutter_limits(camera, request.aim, request.place, request.wanted_trail);
    let frames = frames::frame_plan(
        camera,
        &request.burst,
        shutter.shutter_rule_secs,
        shutter.trail_px_per_sec,
        shutter.longest_shutter_secs,
    );
    let sky = match request.burst.light {
        LightSource::Measured { .. } => None,
        LightSource::Typical { sky_mag_per_arcsec2, .. } => Some(bortle::nearest_class(sky_mag_per_arcsec2)),
    };
    let exposure_caution = shutter.caution(frames.exposure_secs);
    Ok(Plan {
        date: request.date.to_string(),
        latitude_deg: request.place.latitude_deg,
        longitude_deg: request.place.longitude_deg,
        night: night::night(request),
        focal_mm: camera.focal_mm,
        aperture: camera.aperture,
        exposure_trail_px: shutter.trail_px_per_sec * frames.exposure_secs,
        exposure_trail_px_corner: shutter.trail_px_per_sec_corner * frames.exposure_secs,
        exposure_caution,
        shutter,
        frames,
        sky,
        cautions: CAUTIONS.to_vec(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn alpine_plan() -> Plan {
        let place = Place { latitude_deg: 46.5, longitude_deg: 8.0 };
        let zone = time_zone("Europe/Zurich").expect("a known zone");
        plan(&PlanRequest::new(place, jiff::civil::date(2027, 3, 10), zone)).expect("a sound request")
    }

    /// The names that other programs rely on.
    #[test]
    fn the_json_has_its_fixed_names_at_the_top() {
        let json = serde_json::to_value(alpine_plan()).expect("a plan is plain data");
        let names = "sunset civil_dusk nautical_dusk astronomical_dusk astronomical_dawn nautical_dawn civil_dawn \
                     sunrise moonrise moonset moon_illuminated_fraction dark_windows shutter_rule_secs \
                     trail_px_per_sec longest_shutter_secs";
        for name in names.split_whitespace() {
            assert!(json.get(name).is_some_and(|value| !value.is_null()), "{name} is missing in {json}");
        }
        let sunset = json["sunset"].as_str().expect("a time is text");
        assert!(sunset.starts_with("2027-03-10T18:2") && sunset.ends_with("+01:00"), "{sunset}");
        let window = &json["dark_windows"][0];
        assert!(window["start"].is_string() && window["end"].is_string(), "{window}");
    }

    #[test]
    fn what_does_not_happen_is_null() {
        let place = Place { latitude_deg: 69.65, longitude_deg: 18.96 };
        let zone = time_zone("Europe/Oslo").expect("a known zone");
        let polar = plan(&PlanRequest::new(place, jiff::civil::date(2026, 6, 21), zone)).expect("a sound request");
        let json = serde_json::to_value(polar).expect("a plan is plain data");
        for name in ["sunset", "sunrise", "astronomical_dusk"] {
            assert!(json.get(name).is_some_and(serde_json::Value::is_null), "{name}: {}", json[name]);
        }
        assert_eq!(json["dark_windows"], serde_json::json!([]), "no dark hour");
    }

    #[test]
    fn the_page_for_people_names_times_limits_and_cautions() {
        let page = alpine_plan().to_string();
        for part in ["Sunset", "Dark without Moon", "25 s", "px a second", "rangers"] {
            assert!(page.contains(part), "{part:?} is missing in:\n{page}");
        }
        assert!(page.lines().count() < 60, "one page:\n{page}");
        assert!(page.lines().all(|line| line.chars().count() <= 100), "fits a terminal:\n{page}");
    }
}
