//! How dark a site is: the nine classes of Bortle (*Sky & Telescope*, February 2001) in our own words,
//! with a rough sky brightness at the zenith. The brightness figures are later custom, not Bortle's;
//! both are from memory.

/// One class of night sky.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct SkyClass {
    /// 1, the darkest, to 9.
    pub class: u8,
    /// What the sky shows.
    pub words: &'static str,
    /// V magnitudes per square arcsecond, roughly the middle of the class.
    pub sky_mag_per_arcsec2: f64,
}

/// All classes, darkest first.
pub const CLASSES: [SkyClass; 9] = [
    class(1, "as dark as the ground offers: the Milky Way throws faint shadows", 22.0),
    class(2, "truly dark: clouds are black holes, the Milky Way is richly structured", 21.9),
    class(3, "country: a little glow at the horizon, the Milky Way still detailed", 21.8),
    class(4, "country near towns: domes of light in several directions", 21.1),
    class(5, "suburb: the Milky Way only faint and high up", 20.0),
    class(6, "bright suburb: the Milky Way at best at the zenith", 19.2),
    class(7, "edge of a city: the whole sky grayish", 18.7),
    class(8, "city: sky bright enough to read headlines", 18.2),
    class(9, "inner city: only the brightest stars", 17.5),
];

/// The class of that number, 1 to 9.
#[must_use]
pub fn sky_class(number: u8) -> Option<SkyClass> {
    CLASSES.into_iter().find(|class| class.class == number)
}

/// The class whose brightness is nearest.
#[must_use]
pub fn nearest_class(sky_mag_per_arcsec2: f64) -> SkyClass {
    let distance = |class: &SkyClass| (class.sky_mag_per_arcsec2 - sky_mag_per_arcsec2).abs();
    CLASSES.into_iter().min_by(|a, b| distance(a).total_cmp(&distance(b))).expect("there are nine classes")
}

const fn class(class: u8, words: &'static str, sky_mag_per_arcsec2: f64) -> SkyClass {
    SkyClass { class, words, sky_mag_per_arcsec2 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_get_brighter_in_order() {
        let ordered = CLASSES.windows(2).all(|pair| {
            pair[0].class + 1 == pair[1].class && pair[0].sky_mag_per_arcsec2 > pair[1].sky_mag_per_arcsec2
        });
        assert!(ordered, "{CLASSES:?}");
    }

    #[test]
    fn a_measured_brightness_finds_its_class() {
        assert_eq!(nearest_class(21.2).class, 4, "a country sky");
        assert_eq!(nearest_class(12.0).class, 9, "brighter than any class");
        assert_eq!(sky_class(10), None, "there is no tenth class");
    }
}
