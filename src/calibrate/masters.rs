//! Master bias, dark and flat frames: sigma-clipped means over many frames, one frame in memory at a time.
//!
//! Every frame is asked for twice. The first pass keeps sum, sum of squares, least and greatest of each
//! sample; the mean without the two extremes is a centre that one stray particle cannot move. The second
//! pass takes the mean of what lies within `CLIP_SIGMA` of that centre. Memory is four planes whatever
//! the number of frames (a median would need them all at once), at the price of decoding twice.
//!
//! Darks and bias are on the scale of [`calibrate`](fn@crate::calibrate::calibrate): 0.0 at the declared black
//! level, 1.0 at white. A flat has mean 1.0 in each CFA colour, so it changes no colour balance.

use rayon::prelude::*;

use crate::calibrate::agreement::{Masters, Mismatch, Setup};
use crate::calibrate::calibrate;
use crate::calibrate::neighbours::at_stride;
use crate::pixels::{CalibratedFrame, Layout, Plane, Size};
use crate::raw::RawFrame;

/// Samples farther from the centre are left out of a master: 1 in 16 000 of normal noise.
const CLIP_SIGMA: f32 = 4.0;
/// With fewer frames the extremes are too large a part of the samples to be left out.
const MIN_FRAMES_TO_CLIP: usize = 4;
/// A flat darker than this against its mean shows a dead pixel or a rim, not vignetting.
const MIN_FLAT: f32 = 0.02;
/// Pixels looked at for a typical noise.
const TYPICAL_SAMPLES: usize = 100_000;

/// The mean of many calibration frames.
#[derive(Clone, Debug, PartialEq)]
pub struct Master {
    /// As the layout says.
    pub planes: Vec<Plane<f32>>,
    /// How its frames were taken.
    pub setup: Setup,
    /// How many there were.
    pub n_frames: usize,
}

/// A master, and the frames that were left out because they are unlike the first one.
pub type Built = (Option<Master>, Vec<(usize, Mismatch)>);

/// The master bias of `n_frames` frames; `frame(k)` is called twice for each `k`, `None` leaves it out.
pub fn master_bias<E>(n_frames: usize, frame: impl FnMut(usize) -> Result<Option<RawFrame>, E>) -> Result<Built, E> {
    build(n_frames, frame, |raw| calibrate(raw, &Masters::default()))
}

/// The master dark of `n_frames` frames; `frame(k)` is called twice for each `k`, `None` leaves it out.
pub fn master_dark<E>(n_frames: usize, frame: impl FnMut(usize) -> Result<Option<RawFrame>, E>) -> Result<Built, E> {
    build(n_frames, frame, |raw| calibrate(raw, &Masters::default()))
}

/// The master flat of `n_frames` frames, each less `bias` and brought to mean 1.0 in each colour.
///
/// `frame(k)` is called twice for each `k`, `None` leaves it out.
pub fn master_flat<E>(
    n_frames: usize,
    bias: Option<&Master>,
    frame: impl FnMut(usize) -> Result<Option<RawFrame>, E>,
) -> Result<Built, E> {
    let (mut built, left_out) = build(n_frames, frame, |raw| {
        // A flat of another size than the bias cannot be of use to these lights either.
        let (masters, _) = Masters::for_lights(&Setup::of(raw), bias.cloned(), None, None);
        let mut flat = calibrate(raw, &masters);
        normalize(&mut flat);
        flat
    })?;
    if let Some(master) = &mut built {
        master.planes.iter_mut().flat_map(Plane::samples_mut).for_each(|value| *value = value.max(MIN_FLAT));
    }
    Ok((built, left_out))
}

/// Brings each colour to mean 1.0.
fn normalize(flat: &mut CalibratedFrame) {
    let n_colors = 3;
    let layout = flat.layout;
    let color_of = |channel: usize, x: usize, y: usize| match layout {
        Layout::Mosaic(cfa) => cfa.color_at(x, y) as usize,
        Layout::Rgb => channel,
    };
    let mut sums = vec![(0.0_f64, 0_usize); n_colors];
    for (channel, plane) in flat.planes.iter().enumerate() {
        for y in 0..plane.height() {
            for phase in 0..2 {
                let sum = &mut sums[color_of(channel, phase, y)];
                for &value in plane.row(y).iter().skip(phase).step_by(2) {
                    sum.0 += f64::from(value);
                    sum.1 += 1;
                }
            }
        }
    }
    let scale = |color: usize| {
        let (sum, n) = sums[color];
        if sum > 0.0 { (n as f64 / sum) as f32 } else { 1.0 }
    };
    for (channel, plane) in flat.planes.iter_mut().enumerate() {
        for y in 0..plane.height() {
            let scales = [scale(color_of(channel, 0, y)), scale(color_of(channel, 1, y))];
            plane.row_mut(y).iter_mut().enumerate().for_each(|(x, value)| *value *= scales[x % 2]);
        }
    }
}

fn build<E>(
    n_frames: usize,
    mut frame: impl FnMut(usize) -> Result<Option<RawFrame>, E>,
    prepare: impl Fn(&RawFrame) -> CalibratedFrame,
) -> Result<Built, E> {
    let mut left_out = Vec::new();
    let mut used = Vec::new();
    let mut extremes: Option<(Setup, Vec<Extremes>)> = None;
    for index in 0..n_frames {
        let Some(raw) = frame(index)? else { continue };
        let (setup, planes) = extremes.get_or_insert_with(|| {
            let planes = (0..raw.planes.len()).map(|_| Extremes::new(raw.size())).collect();
            (Setup::of(&raw), planes)
        });
        if let Some(mismatch) = Setup::of(&raw).obstacle(setup) {
            left_out.push((index, mismatch));
            continue;
        }
        let prepared = prepare(&raw);
        planes.iter_mut().zip(&prepared.planes).for_each(|(extremes, plane)| extremes.add(plane));
        used.push(index);
    }
    let Some((setup, extremes)) = extremes else { return Ok((None, left_out)) };
    let n = used.len();
    if n < MIN_FRAMES_TO_CLIP {
        let planes = extremes.into_iter().map(|extremes| extremes.few(n)).collect();
        return Ok((Some(Master { planes, setup, n_frames: n }), left_out));
    }
    let mut clipped: Vec<Clipped> = extremes.into_iter().map(|extremes| extremes.clip_range(n)).collect();
    for &index in &used {
        let Some(raw) = frame(index)? else { continue };
        let prepared = prepare(&raw);
        clipped.iter_mut().zip(&prepared.planes).for_each(|(clipped, plane)| clipped.add(plane));
    }
    let planes = clipped.into_iter().map(Clipped::finish).collect();
    Ok((Some(Master { planes, setup, n_frames: n }), left_out))
}

/// What the first pass keeps of each sample.
#[derive(Clone, Copy)]
struct Range {
    sum: f32,
    sum_of_squares: f32,
    least: f32,
    greatest: f32,
}

struct Extremes {
    size: Size,
    ranges: Vec<Range>,
}

impl Extremes {
    fn new(size: Size) -> Self {
        let none = Range { sum: 0.0, sum_of_squares: 0.0, least: f32::INFINITY, greatest: f32::NEG_INFINITY };
        Self { size, ranges: vec![none; size.area()] }
    }

    fn add(&mut self, plane: &Plane<f32>) {
        self.ranges.par_iter_mut().with_min_len(1 << 16).zip(plane.samples()).for_each(|(range, &value)| {
            range.sum += value;
            range.sum_of_squares += value * value;
            range.least = range.least.min(value);
            range.greatest = range.greatest.max(value);
        });
    }

    /// The mean of one or two frames, the median of three.
    fn few(self, n: usize) -> Plane<f32> {
        let center = |range: &Range| match n {
            3 => range.sum - range.least - range.greatest,
            _ => range.sum / n as f32,
        };
        plane_of(self.size, self.ranges.iter().map(center).collect())
    }

    /// Where the samples of the second pass must lie: around the mean without both extremes.
    fn clip_range(self, n: usize) -> Clipped {
        let inner = n as f32 - 2.0;
        let center = |range: &Range| (range.sum - range.least - range.greatest) / inner;
        let inner_variance = |range: &Range| {
            let squares = range.sum_of_squares - range.least * range.least - range.greatest * range.greatest;
            (squares / inner - center(range).powi(2)).max(0.0)
        };
        let full_variance = |range: &Range| {
            (range.sum_of_squares / n as f32 - (range.sum / n as f32).powi(2)).max(0.0) * n as f32 / (n as f32 - 1.0)
        };
        // Leaving out the extremes makes the spread smaller, by a factor that most samples, which have no
        // outlier, tell; and few samples of one pixel may agree by chance, so the typical spread is a floor.
        let typical_inner = at_stride(&self.ranges, TYPICAL_SAMPLES, inner_variance);
        let typical_full = at_stride(&self.ranges, TYPICAL_SAMPLES, full_variance);
        let growth = if typical_inner > 0.0 { typical_full / typical_inner } else { 1.0 };
        // Both items have one size, so the standard library collects in the same memory.
        let limits = self.ranges.into_iter().map(|range| {
            let reach = CLIP_SIGMA * (growth * inner_variance(&range)).max(typical_full).sqrt();
            Limits { center: center(&range), reach, sum: 0.0, n: 0 }
        });
        Clipped { size: self.size, limits: limits.collect() }
    }
}

/// What the second pass keeps of each sample.
#[derive(Clone, Copy)]
struct Limits {
    center: f32,
    reach: f32,
    sum: f32,
    n: u32,
}

struct Clipped {
    size: Size,
    limits: Vec<Limits>,
}

impl Clipped {
    fn add(&mut self, plane: &Plane<f32>) {
        self.limits.par_iter_mut().with_min_len(1 << 16).zip(plane.samples()).for_each(|(limits, &value)| {
            let offset = value - limits.center;
            if offset.abs() <= limits.reach {
                limits.sum += offset;
                limits.n += 1;
            }
        });
    }

    fn finish(self) -> Plane<f32> {
        let mean = |limits: &Limits| limits.center + if limits.n > 0 { limits.sum / limits.n as f32 } else { 0.0 };
        plane_of(self.size, self.limits.iter().map(mean).collect())
    }
}

fn plane_of(size: Size, samples: Vec<f32>) -> Plane<f32> {
    Plane::from_vec(size, samples).expect("one value a pixel")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pixels::{Cfa, Orientation};
    use crate::raw::{CameraColor, Metadata, TransferFunction};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use rand_distr::StandardNormal;
    use std::convert::Infallible;

    const SIZE: Size = Size { width: 64, height: 48 };

    fn raw(sample: impl FnMut(usize, usize) -> u16) -> RawFrame {
        RawFrame {
            layout: Layout::Mosaic(Cfa::RGGB),
            planes: vec![Plane::from_fn(SIZE, sample)],
            black_level: [1000.0; 4],
            white_level: 11_000,
            transfer: TransferFunction::Linear,
            color: CameraColor::SRGB,
            orientation: Orientation::Normal,
            metadata: Metadata {
                model: Some("Invented One".to_owned()),
                iso: Some(3200),
                exposure_secs: Some(13.0),
                ..Metadata::default()
            },
            margins: crate::raw::Margins::default(),
        }
    }

    /// Dark current of 0.01 with a noise of 20 data numbers.
    fn noisy_dark(seed: usize) -> RawFrame {
        let mut random = ChaCha8Rng::seed_from_u64(seed as u64);
        raw(|_, _| (1100.0 + 20.0 * random.sample::<f64, _>(StandardNormal)).round() as u16)
    }

    #[test]
    fn a_particle_in_one_of_ten_darks_leaves_no_trace() {
        let dark = |k: usize| {
            let mut dark = noisy_dark(k);
            dark.planes[0].set(10 + k, 20, 9000);
            Ok::<_, Infallible>(Some(dark))
        };
        let (master, left_out) = master_dark(10, dark).expect("frames in memory");
        let master = master.expect("ten frames");
        assert_eq!((master.n_frames, left_out.len()), (10, 0), "all are used");
        let samples = master.planes[0].samples();
        let mean = samples.iter().sum::<f32>() / samples.len() as f32;
        // Noise of the mean of 3072 means of ten: 20 / 10 000 / sqrt(30 720).
        assert!((mean - 0.01).abs() < 5e-5, "mean dark {mean}");
        for k in 0..10 {
            let hit = master.planes[0].at(10 + k, 20);
            assert!((hit - 0.01).abs() < 5.0 * 0.002 / 3.0, "hit in frame {k}: {hit}, a plain mean has 0.08 more");
        }
    }

    /// The clipped mean of normal noise is as good as the mean: few are clipped.
    #[test]
    fn twenty_darks_have_the_noise_of_their_mean() {
        let (master, _) = master_dark(20, |k| Ok::<_, Infallible>(Some(noisy_dark(k)))).expect("frames in memory");
        let samples = master.expect("twenty frames").planes[0].samples().to_vec();
        let variance = samples.iter().map(|&value| (value - 0.01).powi(2)).sum::<f32>() / samples.len() as f32;
        let gain = 0.002 / variance.sqrt();
        assert!((gain / 20_f32.sqrt() - 1.0).abs() < 0.04, "noise is less by {gain}, the square root of 20 is 4.47");
    }

    #[test]
    fn three_darks_give_their_median() {
        let levels = [1100, 1300, 9000];
        let (master, _) = master_dark(3, |k| Ok::<_, Infallible>(Some(raw(|_, _| levels[k])))).expect("in memory");
        assert!((master.expect("three").planes[0].at(5, 5) - 0.03).abs() < 1e-6, "the middle one");
    }

    #[test]
    fn a_flat_has_mean_one_in_each_color_and_shows_the_lens() {
        // Vignetting along x, three colors of different brightness, skies of different brightness.
        let level = |k: usize, x: usize, y: usize| {
            let color = [0.5, 1.0, 0.7][Cfa::RGGB.color_at(x, y) as usize];
            (1000.0 + color * (4000.0 + 1000.0 * k as f64) * (1.0 - 0.3 * x as f64 / 64.0)) as u16
        };
        let flat = |k: usize| Ok::<_, Infallible>(Some(raw(|x, y| level(k, x, y))));
        let (master, _) = master_flat(5, None, flat).expect("in memory");
        let plane = &master.expect("five").planes[0];
        let ratio = plane.at(60, 0) / plane.at(0, 0);
        let expected = 1.0 - 0.3 * 60.0 / 64.0;
        assert!((ratio - expected).abs() < 1e-3, "red falls to {ratio}, the lens to {expected}");
        assert!((plane.at(30, 10) / plane.at(31, 11) - 1.0).abs() < 0.01, "red and blue are alike");
        let mean = plane.samples().iter().sum::<f32>() / plane.samples().len() as f32;
        assert!((mean - 1.0).abs() < 1e-4, "mean {mean}");
    }

    #[test]
    fn an_unreadable_frame_is_left_out_and_a_smaller_one_is_named() {
        let frame = |k: usize| {
            Ok::<_, Infallible>(match k {
                0 => Some(raw(|_, _| 1100)),
                1 => None,
                _ => {
                    let mut small = raw(|_, _| 1100);
                    small.planes[0] = Plane::filled(Size { width: 32, height: 24 }, 1100);
                    Some(small)
                }
            })
        };
        let (master, left_out) = master_dark(3, frame).expect("in memory");
        assert_eq!(master.expect("one is left").n_frames, 1, "the first alone");
        let expected = Mismatch::Size { found: Size { width: 32, height: 24 }, needed: SIZE };
        assert_eq!(left_out, [(2, expected)], "the third, with both sizes");
    }
}
