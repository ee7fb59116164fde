//! trial
#[path = "../tests/support/star_lists.rs"]
mod star_lists;
use nightsheaf::pixels::*;
use nightsheaf::register::*;
use rand::RngExt;
use star_lists::*;
fn main() {
    let n: u64 = std::env::args().nth(1).and_then(|s| s.parse().ok()).unwrap_or(50);
    let known = std::env::args().nth(2).as_deref() != Some("unknown");
    let size = Size { width: 6000, height: 4000 };
    let (mut right, mut refused, mut wrong, mut time, mut worst_t) = (0, 0, 0, 0.0, 0.0_f64);
    for seed in 0..n {
        let mut rng = random(seed);
        let mm = [10.0, 12.0, 14.0, 18.0, 24.0, 50.0][rng.random_range(0..6)];
        let focal = mm * 6000.0 / 23.5;
        let shift = rng.random_range(-0.14..0.0);
        let cam = TrueCamera::with_corner_shift(
            size,
            focal * (1.0 + 0.02 * normal(&mut rng)),
            shift,
            rng.random_range(-0.3..0.3),
        );
        let n_stars = (rng.random_range(15f64.ln()..2000f64.ln())).exp() as usize;
        let pair = random_pair(&cam, n_stars, 0.1, &mut rng);
        let t = std::time::Instant::now();
        let r = register_pair(&pair.light, &pair.reference, &Optics { size, focal_px: known.then_some(focal), profile: None });
        let dt = t.elapsed().as_secs_f64();
        time += dt;
        worst_t = worst_t.max(dt);
        match r {
            Ok(r) => {
                let mut e: Vec<f64> = pair
                    .common
                    .iter()
                    .map(|(l, t)| r.reference_from_light.apply(*l).map_or(9e9, |p| p.distance(*t)))
                    .collect();
                e.sort_by(f64::total_cmp);
                let med = e[e.len() / 2];
                let p90 = e[e.len() * 9 / 10];
                if p90 < 3.0 {
                    right += 1
                } else {
                    wrong += 1;
                    println!(
                        "seed {seed} WRONG? {mm} mm shift {shift:.3} n {n_stars} common {} matched {} lnfa {:.0} med {med:.2} p90 {p90:.2} max {:.1}",
                        pair.common.len(),
                        r.n_matched,
                        r.rms_px,
                        e[e.len() - 1]
                    );
                }
            }
            Err(e) => {
                refused += 1;
                println!(
                    "seed {seed} refused {mm} mm shift {shift:.3} n {n_stars} common {}: {e} ({dt:.2} s)",
                    pair.common.len()
                );
            }
        }
    }
    println!("right {right} refused {refused} wrong {wrong}; mean {:.3} s, worst {worst_t:.3}", time / n as f64);
    // unrelated
    let mut accepts = 0;
    time = 0.0;
    for seed in 0..n / 2 {
        let mut rng = random(1_000_000 + seed);
        let n_stars = (rng.random_range(15f64.ln()..2000f64.ln())).exp() as usize;
        let a: Vec<_> = (0..n_stars).map(|_| false_star(size, &mut rng)).collect();
        let b: Vec<_> = (0..n_stars).map(|_| false_star(size, &mut rng)).collect();
        let t = std::time::Instant::now();
        if register_pair(&a, &b, &Optics { size, focal_px: known.then_some(3000.0) }).is_ok() {
            accepts += 1;
        }
        time += t.elapsed().as_secs_f64();
    }
    println!("unrelated accepts {accepts}; mean {:.3} s", time / (n / 2) as f64);
}
