//! Stars of a lens with lateral color, drawn on a mosaic: their red and blue must come to lie on green.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;
use crate::demosaic::{TYPICAL_NOISE, demosaic_window, margin_px};

/// Far from the middle of the picture the shift is nearly the same for all stars of a window.
const PRINCIPAL: Point = Point { x: -900.3, y: -650.8 };
const SIZE: Size = Size { width: 480, height: 480 };
/// Gaussian of 2.25 px full width at half height.
const SIGMA_PX: f64 = 0.955;
const COLOR: [f64; 3] = [0.6, 1.0, 0.7];

struct Sky {
    stars: Vec<Point>,
    scale: [f64; 3],
}

impl Sky {
    /// A star every 16 px or so, at any place within the mosaic's cells.
    fn new(scale: [f64; 3]) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(8);
        let star = |idx: u32| Point {
            x: f64::from(idx % 28) * 16.0 + 20.0 + random.random_range(0.0..2.0),
            y: f64::from(idx / 28) * 16.0 + 20.0 + random.random_range(0.0..2.0),
        };
        Self { stars: (0..28 * 28).map(star).collect(), scale }
    }

    /// Where a star is drawn in a channel.
    fn place(&self, star: Point, channel: usize) -> Point {
        let drawn = |at: f64, principal: f64| principal + self.scale[channel] * (at - principal);
        Point { x: drawn(star.x, PRINCIPAL.x), y: drawn(star.y, PRINCIPAL.y) }
    }

    fn mosaic(&self, cfa: Cfa, window: Window) -> Vec<f32> {
        let mut samples = vec![0.02_f32; window.size.area()];
        for star in &self.stars {
            for y in star.y as isize - 8..=star.y as isize + 8 {
                for x in star.x as isize - 8..=star.x as isize + 8 {
                    let inside = x >= window.x && y >= window.y;
                    let (column, row) = ((x - window.x) as usize, (y - window.y) as usize);
                    if inside && column < window.size.width && row < window.size.height {
                        let channel = cfa.color_at(x.rem_euclid(2) as usize, y.rem_euclid(2) as usize) as usize;
                        let light = COLOR[channel] * profile(self.place(*star, channel), x, y);
                        samples[window.place(x, y)] += 0.3 * light as f32;
                    }
                }
            }
        }
        samples
    }
}

fn profile(star: Point, x: isize, y: isize) -> f64 {
    (-0.5 * ((x as f64 - star.x).powi(2) + (y as f64 - star.y).powi(2)) / SIGMA_PX.powi(2)).exp()
}

fn corrected(sky: &Sky, cfa: Cfa, window: Window) -> Vec<f32> {
    let colors = [0, 2].map(|channel| (channel, sky.scale[channel]));
    let lateral = Lateral { principal: PRINCIPAL, colors: colors.into_iter().filter(|color| color.1 != 1.0).collect() };
    let mut mosaic = sky.mosaic(cfa, window.grown(lateral.margin_px(window)));
    lateral.correct(TYPICAL_NOISE, cfa, window, &mut mosaic, &mut Buffers::default());
    assert_eq!(mosaic.len(), window.size.area(), "trimmed to the window");
    mosaic
}

fn whole() -> Window {
    Window { x: 0, y: 0, size: SIZE }
}

/// Mean distance outwards of a channel's stars from green ones, as demosaic shows them.
fn shift_from_green(sky: &Sky, cfa: Cfa, mosaic: &[f32], channel: usize) -> f64 {
    let reach = margin_px(Layout::Mosaic(cfa));
    let size = Size { width: SIZE.width - 2 * reach, height: SIZE.height - 2 * reach };
    let window = Window { x: reach as isize, y: reach as isize, size };
    let mut pixels = Vec::new();
    demosaic_window(TYPICAL_NOISE, Layout::Mosaic(cfa), window, &[mosaic.to_vec()], &mut pixels);
    let centroid = |star: Point, lane: usize| {
        let mut place = star;
        // A centroid under a Gaussian window moves half of the way (adaptive moments).
        for _ in 0..40 {
            let (mut sum, mut away) = (0.0, [0.0, 0.0]);
            for y in star.y as isize - 6..=star.y as isize + 7 {
                for x in star.x as isize - 6..=star.x as isize + 7 {
                    let light = f64::from(pixels[window.place(x, y)][lane] - 0.02) * profile(place, x, y);
                    sum += light;
                    away[0] += light * (x as f64 - place.x);
                    away[1] += light * (y as f64 - place.y);
                }
            }
            place = Point { x: place.x + 2.0 * away[0] / sum, y: place.y + 2.0 * away[1] / sum };
        }
        place
    };
    let shift = |&star: &Point| {
        let outwards = [star.x - PRINCIPAL.x, star.y - PRINCIPAL.y];
        let (green, color) = (centroid(star, GREEN), centroid(star, channel));
        ((color.x - green.x) * outwards[0] + (color.y - green.y) * outwards[1]) / outwards[0].hypot(outwards[1])
    };
    sky.stars.iter().map(shift).sum::<f64>() / sky.stars.len() as f64
}

#[test]
fn red_and_blue_come_to_lie_on_green() {
    use CfaColor::{Blue, Green, Red};
    for cfa in [Cfa::RGGB, Cfa([[Green, Blue], [Red, Green]])] {
        // Up to a pixel at the far end, and as much as most lenses have.
        for scale in [[1.0007, 1.0, 0.9995], [1.0002, 1.0, 0.99986]] {
            let sky = Sky::new(scale);
            let raw = sky.mosaic(cfa, whole());
            let mosaic = corrected(&sky, cfa, whole());
            for channel in [0, 2] {
                let radius = SIZE.center().distance(PRINCIPAL);
                let (drawn, before) = ((scale[channel] - 1.0) * radius, shift_from_green(&sky, cfa, &raw, channel));
                let after = shift_from_green(&sky, cfa, &mosaic, channel);
                let report = format!("{cfa:?}: drawn {drawn:.3} px off, shown {before:.3} px, then {after:.3} px");
                assert!(before.abs() > 0.3 * drawn.abs(), "there is something to put right: {report}");
                // What the stars differ from white is read between samples two pixels apart, which moves it a tenth
                // short.
                assert!(after.abs() < 0.03 * drawn.abs() + 0.016, "{report}");
            }
        }
    }
}

#[test]
fn green_stays_and_an_even_picture_stays_even() {
    let sky = Sky::new([1.0007, 1.0, 0.9995]);
    let (raw, mosaic) = (sky.mosaic(Cfa::RGGB, whole()), corrected(&sky, Cfa::RGGB, whole()));
    for y in 0..SIZE.height {
        for x in (0..SIZE.width).filter(|x| (x + y) % 2 == 1) {
            let place = y * SIZE.width + x;
            assert_eq!(raw[place], mosaic[place], "green at ({x}, {y})");
        }
    }
    let even = Sky { stars: Vec::new(), ..sky };
    let furthest = corrected(&even, Cfa::RGGB, whole()).into_iter().map(|sample| (sample - 0.02).abs());
    assert!(furthest.fold(0.0, f32::max) < 1e-6, "no star, nothing to move");
}

#[test]
fn a_sample_does_not_depend_on_the_window_that_asks() {
    let sky = Sky::new([1.0007, 1.0, 0.9995]);
    let all = corrected(&sky, Cfa::RGGB, whole());
    let part = Window { x: 101, y: 76, size: Size { width: 63, height: 41 } };
    for (place, sample) in corrected(&sky, Cfa::RGGB, part).into_iter().enumerate() {
        let (x, y) = (part.x + (place % 63) as isize, part.y + (place / 63) as isize);
        assert_eq!(sample, all[whole().place(x, y)], "({x}, {y})");
    }
}
