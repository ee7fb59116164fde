//! Which light frame becomes the reference frame: sharp, rich in stars, near the middle of the burst.

/// What is measured on a frame that may become the reference.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceMeasure {
    /// Number of stars found.
    pub n_stars: usize,
    /// Median width of the stars; `None` without stars.
    pub fwhm_px: Option<f32>,
    /// Median elongation of the stars.
    pub elongation: Option<f32>,
    /// Middle of the exposure by the camera's clock.
    pub capture_time_secs: Option<f64>,
}

/// Being at the end of the burst counts as much as stars that are this much wider: the sky common to all
/// frames is then smaller, not gone.
const COST_OF_END: f64 = 0.10;

/// The frame to which the others are brought; the first of equals, 0 where nothing is known.
#[must_use]
pub fn choose_reference(measures: &[ReferenceMeasure]) -> usize {
    let most = measures.iter().map(|measure| measure.n_stars).max().unwrap_or(0).max(1) as f64;
    let places = places(measures);
    let cost = |frame: usize| {
        let measure = &measures[frame];
        let Some(fwhm_px) = measure.fwhm_px.filter(|fwhm_px| *fwhm_px > 0.0) else { return f64::INFINITY };
        let elongation = f64::from(measure.elongation.unwrap_or(1.0)).max(1.0);
        // Cloud takes stars: half of them gone costs as much as a width larger by a fifth.
        let loss = (most / measure.n_stars.max(1) as f64).ln();
        f64::from(fwhm_px).ln() + elongation.ln() + 0.27 * loss + COST_OF_END * (2.0 * places[frame] - 1.0).abs()
    };
    (0..measures.len()).min_by(|&a, &b| cost(a).total_cmp(&cost(b))).unwrap_or(0)
}

/// Where each frame lies in the burst, 0 to 1: by time where all frames tell it, else by number.
fn places(measures: &[ReferenceMeasure]) -> Vec<f64> {
    let times: Option<Vec<f64>> = measures.iter().map(|measure| measure.capture_time_secs).collect();
    let values = times.unwrap_or_else(|| (0..measures.len()).map(|frame| frame as f64).collect());
    let first = values.iter().copied().fold(f64::INFINITY, f64::min);
    let last = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let span = last - first;
    values.iter().map(|value| if span > 0.0 { (value - first) / span } else { 0.5 }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(n_stars: usize, fwhm_px: f32) -> ReferenceMeasure {
        ReferenceMeasure { n_stars, fwhm_px: Some(fwhm_px), elongation: Some(1.1), capture_time_secs: None }
    }

    #[test]
    fn among_equal_frames_the_middle_one_is_chosen() {
        assert_eq!(choose_reference(&[frame(300, 2.5); 7]), 3, "the middle of seven");
    }

    #[test]
    fn a_blurred_or_clouded_middle_is_passed_over() {
        let mut burst = [frame(300, 2.5); 7];
        burst[3] = frame(300, 4.0);
        burst[2] = frame(60, 2.5);
        assert_eq!(choose_reference(&burst), 4, "the sharp neighbor with all its stars");
    }

    #[test]
    fn a_frame_without_stars_is_chosen_only_where_there_is_no_other() {
        let none = ReferenceMeasure { n_stars: 0, fwhm_px: None, elongation: None, capture_time_secs: None };
        assert_eq!(choose_reference(&[none, none, frame(10, 9.0)]), 2, "the only one with stars");
        assert_eq!(choose_reference(&[none, none]), 0, "none better than another");
        assert_eq!(choose_reference(&[]), 0, "no frame at all");
    }
}
