//! Bright stars of all colors on a dark sky: no color may fall below the sky around them.
use super::*;

const SKY: f32 = 0.02;
/// Light of a star's middle by color, before the sensor is full.
const STARS: [[f32; 3]; 6] = [
    [0.48, 0.8, 0.48],
    [0.60, 0.8, 0.36],
    [0.36, 0.8, 0.60],
    [0.12, 0.2, 0.12],
    // These fill the sensor in green, and in all colors.
    [1.5, 2.5, 1.5],
    [9.0, 15.0, 9.0],
];
const STEP_PX: usize = 40;
const WIDE: Size = Size { width: STEP_PX * STARS.len(), height: 48 };

fn place(idx: usize) -> (f64, f64) {
    ((STEP_PX * idx + STEP_PX / 2) as f64 + 0.3, 24.4)
}

#[test]
fn bright_stars_do_not_ring_in_any_color() {
    let n_frames = 9;
    let noise = NoiseModel { read_variance: 4e-8, photon_variance_per_unit: 4e-5 };
    let drift = |idx: usize| (0.37 * idx as f64, -0.21 * idx as f64);
    for fwhm_px in [1.8, 2.3, 3.0] {
        let light = |idx: usize, x: f64, y: f64| {
            let channel = Cfa::RGGB.color_at(x as usize % 2, y as usize % 2) as usize;
            let (dx, dy) = drift(idx);
            let stars: f32 = (STARS.iter().enumerate())
                .map(|(idx, color)| color[channel] * star(x - place(idx).0 - dx, y - place(idx).1 - dy, fwhm_px))
                .sum();
            (SKY + stars).min(1.0)
        };
        let rows = grey_frames(WIDE, n_frames, 0.001, light);
        let stack = run(&rows, &StackRequest { noise: Some(noise), ..request(drifting(n_frames)) });
        for (star, color) in STARS.iter().enumerate() {
            for (channel, plane) in stack.image.planes.iter().enumerate() {
                let (x0, y0) = place(star);
                let at_distance = |reach: f64| {
                    let all = (0..WIDE.height).flat_map(|y| (0..WIDE.width).map(move |x| (x, y)));
                    let ring = all.filter(|&(x, y)| ((x as f64 - x0).hypot(y as f64 - y0) - reach).abs() < 0.5);
                    mean(ring.map(|(x, y)| plane.at(x, y) - SKY))
                };
                let deepest = (1..12).map(|reach| at_distance(f64::from(reach))).fold(f64::MAX, f64::min);
                // A ring has 6 to 70 pixels, each with a third of a frame's noise; the eye sees a ring of a tenth of
                // the sky's light.
                let allowed = -0.1 * f64::from(SKY);
                assert!(deepest > allowed, "{fwhm_px} px, star {color:?}, channel {channel}: a ring of {deepest}");
            }
        }
    }
}
