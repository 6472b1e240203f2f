//! Temperatures and strength over time for a chart: minima and maxima kept, gaps explicit.

use daemon_api::series::{Series, SeriesAnswer, SeriesPoint, StrengthPoint};
use daemon_core::plant::Plant;
use daemon_core::time::{MS_PER_H, UtcMs};

use crate::convert::{ahead, noun, utc, view};

/// The strength curve is smooth, so more points than this show nothing more.
const STRENGTH_POINT_COUNT_MAX: usize = 120;
const MS_PER_MIN: f64 = MS_PER_H / 60.0;

/// The series of a pour in about `point_count` points each; `None` where there is no such pour.
#[must_use]
pub fn series(plant: &Plant, pour: &str, now: UtcMs, point_count: usize) -> Option<SeriesAnswer> {
    let record = plant.pours().get(pour)?;
    let from = record.begins_at();
    let to = record.until(now).max(from);
    let said = plant.assess_pour_in_depth(pour, now)?;
    let gap_ms = (plant.config().estimate.short_gap_min * MS_PER_MIN) as i64;
    let window = Window {
        from,
        width_ms: ((to.0 - from.0) / point_count.max(1) as i64).max(1),
    };
    let temperatures = plant.temperatures(pour, to).into_iter().map(|one| Series {
        name: one.name,
        role: noun::role_out(one.role),
        runs: runs(&one.points, window, gap_ms),
    });
    let strength_count = point_count.clamp(1, STRENGTH_POINT_COUNT_MAX);
    let strength = plant.strength_history(pour, to, strength_count).into_iter();
    Some(SeriesAnswer {
        pour: pour.to_owned(),
        from_at: utc(from),
        to_at: utc(to),
        series: temperatures.collect(),
        strength: strength
            .map(|(at, estimate_mpa, lower_90_mpa)| StrengthPoint {
                at: utc(at),
                estimate_mpa,
                lower_90_mpa,
            })
            .collect(),
        confirmation: view::confirmation(&said.confirmation),
        ahead: ahead::points(&said.ahead),
        positions_ahead: ahead::positions(&said),
    })
}

#[derive(Clone, Copy)]
struct Window {
    from: UtcMs,
    width_ms: i64,
}

/// Gap-free runs of buckets; a bucket never reaches across a gap.
fn runs(points: &[(UtcMs, f64)], window: Window, gap_ms: i64) -> Vec<Vec<SeriesPoint>> {
    let mut runs: Vec<Vec<SeriesPoint>> = Vec::new();
    let mut last: Option<(UtcMs, i64)> = None;
    for &(at, temperature_c) in points {
        let bucket = (at.0 - window.from.0).div_euclid(window.width_ms);
        let is_gap = last.is_none_or(|(before, _)| at.0 - before.0 > gap_ms);
        let is_new_bucket = last.is_none_or(|(_, other)| other != bucket);
        last = Some((at, bucket));
        if is_gap {
            runs.push(Vec::new());
        }
        let Some(run) = runs.last_mut() else { continue };
        match run.last_mut() {
            Some(point) if !is_new_bucket => {
                point.low_c = point.low_c.min(temperature_c);
                point.high_c = point.high_c.max(temperature_c);
            }
            _ => run.push(SeriesPoint {
                at: utc(at),
                low_c: temperature_c,
                high_c: temperature_c,
            }),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(minutes: &[(i64, f64)]) -> Vec<(UtcMs, f64)> {
        minutes
            .iter()
            .map(|(minute, value)| (UtcMs(minute * 60_000), *value))
            .collect()
    }

    #[test]
    fn a_bucket_keeps_its_lowest_and_its_highest() {
        let window = Window {
            from: UtcMs(0),
            width_ms: 10 * 60_000,
        };
        let all = points(&[(0, 20.0), (3, 31.0), (9, 19.0), (10, 22.0)]);
        let runs = runs(&all, window, 30 * 60_000);
        let shown: Vec<(f64, f64)> = runs
            .concat()
            .iter()
            .map(|point| (point.low_c, point.high_c))
            .collect();
        assert_eq!(shown, [(19.0, 31.0), (22.0, 22.0)]);
    }

    #[test]
    fn a_gap_ends_a_run_even_inside_one_bucket() {
        let window = Window {
            from: UtcMs(0),
            width_ms: 600 * 60_000,
        };
        let runs = runs(
            &points(&[(0, 20.0), (5, 21.0), (60, 30.0)]),
            window,
            30 * 60_000,
        );
        assert_eq!(runs.len(), 2);
        assert_eq!(runs[1][0].low_c.to_string(), "30");
    }
}
