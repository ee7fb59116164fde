//! The tone curve: intensity in, displayed light out, the same factor for all three channels.
//!
//! Lupton et al. 2004 (PASP 116, 133): an arcsinh of the mean of the three channels, so that the
//! ratios of the channels, and with them the colours of the stars, stay. Here the black point comes
//! first, with a soft toe so that land darker than the sky is not cut off: with u the intensity in
//! units of the sky's, u' = (u - b + √((u - b)² + 4 k²)) / 2, less its value at 0. Black stays
//! black, far above b light is only shifted.

/// Entries of the table over the square root of the intensity.
const N_STEPS: usize = 4096;

/// The table's end, over the white level: balanced channels go above 1.0 where one had to be lifted.
const TOP: f32 = 4.0;

/// Half-width of the toe over the black point. Common practice, no source: chosen by eye.
const TOE_PER_BLACK: f64 = 0.8;

/// What a tone curve is made from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tone {
    /// Intensity of the sky background, 1.0 at the white level.
    pub sky: f64,
    /// Black point in parts of the sky.
    pub black: f64,
    /// Lift of the faintest light over bright light.
    pub stops: f64,
    /// Brightness.
    pub exposure_ev: f64,
}

impl Tone {
    /// The stops that bring the sky background to `target` of displayed light (linear).
    ///
    /// Zero where the sky is brighter than that even without a stretch.
    #[must_use]
    pub(super) fn stops_for_sky(sky: f64, black: f64, target: f64) -> f64 {
        let shown = |stops: f64| Self { sky, black, stops, exposure_ev: 0.0 }.light(sky);
        let (mut low, mut high) = (0.0, MOST_STOPS);
        if shown(low) >= target {
            return low;
        }
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if shown(middle) < target { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// Displayed light (linear) of an intensity; 1.0 for the white level at no exposure change.
    #[must_use]
    pub(super) fn light(&self, intensity: f64) -> f64 {
        let shadows = |intensity: f64| toe(intensity / self.sky, self.black);
        let relative = shadows(intensity) / shadows(1.0) * self.exposure_ev.exp2();
        match steepness(self.stops) {
            steepness if steepness < 1e-3 => relative,
            steepness => (steepness * relative).asinh() / steepness.asinh(),
        }
    }
}

/// The longest lift on offer: a thousandfold and more.
pub(super) const MOST_STOPS: f64 = 12.0;

/// Light above the black point, in units of the sky.
fn toe(units: f64, black: f64) -> f64 {
    let half_width = TOE_PER_BLACK * black;
    let soft = |distance: f64| 0.5 * (distance + distance.hypot(2.0 * half_width));
    soft(units - black) - soft(-black)
}

/// The q of asinh(q x) / asinh(q) whose slope at 0 is 2 to the power of `stops`.
fn steepness(stops: f64) -> f64 {
    let wanted = stops.clamp(0.0, MOST_STOPS).exp2();
    let (mut low, mut high) = (0.0_f64, 1e7_f64);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        let slope = if middle > 1e-9 { middle / middle.asinh() } else { 1.0 };
        if slope < wanted { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// A tone curve as a table of the factor that turns an intensity into displayed light.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct ToneTable(Box<[[f32; 2]; N_STEPS + 1]>);

impl ToneTable {
    /// The table of a curve.
    #[must_use]
    pub(super) fn new(tone: &Tone) -> Self {
        let factor = |step: usize| {
            // The factor at 0 is the slope there; a tenth of a step away it is the same.
            let root = (step as f64).clamp(0.1, N_STEPS as f64) / N_STEPS as f64;
            let intensity = root * root * f64::from(TOP);
            (tone.light(intensity) / intensity) as f32
        };
        Self(Box::new(std::array::from_fn(|step| [factor(step), factor(step + 1) - factor(step)])))
    }

    /// Where an intensity is found in a table: below 0 as at 0, above the table's end as at its end.
    #[must_use]
    #[inline(always)]
    #[allow(clippy::manual_clamp, reason = "clamp would let not-a-number through")]
    pub(super) fn position(intensity: f32) -> f32 {
        (intensity.max(0.0).min(TOP) * (1.0 / TOP)).sqrt() * N_STEPS as f32
    }

    /// Displayed light over intensity at a position.
    #[must_use]
    #[inline(always)]
    pub(super) fn factor_at(&self, position: f32) -> f32 {
        let step = position as u32;
        let [factor, rise] = self.0[step as usize];
        factor + (position - step as f32) * rise
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TONE: Tone = Tone { sky: 0.01, black: 0.5, stops: 3.0, exposure_ev: 0.0 };

    #[test]
    fn the_curve_rises_from_black_to_white() {
        assert_eq!(TONE.light(0.0), 0.0, "black stays black");
        assert!((TONE.light(1.0) - 1.0).abs() < 1e-12, "the white level is white");
        let lights: Vec<f64> = (0..1000).map(|step| TONE.light(f64::from(step) / 999.0)).collect();
        assert!(lights.windows(2).all(|pair| pair[0] < pair[1]), "more light is never darker");
    }

    #[test]
    fn the_faintest_light_is_lifted_by_the_stops_given() {
        let tone = Tone { black: 0.0, ..TONE };
        let slope = tone.light(1e-9) / 1e-9;
        assert!((slope.log2() - 3.0).abs() < 1e-6, "lifted by {} stops", slope.log2());
    }

    #[test]
    fn the_sky_lands_where_it_is_wanted() {
        for sky in [0.0005, 0.002, 0.01] {
            let stops = Tone::stops_for_sky(sky, 0.5, 0.02);
            let light = Tone { sky, stops, ..TONE }.light(sky);
            assert!((light - 0.02).abs() < 1e-6, "a sky of {sky} is shown at {light}");
        }
        assert_eq!(Tone::stops_for_sky(0.3, 0.5, 0.02), 0.0, "a moonlit sky needs no lift");
    }

    #[test]
    fn one_stop_of_exposure_doubles_faint_light() {
        let brighter = Tone { exposure_ev: 1.0, ..TONE };
        let ratio = brighter.light(1e-6) / TONE.light(1e-6);
        assert!((ratio - 2.0).abs() < 1e-3, "ratio {ratio}");
    }

    #[test]
    fn the_table_follows_the_curve_within_a_thousandth() {
        for sky in [0.0005, 0.005, 0.05] {
            let tone = Tone { sky, ..TONE };
            let table = ToneTable::new(&tone);
            for step in 1..=20_000 {
                let intensity = f64::from(step) / 10_000.0;
                let found = f64::from(table.factor_at(ToneTable::position(intensity as f32))) * intensity;
                let exact = tone.light(intensity);
                assert!((found / exact - 1.0).abs() < 1e-3, "light {found} of {intensity}, not {exact}");
            }
        }
        assert_eq!(ToneTable::position(-0.3), 0.0, "noise below black has the factor of black");
        assert_eq!(ToneTable::position(f32::NAN), 0.0, "so has no number");
        assert!(ToneTable::new(&TONE).factor_at(ToneTable::position(99.0)) > 0.0, "far above white is still light");
    }
}
