//! Scatter within groups against the cylinder standard's precision, and results that stand out.
//!
//! Nothing is dropped here: a flag asks a person to look at the break, the caps and the sheet.

use statrs::distribution::{ContinuousCDF as _, StudentsT};
use units::Millimetre;

use crate::curve_file::DataRow;
use crate::cylinder::CylinderSize;
use crate::fit::{CurveFit, Point};

/// How many within-test standard deviations the range of n results may span.
///
/// Source: ASTM C670, from memory: 2.8, 3.3, 3.6, 3.9 and 4.0 for two to six results.
const RANGE_FACTORS: [(usize, f64); 5] = [(2, 2.8), (3, 3.3), (4, 3.6), (5, 3.9), (6, 4.0)];

/// Chance at which a result among all of a series is called an outlier.
const OUTLIER_PROBABILITY: f64 = 0.05;

/// The scatter of one group.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupPrecision {
    /// The group.
    pub group: String,
    /// How many specimens it has, those left out not counted.
    pub specimen_count: usize,
    /// Mean strength, MPa.
    pub mean_mpa: f64,
    /// Highest less lowest in percent of the mean; none for one specimen.
    pub range_percent: Option<f64>,
    /// How far they may lie apart, in percent of the mean; none where no figure is known.
    pub limit_percent: Option<f64>,
}

impl GroupPrecision {
    /// Whether the specimens lie further apart than the standard's precision makes likely.
    pub fn is_suspect(&self) -> bool {
        self.range_percent
            .zip(self.limit_percent)
            .is_some_and(|(range, limit)| range > limit)
    }
}

/// The scatter of every group of specimens of one size, by maturity.
///
/// Two and three specimens are judged by [`CylinderSize::range_limit_percent`]; more by the standard
/// deviation of a single operator times the factor for their number.
pub fn group_precisions(rows: &[DataRow], diameter: Millimetre) -> Vec<GroupPrecision> {
    let size = CylinderSize::of_diameter(diameter);
    let mut kept: Vec<&DataRow> = rows.iter().filter(|row| row.excluded.is_none()).collect();
    kept.sort_by(|left, right| left.maturity.total_cmp(&right.maturity));
    let mut names: Vec<&str> = Vec::new();
    for row in &kept {
        if !names.contains(&row.group.as_str()) {
            names.push(&row.group);
        }
    }
    names
        .into_iter()
        .map(|name| {
            let strengths: Vec<f64> = kept
                .iter()
                .filter(|row| row.group == name)
                .map(|row| row.strength_mpa)
                .collect();
            let count = strengths.len();
            let mean_mpa = strengths.iter().sum::<f64>() / count as f64;
            let high = strengths.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let low = strengths.iter().copied().fold(f64::INFINITY, f64::min);
            GroupPrecision {
                group: name.to_owned(),
                specimen_count: count,
                mean_mpa,
                range_percent: (count > 1).then(|| 100.0 * (high - low) / mean_mpa),
                limit_percent: specimen_range_limit_percent(size, count),
            }
        })
        .collect()
}

/// How far the strengths of so many specimens of one sample may lie apart, in percent of their mean;
/// none where no figure is known.
///
/// Two and three are judged by [`CylinderSize::range_limit_percent`], four to six by its figure for two.
#[must_use]
pub fn specimen_range_limit_percent(size: CylinderSize, count: usize) -> Option<f64> {
    size.range_limit_percent(count)
        .or_else(|| many_limit_percent(size, count))
}

/// The limit for four to six specimens, from that for two.
fn many_limit_percent(size: CylinderSize, count: usize) -> Option<f64> {
    let factor = |count: usize| {
        RANGE_FACTORS
            .iter()
            .find(|(known, _)| *known == count)
            .map(|(_, factor)| *factor)
    };
    Some(size.range_limit_percent(2)? * factor(count)? / factor(2)?)
}

/// A result that stands out from a fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutlierFlag {
    /// Place of the point among the points fitted.
    pub point: usize,
    /// Measured less fitted, MPa.
    pub residual_mpa: f64,
    /// Chance that the furthest of this many results lies this far out.
    pub probability: f64,
}

/// Results whose distance from a curve fitted to all the others is improbable: Student's t of the
/// deleted residual, with Bonferroni's correction for their number.
pub fn outliers(fit: &CurveFit, points: &[Point]) -> Vec<OutlierFlag> {
    let freedom = f64::from(fit.degrees_of_freedom);
    if fit.degrees_of_freedom < 2 {
        return Vec::new();
    }
    let Ok(distribution) = StudentsT::new(0.0, 1.0, freedom - 1.0) else {
        return Vec::new();
    };
    points
        .iter()
        .enumerate()
        .filter_map(|(point, observed)| {
            let fitted_mpa = fit.curve.strength_mpa(observed.maturity);
            let sd_mpa = fit.scatter.sd_mpa_at(fitted_mpa);
            let leverage = (fit.curve_sd_mpa(observed.maturity) / sd_mpa).powi(2);
            let residual_mpa = observed.strength_mpa - fitted_mpa;
            let spare = 1.0 - leverage;
            if spare < 1e-6 {
                return None;
            }
            let square = (residual_mpa / sd_mpa).powi(2) / spare;
            // One result may hold nearly all of the scatter: then the rest has none.
            let rest = (freedom - square).max(1e-9);
            let t = (square * (freedom - 1.0) / rest).sqrt();
            let probability = (2.0 * distribution.sf(t) * points.len() as f64).min(1.0);
            (probability < OUTLIER_PROBABILITY).then_some(OutlierFlag {
                point,
                residual_mpa,
                probability,
            })
        })
        .collect()
}
