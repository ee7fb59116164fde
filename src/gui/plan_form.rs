//! What is typed into the drawer of the plan, and what it asks of the plan.

use jiff::ToSpan;

use crate::pipeline::FrameFinding;
use crate::plan::{Aim, BurstRequest, Camera, LightSource, Place, Plan, PlanRequest, WantedTrail, plan, time_zone};

/// One field of the drawer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Field {
    /// Degrees north.
    Latitude,
    /// Degrees east.
    Longitude,
    /// The evening's date.
    Date,
    /// The clock of the place.
    Zone,
    /// mm.
    Focal,
    /// The f-number.
    Aperture,
    /// mm.
    SensorWidth,
    /// Along the width.
    Pixels,
    /// Degrees.
    Declination,
    /// Degrees.
    Azimuth,
    /// Degrees.
    Altitude,
    /// Pixels, or µm with a unit behind it.
    Trail,
    /// Degrees.
    CenterAbove,
    /// How many.
    Frames,
    /// Seconds; empty for the rule of the trade.
    Exposure,
    /// Seconds.
    Gap,
    /// Magnitudes per square arcsecond.
    Sky,
    /// Electrons.
    ReadNoise,
}

/// A field's name, its text in a new window, and what it means.
pub struct FieldKind {
    /// The field.
    pub field: Field,
    /// Its name.
    pub name: &'static str,
    /// What stands there at first.
    pub first: &'static str,
    /// What it means, in one sentence.
    pub hint: &'static str,
}

const fn kind(field: Field, name: &'static str, first: &'static str, hint: &'static str) -> FieldKind {
    FieldKind { field, name, first, hint }
}

/// All fields in the order of [`Field`].
pub const FIELDS: [FieldKind; 18] = [
    kind(Field::Latitude, "Latitude", "", "Degrees, north is positive; used on this machine and sent nowhere"),
    kind(Field::Longitude, "Longitude", "", "Degrees, east is positive; used on this machine and sent nowhere"),
    kind(Field::Date, "Evening of", "", "The date of the evening, as in 2027-03-10"),
    kind(Field::Zone, "Time zone", "UTC", "By name, as in Europe/Zurich, or by its offset, as in +01:00"),
    kind(Field::Focal, "Focal length, mm", "12", "The real one, not that of another format"),
    kind(Field::Aperture, "Aperture, f/", "2", "The f-number"),
    kind(Field::SensorWidth, "Sensor width, mm", "23.5", "36 for full frame, about 23.5 for a crop sensor"),
    kind(Field::Pixels, "Pixels along it", "6000", "Width of a frame in pixels"),
    kind(Field::Declination, "Declination, °", "0", "Of the sky in the middle of the frame"),
    kind(Field::Azimuth, "Azimuth, °", "180", "Of a level camera, from north through east"),
    kind(Field::Altitude, "Altitude, °", "25", "Of the middle of the frame"),
    kind(Field::Trail, "Accepted trail", "3 px", "In pixels, or as a circle of confusion, as in 30 µm"),
    kind(Field::CenterAbove, "Galactic center above, °", "10", "From this altitude on it is worth a picture"),
    kind(Field::Frames, "Frames", "16", "In the burst"),
    kind(Field::Exposure, "Exposure, s", "", "Of one frame; empty for the rule of the trade"),
    kind(Field::Gap, "Pause, s", "1", "From the end of one exposure to the start of the next"),
    kind(Field::Sky, "Sky, mag/arcsec²", "21.1", "Brightness of the sky: about 21.5 at a dark site, 19 near a town"),
    kind(Field::ReadNoise, "Read noise, e", "2", "Electrons; about 2 at the ISO used at night"),
];

/// How the pointing is given.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PointingBy {
    /// By the declination of the middle.
    #[default]
    Declination,
    /// By azimuth and altitude of a level camera.
    Direction,
}

/// Where light and noise come from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LightFrom {
    /// Typical values.
    #[default]
    Typical,
    /// The frame shown.
    FrameShown,
}

/// All that is typed and chosen in the drawer.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanForm {
    texts: [String; FIELDS.len()],
    /// How the pointing is given.
    pub pointing: PointingBy,
    /// Where light and noise come from.
    pub light: LightFrom,
}

impl Default for PlanForm {
    fn default() -> Self {
        Self {
            texts: std::array::from_fn(|index| FIELDS[index].first.to_owned()),
            pointing: PointingBy::default(),
            light: LightFrom::default(),
        }
    }
}

/// A plan as the drawer shows it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Planned {
    /// The plan, where the fields allow one.
    pub plan: Option<Plan>,
    /// Whether it is for a place, so that the night is known.
    pub has_place: bool,
    /// What is missing or wrong.
    pub problem: Option<String>,
}

impl PlanForm {
    /// The form of a new window, on this day and this clock.
    #[must_use]
    pub fn today() -> Self {
        let now = jiff::ZonedDateTime::now();
        let mut form = Self::default();
        form.set(Field::Date, now.date().to_string());
        if let Some(name) = now.time_zone().iana_name() {
            form.set(Field::Zone, name.to_owned());
        }
        form
    }

    /// What stands in a field.
    #[must_use]
    pub fn text(&self, field: Field) -> &str {
        &self.texts[field as usize]
    }

    /// Writes into a field.
    pub fn set(&mut self, field: Field, text: String) {
        self.texts[field as usize] = text;
    }

    /// The same with lens, sensor and exposure as a frame tells them.
    #[must_use]
    pub fn with_camera_of(&self, frame: &FrameFinding) -> Self {
        let mut form = self.clone();
        let about = &frame.metadata;
        let figures = [
            (Field::Focal, about.focal_mm),
            (Field::Aperture, about.aperture),
            (Field::SensorWidth, about.sensor_width_mm.map(|width| (100.0 * width).round() / 100.0)),
            (Field::Pixels, frame.size.map(|size| size.width as f64)),
            (Field::Exposure, about.exposure_secs),
        ];
        for (field, value) in figures {
            if let Some(value) = value {
                form.set(field, value.to_string());
            }
        }
        form
    }

    /// The date a number of days later; the same where there is no date.
    #[must_use]
    pub fn days_later(&self, days: i32) -> Self {
        let mut form = self.clone();
        let date = self.text(Field::Date).trim().parse::<jiff::civil::Date>().ok();
        let later = date.and_then(|date| date.checked_add(days.days()).ok());
        if let Some(date) = later {
            form.set(Field::Date, date.to_string());
        }
        form
    }

    /// The plan that the fields ask for; `frame` is the one shown.
    #[must_use]
    pub fn planned(&self, frame: Option<&FrameFinding>) -> Planned {
        let has_place = !self.text(Field::Latitude).trim().is_empty() && !self.text(Field::Longitude).trim().is_empty();
        let plan = self.request(has_place, frame).and_then(|request| plan(&request).map_err(|error| error.to_string()));
        let missing = (!has_place).then(|| "Latitude and longitude tell when it is dark".to_owned());
        match plan {
            Ok(plan) => Planned { plan: Some(plan), has_place, problem: missing },
            Err(problem) => Planned { plan: None, has_place, problem: Some(problem) },
        }
    }

    fn request(&self, has_place: bool, frame: Option<&FrameFinding>) -> Result<PlanRequest, String> {
        let place = if has_place {
            Place { latitude_deg: self.number(Field::Latitude)?, longitude_deg: self.number(Field::Longitude)? }
        } else {
            // Shutter and frames do not ask where.
            Place { latitude_deg: 0.0, longitude_deg: 0.0 }
        };
        let date = self.text(Field::Date).trim();
        let date = date
            .parse::<jiff::civil::Date>()
            .map_err(|_unreadable| format!("Evening of: \"{date}\" is not a date such as 2027-03-10"))?;
        let zone = time_zone(self.text(Field::Zone)).map_err(|error| error.to_string())?;
        let aim = match self.pointing {
            PointingBy::Declination => Aim::Declination(self.number(Field::Declination)?),
            PointingBy::Direction => {
                Aim::Horizon { azimuth_deg: self.number(Field::Azimuth)?, altitude_deg: self.number(Field::Altitude)? }
            }
        };
        let exposure = self.text(Field::Exposure).trim();
        Ok(PlanRequest {
            camera: Camera {
                focal_mm: self.number(Field::Focal)?,
                aperture: self.number(Field::Aperture)?,
                sensor_width_mm: self.number(Field::SensorWidth)?,
                sensor_height_mm: None,
                width_px: self.count(Field::Pixels)?,
            },
            aim,
            wanted_trail: self.wanted_trail()?,
            galactic_above_deg: self.number(Field::CenterAbove)?,
            burst: BurstRequest {
                exposure_secs: if exposure.is_empty() { None } else { Some(self.number(Field::Exposure)?) },
                n_frames: self.count(Field::Frames)?,
                gap_secs: self.number(Field::Gap)?,
                light: self.light_source(frame)?,
                ..BurstRequest::default()
            },
            ..PlanRequest::new(place, date, zone)
        })
    }

    fn light_source(&self, frame: Option<&FrameFinding>) -> Result<LightSource, String> {
        match self.light {
            LightFrom::Typical => Ok(LightSource::Typical {
                sky_mag_per_arcsec2: self.number(Field::Sky)?,
                read_noise_e: self.number(Field::ReadNoise)?,
            }),
            LightFrom::FrameShown => frame
                .and_then(|frame| frame.field.as_ref()?.light_source(&frame.metadata))
                .ok_or_else(|| "Show a raw frame that tells its exposure, or choose typical light".to_owned()),
        }
    }

    /// A number of pixels, or a length with µm or um behind it.
    fn wanted_trail(&self) -> Result<WantedTrail, String> {
        let text = self.text(Field::Trail).trim();
        let number = |text: &str| text.trim().parse::<f64>().ok();
        let micrometers = text.strip_suffix("µm").or_else(|| text.strip_suffix("um")).map(number);
        let wanted = match micrometers {
            Some(um) => um.map(WantedTrail::CircleUm),
            None => number(text.strip_suffix("px").unwrap_or(text)).map(WantedTrail::Px),
        };
        wanted.ok_or_else(|| format!("Accepted trail: \"{text}\" is neither pixels, as in 3 px, nor as in 30 µm"))
    }

    fn number(&self, field: Field) -> Result<f64, String> {
        let text = self.text(field).trim();
        // A comma where people write one.
        let number = text.replace(',', ".").parse::<f64>().ok();
        number.ok_or_else(|| format!("{}: \"{text}\" is not a number", FIELDS[field as usize].name))
    }

    fn count(&self, field: Field) -> Result<usize, String> {
        let text = self.text(field).trim();
        let count = text.parse::<usize>().ok();
        count.ok_or_else(|| format!("{}: \"{text}\" is not a whole number", FIELDS[field as usize].name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(changes: &[(Field, &str)]) -> PlanForm {
        let mut form = PlanForm::default();
        let place = [
            (Field::Latitude, "46.5"),
            (Field::Longitude, "8,0"),
            (Field::Date, "2027-03-10"),
            (Field::Zone, "Europe/Zurich"),
        ];
        for (field, text) in place.iter().chain(changes) {
            form.set(*field, (*text).to_owned());
        }
        form
    }

    fn problem(changes: &[(Field, &str)]) -> String {
        filled(changes).planned(None).problem.unwrap_or_default()
    }

    #[test]
    fn fields_stand_in_the_order_of_their_kinds() {
        for (index, kind) in FIELDS.iter().enumerate() {
            assert_eq!(kind.field as usize, index, "{}", kind.name);
        }
    }

    #[test]
    fn a_filled_form_is_a_plan() {
        let planned = filled(&[]).planned(None);
        let plan = planned.plan.expect("all fields are sound");
        assert_eq!((planned.problem, plan.longitude_deg), (None, 8.0), "a comma is as good as a point");
        assert_eq!(plan.shutter.wanted_trail_px, 3.0, "as it stands at first");
        let circle = filled(&[(Field::Trail, "30 µm")]).planned(None).plan.expect("a circle of confusion");
        assert!((circle.shutter.wanted_trail_px - 7.66).abs() < 0.01, "{}", circle.shutter.wanted_trail_px);
    }

    #[test]
    fn what_is_wrong_is_named_with_its_field() {
        assert!(problem(&[(Field::Focal, "wide")]).starts_with("Focal length, mm: \"wide\""), "a word");
        assert!(problem(&[(Field::Date, "tomorrow")]).contains("2027-03-10"), "an example is given");
        assert!(problem(&[(Field::Latitude, "91")]).contains("between -90 and 90"), "off the globe");
        assert!(problem(&[(Field::Trail, "short")]).contains("3 px"), "an example is given");
        assert!(problem(&[(Field::Frames, "2.5")]).contains("whole number"), "half a frame");
    }

    #[test]
    fn without_a_place_shutter_and_frames_are_told_all_the_same() {
        let planned = filled(&[(Field::Latitude, " ")]).planned(None);
        assert!(planned.plan.is_some() && !planned.has_place, "{planned:?}");
        assert!(planned.problem.is_some_and(|problem| problem.contains("Latitude")), "it says what is missing");
    }

    #[test]
    fn days_go_on_over_the_end_of_a_month() {
        assert_eq!(
            filled(&[(Field::Date, "2027-02-28")]).days_later(1).text(Field::Date),
            "2027-03-01",
            "no leap year"
        );
        assert_eq!(filled(&[(Field::Date, "soon")]).days_later(1).text(Field::Date), "soon", "nothing to count from");
    }
}
