//! Scores of interval forecasts: error, cover, width and pinball loss.

use daemon_core::statistics::quantile;
use serde::Serialize;

/// An answer beside the truth: each point less the truth, h.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scored {
    pub(crate) early_h: f64,
    pub(crate) likely_h: f64,
    pub(crate) late_h: f64,
}

/// The scores of many answers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub(crate) struct Summary {
    pub(crate) median_h: f64,
    pub(crate) p90_h: f64,
    /// With its sign: positive where forecasts were late.
    pub(crate) mean_h: f64,
    pub(crate) cover: f64,
    pub(crate) width_h: f64,
    /// Mean pinball loss over the 10, 50 and 90 % points.
    pub(crate) loss_h: f64,
}

/// `None` without any answer.
pub(crate) fn summary(scores: &[Scored]) -> Option<Summary> {
    let count = scores.len() as f64;
    let mean = |value: &dyn Fn(&Scored) -> f64| scores.iter().map(value).sum::<f64>() / count;
    let errors: Vec<f64> = scores.iter().map(|one| one.likely_h.abs()).collect();
    Some(Summary {
        median_h: quantile(&errors, 0.5)?,
        p90_h: quantile(&errors, 0.9)?,
        mean_h: mean(&|one| one.likely_h),
        cover: mean(&|one| f64::from(u8::from(one.early_h <= 0.0 && one.late_h >= 0.0))),
        width_h: mean(&|one| one.late_h - one.early_h),
        loss_h: mean(&|one| {
            let points = [(one.early_h, 0.1), (one.likely_h, 0.5), (one.late_h, 0.9)];
            points
                .iter()
                .map(|(off, share)| pinball(*off, *share))
                .sum::<f64>()
                / 3.0
        }),
    })
}

/// The loss of a point that lies `off` above the truth and should lie above it with a probability.
fn pinball(off: f64, share: f64) -> f64 {
    // Below the truth each hour costs the share, above it the rest.
    if off < 0.0 {
        -share * off
    } else {
        (1.0 - share) * off
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scores_agree_with_an_independent_library() {
        // Source: numpy 2.4 by `score_reference.py` beside this file. Mark: our computation, with an
        // independent library's quantiles and means.
        let text = include_str!("score_reference.csv");
        let mut scores = Vec::new();
        let mut expected = Vec::new();
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let (name, values) = line.split_once(':').expect("name: values");
            let values: Vec<f64> = values
                .split(',')
                .map(|value| value.trim().parse().expect("a number"))
                .collect();
            match name {
                "answer" => scores.push(Scored {
                    early_h: values[0],
                    likely_h: values[1],
                    late_h: values[2],
                }),
                _ => expected.push((name, values[0])),
            }
        }
        let got = summary(&scores).expect("scores");
        let figure = |name: &str| match name {
            "median" => got.median_h,
            "p90" => got.p90_h,
            "mean" => got.mean_h,
            "cover" => got.cover,
            "width" => got.width_h,
            "loss" => got.loss_h,
            other => panic!("{other}"),
        };
        assert_eq!(expected.len(), 6);
        for (name, value) in expected {
            assert!(
                (figure(name) - value).abs() < 1e-12,
                "{name}: {} {value}",
                figure(name)
            );
        }
    }

    #[test]
    fn nothing_judged_has_no_scores() {
        assert_eq!(summary(&[]), None);
    }
}
