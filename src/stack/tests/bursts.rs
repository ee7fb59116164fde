//! Noise, trails and star trails of short bursts and of long ones.
use super::*;

/// Means of 8 × 8 pixels of green, whose noise interpolation hardly changes, times 8.
fn block_deviation(image: &LinearImage, margin: usize) -> f64 {
    let Size { width, height } = image.size();
    let starts = |len: usize| (margin..len - margin - 8).step_by(8);
    let mean_of =
        |(x, y): (usize, usize)| (0..64).map(|k| image.planes[1].at(x + k % 8, y + k / 8)).sum::<f32>() / 64.0;
    let blocks: Vec<f32> = starts(height).flat_map(|y| starts(width).map(move |x| (x, y))).map(mean_of).collect();
    8.0 * deviation(blocks.iter().copied())
}

/// The ideal is a mean of all samples, √n times less noise than in one frame; both are measured on means of blocks.
#[test]
fn noise_falls_to_within_a_twentieth_of_what_the_frames_allow() {
    const WIDE: Size = Size { width: 800, height: 560 };
    for n_frames in [3, 5, 8, 16] {
        let rows = grey_frames(WIDE, n_frames, 0.01, |_, _, _| 0.05);
        for colors in [ColorRule::Interpolated, ColorRule::Sampled] {
            if colors == ColorRule::Sampled && n_frames < 12 {
                continue;
            }
            let sky: Vec<StackFrame> =
                (0..n_frames).map(|idx| frame(idx, shifted(1.37 * idx as f64, -0.81 * idx as f64))).collect();
            let request = StackRequest { colors, ..request(sky) };
            let trails = find_trails(&Monitor::silent(), &rows, &request).expect("in memory");
            let stack = run(&rows, &StackRequest { trails: Some(&trails), ..request });
            let single = crate::demosaic::demosaic(&rows.0[0]);
            let share = block_deviation(&single, 32) / block_deviation(&stack.image, 32) / (n_frames as f64).sqrt();
            // 5,800 blocks are good to 1 % for each of the two.
            assert!((0.95..1.04).contains(&share), "{n_frames} frames, {colors:?}: {share} of the ideal");
        }
    }
}

/// Stars of a given width on the way to the right; the shutter is closed half of the time.
#[test]
fn times_between_exposures_join_trails_and_leave_the_sky_dark() {
    let n_frames = 8;
    let step_px = 6.0;
    let sky_at = |idx: usize, x: f64, y: f64| {
        let place = |part: usize| 20.0 + step_px * (idx as f64 + part as f64 / 20.0);
        let open: f32 = (0..10).map(|part| star(x - place(part), y - 45.0, 2.4)).sum();
        0.05 + 0.08 * open
    };
    let rows = grey_frames(SIZE, n_frames, 0.01, sky_at);
    let still: Vec<StackFrame> = (0..n_frames).map(|idx| frame(idx, Transform::Identity)).collect();
    let between: Vec<Between> = (1..n_frames)
        .flat_map(|idx| (1..6).map(move |part| (idx, f64::from(part) / 6.0)))
        .map(|(idx, share)| Between {
            earlier: frame(idx - 1, shifted(-step_px * share, 0.0)),
            later: frame(idx, shifted(step_px * (1.0 - share), 0.0)),
        })
        .collect();
    let apart = run(&rows, &StackRequest { combine: CombineRule::Maximum, ..request(still.clone()) });
    let joined = run(&rows, &StackRequest { combine: CombineRule::Maximum, between, ..request(still) });
    let along = |stack: &Stack| -> Vec<f32> { (24..62).map(|x| stack.image.planes[1].at(x, 45) - 0.05).collect() };
    let dip = |light: &[f32]| {
        let least = light.iter().copied().fold(f32::INFINITY, f32::min);
        f64::from(least) / mean(light.iter().copied())
    };
    let (apart_dip, joined_dip) = (dip(&along(&apart)), dip(&along(&joined)));
    assert!(apart_dip < 0.7, "gaps of 3 px are there: {apart_dip}");
    assert!(joined_dip > 0.85, "joined trails dip to {joined_dip}, others to {apart_dip}");
    let floor = |stack: &Stack| mean((5..30).flat_map(|y| stack.image.planes[1].row(y)[70..110].to_vec()));
    let lifted = (floor(&joined) - floor(&apart)) / 0.01;
    assert!((-0.01..0.05).contains(&lifted), "the floor between the trails is lifted by {lifted} of a frame's noise");
}

/// Few frames and many, in one tile's memory.
#[test]
fn six_hundred_frames_and_two_are_combined() {
    const SMALL: Size = Size { width: 48, height: 32 };
    for n_frames in [2, 600] {
        let rows = grey_frames(SMALL, n_frames, 0.01, |_, _, _| 0.05);
        let sky: Vec<StackFrame> = (0..n_frames).map(|idx| frame(idx, Transform::Identity)).collect();
        let between = (1..n_frames)
            .map(|idx| Between { earlier: frame(idx - 1, shifted(-0.5, 0.0)), later: frame(idx, shifted(0.5, 0.0)) })
            .collect();
        let mean_of = |stack: &Stack| mean(stack.image.planes[1].samples().iter().copied());
        let clipped = run(&rows, &StackRequest { memory_bytes: 0, ..request(sky.clone()) });
        assert!((mean_of(&clipped) - 0.05).abs() < 0.001, "{n_frames} frames: {}", mean_of(&clipped));
        assert_eq!(usize::from(clipped.n_used.at(20, 20) + clipped.n_rejected.at(20, 20)), n_frames, "all were seen");
        for combine in [CombineRule::Mean, CombineRule::Median] {
            let stack = run(&rows, &StackRequest { combine, memory_bytes: 0, ..request(sky.clone()) });
            assert!((mean_of(&stack) - 0.05).abs() < 0.001, "{n_frames} frames, {combine:?}: {}", mean_of(&stack));
            assert_eq!(usize::from(stack.n_used.at(20, 20)), n_frames, "{combine:?} uses all");
        }
        let request = StackRequest { combine: CombineRule::Maximum, between, memory_bytes: 0, ..request(sky) };
        let brightest = run(&rows, &request);
        // Of green demosaiced, 0.90 of the noise: 0.56 deviations above the mean of two, some 3.1 of 600.
        let height = (mean_of(&brightest) - 0.05) / 0.01;
        let expected = if n_frames == 2 { 0.3..0.8 } else { 2.3..3.6 };
        assert!(expected.contains(&height), "the brightest of {n_frames} frames is {height} deviations above");
        assert_eq!(usize::from(brightest.n_used.at(20, 20)), n_frames, "frames, not times between, are counted");
    }
}

/// What is left of a trail of any brightness, in standard deviations of the stack.
#[test]
fn trails_of_any_brightness_leave_less_than_the_noise_of_the_stack() {
    const WIDE: Size = Size { width: 480, height: 300 };
    for n_frames in [3, 5, 8, 16] {
        for peak in [0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 12.0] {
            let across = |x: f64, y: f64| (y - 60.0 - 0.4 * x) / (1.0_f64 + 0.16).sqrt();
            let trail = |x: f64, y: f64| (0.01 * peak * (-across(x, y).powi(2) / 1.8).exp()) as f32;
            let rows = grey_frames(WIDE, n_frames, 0.01, |idx, x, y| 0.05 + if idx == 1 { trail(x, y) } else { 0.0 });
            let sky: Vec<StackFrame> =
                (0..n_frames).map(|idx| frame(idx, shifted(2.3 * idx as f64 - 2.3, 1.4 - 1.4 * idx as f64))).collect();
            let request = request(sky);
            let trails = find_trails(&Monitor::silent(), &rows, &request).expect("in memory");
            let stack = run(&rows, &StackRequest { trails: Some(&trails), ..request });
            let green = &stack.image.planes[1];
            let left = mean((40..440).flat_map(|x| {
                let y = (60.0 + 0.4 * x as f64).round() as usize;
                [green.at(x, y - 1) - 0.05, green.at(x, y) - 0.05, green.at(x, y + 1) - 0.05]
            }));
            // Green of a demosaiced and moved frame keeps 0.81 of the variance.
            let sigma = 0.01 * (0.81 / n_frames as f64).sqrt();
            let most = if n_frames == 3 { 0.9 } else { 0.6 };
            assert!(left / sigma < most, "{n_frames} frames, a trail of {peak} σ leaves {} σ", left / sigma);
        }
    }
}

/// Samples as they are concern the sky: the land does not move, and is given its colors in each frame.
#[test]
fn the_land_is_the_same_however_the_sky_gets_its_colors() {
    let mask = ForegroundMask(Plane::from_fn(SIZE, |_, y| if y >= 50 { 1.0 } else { 0.0 }));
    let rows = grey_frames(SIZE, 12, 0.01, |_, x, y| 0.05 + 0.02 * (0.9 * x).sin() as f32 * (0.7 * y).cos() as f32);
    let land: Vec<StackFrame> = (0..12).map(|idx| frame(idx, Transform::Identity)).collect();
    let [interpolated, sampled] = [ColorRule::Interpolated, ColorRule::Sampled].map(|colors| {
        run(&rows, &StackRequest { colors, land: land.clone(), foreground: Some(&mask), ..request(drifting(12)) })
    });
    for (one, other) in interpolated.image.planes.iter().zip(&sampled.image.planes) {
        assert!((52..90).all(|y| one.row(y) == other.row(y)), "rows of the land");
        assert!((5..40).all(|y| one.row(y) != other.row(y)), "rows of the sky");
    }
}
