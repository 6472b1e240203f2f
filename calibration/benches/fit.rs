//! How long the lab waits: every form on a series of seventeen cylinders, and a whole data set.

use std::collections::BTreeMap;
use std::hint::black_box;
use std::io::Write;
use std::time::{Duration, Instant};

use calibration::fit::{FitOptions, Form, Point, fit};

const RUN_COUNT: usize = 100;
const TARGET_MPA: f64 = 27.6;

/// An invented series: ages in hours and strengths in MPa.
const SERIES: [(f64, f64); 17] = [
    (8.0, 15.1),
    (8.0, 16.0),
    (11.0, 22.9),
    (11.0, 22.1),
    (11.0, 23.6),
    (14.0, 27.0),
    (14.0, 27.9),
    (14.0, 26.4),
    (18.0, 32.2),
    (18.0, 31.0),
    (18.0, 32.9),
    (26.0, 38.1),
    (26.0, 37.2),
    (48.0, 46.0),
    (48.0, 45.1),
    (168.0, 54.9),
    (168.0, 53.7),
];

fn every_form(points: &[Point]) {
    for form in Form::ALL {
        let fitted = fit(black_box(points), form, FitOptions::default());
        if let Ok(fitted) = fitted {
            black_box(fitted.crossing(TARGET_MPA));
            black_box(fitted.left_out.rms_mpa());
        }
    }
}

fn median(mut run: impl FnMut()) -> Duration {
    let mut times: Vec<Duration> = (0..RUN_COUNT)
        .map(|_| {
            let began_at = Instant::now();
            run();
            began_at.elapsed()
        })
        .collect();
    times.sort();
    times[RUN_COUNT / 2]
}

fn open_series() -> Vec<Vec<Point>> {
    let text = include_str!("../tests/reference/open_series/open_strength_series.csv");
    let mut mixes: BTreeMap<&str, Vec<Point>> = BTreeMap::new();
    for line in text.lines().filter(|line| line.starts_with('Y')) {
        let cells: Vec<&str> = line.split(',').collect();
        let points = mixes.entry(cells[0]).or_default();
        let group = points.len();
        points.push(Point {
            maturity: cells[8].parse().unwrap_or(f64::NAN),
            strength_mpa: cells[9].parse().unwrap_or(f64::NAN),
            group,
        });
    }
    mixes.into_values().collect()
}

fn main() -> std::io::Result<()> {
    let mut groups: Vec<f64> = SERIES.iter().map(|(age_h, _)| *age_h).collect();
    groups.dedup();
    let points: Vec<Point> = SERIES
        .iter()
        .map(|(age_h, strength_mpa)| Point {
            maturity: *age_h,
            strength_mpa: *strength_mpa,
            group: groups.partition_point(|other| other < age_h),
        })
        .collect();
    let one = median(|| every_form(&points));
    let mixes = open_series();
    let all = median(|| mixes.iter().for_each(|points| every_form(points)));
    let mut out = std::io::stdout();
    writeln!(
        out,
        "series: median of {RUN_COUNT} runs, three forms with intervals and leave-one-out on 17 \
         cylinders: {:.3} ms",
        one.as_secs_f64() * 1000.0
    )?;
    writeln!(
        out,
        "data set: median of {RUN_COUNT} runs, the same on {} mixes: {:.1} ms",
        mixes.len(),
        all.as_secs_f64() * 1000.0
    )
}
