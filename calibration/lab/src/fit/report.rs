//! What a fit says, as JSON gives it; the keys name their units, which are SI.

use std::collections::BTreeMap;

use calibration::fit::{
    Comparison, CurveFit, FitRefusal, Form, ResidualScatter, ScatterKind, TargetMaturity, warnings,
};
use calibration::series::{group_precisions, outliers};
use serde::Serialize;

use super::Fitted;
use crate::report::{CAUTION, Maturity};

/// Everything `fit` prints. With one form, its fit stands at the top level; with all, in `forms`.
#[derive(Debug, Serialize)]
pub struct FitReport {
    pub series: String,
    pub maturity: Maturity,
    #[serde(flatten)]
    pub outcome: Outcome,
    pub point_count: usize,
    pub group_count: usize,
    pub groups: Vec<Group>,
    pub excluded: Vec<Excluded>,
    pub skipped_rows: Vec<SkippedRow>,
    pub caution: &'static str,
}

#[derive(Debug, Serialize)]
#[serde(untagged)]
pub enum Outcome {
    One(Box<FormReport>),
    All {
        forms: Vec<FormReport>,
        comparison: Compared,
    },
}

/// One form: its curve, or why there is none.
#[derive(Debug, Serialize)]
pub struct FormReport {
    pub form: &'static str,
    #[serde(flatten)]
    pub result: FormResult,
}

#[derive(Debug, Serialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum FormResult {
    Fitted(Box<FitDetails>),
    NoCurve {
        reason: &'static str,
        sentence: String,
        more_data_needed: bool,
    },
}

#[derive(Debug, Serialize)]
pub struct FitDetails {
    pub coefficients: BTreeMap<&'static str, Coefficient>,
    /// In the order of the form's coefficients, as curve files have it.
    pub coefficient_order: Vec<&'static str>,
    pub covariance: Vec<Vec<f64>>,
    pub scatter: &'static str,
    /// With proportional scatter at the mean strength of the data.
    pub residual_sd_mpa: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub residual_cv: Option<f64>,
    pub residual_degrees_of_freedom: u32,
    pub sum_of_squares: f64,
    pub maturity_min: f64,
    pub maturity_max: f64,
    pub termination: &'static str,
    pub starts_tried: usize,
    pub starts_agreed: usize,
    pub condition: f64,
    pub lack_of_fit_probability: Option<f64>,
    pub leave_one_group_out: LeftOut,
    pub worst_miss: Option<Miss>,
    pub outliers: Vec<Outlier>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target: Option<Target>,
    pub warnings: Vec<Warned>,
}

#[derive(Debug, Serialize)]
pub struct Coefficient {
    pub value: f64,
    pub standard_error: f64,
}

#[derive(Debug, Serialize)]
pub struct LeftOut {
    /// None when some group could not be told by the others.
    pub rms_mpa: Option<f64>,
    pub groups: Vec<GroupTold>,
}

#[derive(Debug, Serialize)]
pub struct GroupTold {
    pub group: String,
    pub maturity: f64,
    pub measured_mpa: f64,
    pub predicted_mpa: Option<f64>,
}

#[derive(Debug, Serialize)]
pub struct Miss {
    pub specimen: String,
    pub maturity: f64,
    pub measured_mpa: f64,
    pub fitted_mpa: f64,
}

#[derive(Debug, Serialize)]
pub struct Outlier {
    pub specimen: String,
    pub residual_mpa: f64,
    pub probability: f64,
}

/// When the required strength is reached; the interval is the curve's two-sided 90 %.
#[derive(Debug, Serialize)]
pub struct Target {
    pub strength_mpa: f64,
    #[serde(flatten)]
    pub reached: TargetReached,
}

#[derive(Debug, Serialize)]
#[serde(tag = "reached", rename_all = "snake_case")]
pub enum TargetReached {
    Within {
        maturity: f64,
        early_90: Option<f64>,
        late_90: Option<f64>,
    },
    BeforeData {
        first_maturity: f64,
    },
    BeyondData {
        last_maturity: f64,
    },
    Never {
        ultimate_mpa: f64,
    },
}

#[derive(Debug, Serialize)]
pub struct Warned {
    pub name: &'static str,
    pub must_be_accepted: bool,
    pub sentence: String,
}

#[derive(Debug, Serialize)]
pub struct Compared {
    pub least_leave_one_out_error: Option<&'static str>,
    pub pairs: Vec<Pair>,
}

#[derive(Debug, Serialize)]
pub struct Pair {
    pub forms: [&'static str; 2],
    pub can_be_told_apart: bool,
    pub largest_difference_mpa: f64,
}

#[derive(Debug, Serialize)]
pub struct Group {
    pub group: String,
    pub specimen_count: usize,
    pub mean_mpa: f64,
    pub range_percent: Option<f64>,
    pub limit_percent: Option<f64>,
    pub is_suspect: bool,
}

#[derive(Debug, Serialize)]
pub struct Excluded {
    pub specimen: String,
    pub because: String,
    pub by: String,
}

#[derive(Debug, Serialize)]
pub struct SkippedRow {
    pub line: usize,
    pub column: String,
    pub reason: String,
}

impl FitReport {
    pub fn new(fitted: &Fitted, comparison: Option<&Comparison>) -> Self {
        let mut forms: Vec<FormReport> = fitted
            .forms
            .iter()
            .map(|(form, result)| FormReport::new(*form, result, fitted))
            .collect();
        let outcome = match comparison {
            None => Outcome::One(Box::new(forms.remove(0))),
            Some(comparison) => Outcome::All {
                forms,
                comparison: Compared {
                    least_leave_one_out_error: comparison.least_error.map(Form::name),
                    pairs: comparison
                        .pairs
                        .iter()
                        .map(|pair| Pair {
                            forms: [pair.left.name(), pair.right.name()],
                            can_be_told_apart: pair.can_be_told_apart,
                            largest_difference_mpa: pair.difference_mpa,
                        })
                        .collect(),
                },
            },
        };
        Self {
            series: fitted.name.clone(),
            maturity: Maturity::of(fitted.function),
            outcome,
            point_count: fitted.points.len(),
            group_count: fitted.groups.len(),
            groups: group_precisions(&fitted.rows, fitted.diameter)
                .into_iter()
                .map(|group| Group {
                    is_suspect: group.is_suspect(),
                    group: group.group,
                    specimen_count: group.specimen_count,
                    mean_mpa: group.mean_mpa,
                    range_percent: group.range_percent,
                    limit_percent: group.limit_percent,
                })
                .collect(),
            excluded: fitted
                .rows
                .iter()
                .filter_map(|row| {
                    let excluded = row.excluded.as_ref()?;
                    Some(Excluded {
                        specimen: row.specimen.clone(),
                        because: excluded.because.clone(),
                        by: excluded.by.clone(),
                    })
                })
                .collect(),
            skipped_rows: fitted
                .bad_rows
                .iter()
                .map(|row| SkippedRow {
                    line: row.line,
                    column: row.column.clone(),
                    reason: row.reason.clone(),
                })
                .collect(),
            caution: CAUTION,
        }
    }

    /// The forms, whether one or all were asked for.
    pub fn forms(&self) -> &[FormReport] {
        match &self.outcome {
            Outcome::One(form) => std::slice::from_ref(form),
            Outcome::All { forms, .. } => forms,
        }
    }
}

impl FormReport {
    fn new(form: Form, result: &Result<CurveFit, FitRefusal>, fitted: &Fitted) -> Self {
        Self {
            form: form.name(),
            result: match result {
                Ok(fit) => FormResult::Fitted(Box::new(FitDetails::new(fit, fitted))),
                Err(refusal) => FormResult::NoCurve {
                    reason: refusal.name(),
                    sentence: refusal.to_string(),
                    more_data_needed: refusal.is_usage_error(),
                },
            },
        }
    }
}

impl FitDetails {
    fn new(fit: &CurveFit, fitted: &Fitted) -> Self {
        let size = fit.form.coefficient_count();
        let named = fit.curve.coefficients();
        let kept: Vec<&calibration::DataRow> = fitted
            .rows
            .iter()
            .filter(|row| row.excluded.is_none())
            .collect();
        let mean_mpa = fitted
            .points
            .iter()
            .map(|one| one.strength_mpa)
            .sum::<f64>()
            / fit.point_count as f64;
        let residual = |row: &&calibration::DataRow| {
            (row.strength_mpa - fit.curve.strength_mpa(row.maturity)).abs()
        };
        Self {
            coefficients: named
                .iter()
                .zip(fit.standard_errors())
                .map(|((name, value), standard_error)| {
                    let coefficient = Coefficient {
                        value: *value,
                        standard_error,
                    };
                    (*name, coefficient)
                })
                .collect(),
            coefficient_order: named.iter().map(|(name, _)| *name).collect(),
            covariance: fit.covariance[..size]
                .iter()
                .map(|row| row[..size].to_vec())
                .collect(),
            scatter: match fitted.scatter {
                ScatterKind::Constant => "constant",
                ScatterKind::Proportional => "proportional",
            },
            residual_sd_mpa: fit.scatter.sd_mpa_at(mean_mpa),
            residual_cv: match fit.scatter {
                ResidualScatter::Constant { .. } => None,
                ResidualScatter::Proportional { cv } => Some(cv),
            },
            residual_degrees_of_freedom: fit.degrees_of_freedom,
            sum_of_squares: fit.sum_of_squares,
            maturity_min: fit.maturity_range.0,
            maturity_max: fit.maturity_range.1,
            termination: fit.termination.name(),
            starts_tried: fit.starts.tried,
            starts_agreed: fit.starts.agreed,
            condition: fit.condition,
            lack_of_fit_probability: fit.lack_of_fit_probability,
            leave_one_group_out: LeftOut {
                rms_mpa: fit.left_out.rms_mpa(),
                groups: fit
                    .left_out
                    .groups
                    .iter()
                    .map(|group| GroupTold {
                        group: fitted.groups[group.group].clone(),
                        maturity: group.maturity,
                        measured_mpa: group.measured_mpa,
                        predicted_mpa: group.predicted_mpa,
                    })
                    .collect(),
            },
            worst_miss: kept
                .iter()
                .max_by(|left, right| residual(left).total_cmp(&residual(right)))
                .map(|row| Miss {
                    specimen: row.specimen.clone(),
                    maturity: row.maturity,
                    measured_mpa: row.strength_mpa,
                    fitted_mpa: fit.curve.strength_mpa(row.maturity),
                }),
            outliers: outliers(fit, &fitted.points)
                .into_iter()
                .map(|flag| Outlier {
                    specimen: kept[flag.point].specimen.clone(),
                    residual_mpa: flag.residual_mpa,
                    probability: flag.probability,
                })
                .collect(),
            target: fitted.target_mpa.map(|strength_mpa| Target {
                strength_mpa,
                reached: fit.target_maturity(strength_mpa).into(),
            }),
            warnings: warnings(fit, &fitted.points, &fitted.surroundings)
                .iter()
                .map(|warning| Warned {
                    name: warning.name(),
                    must_be_accepted: warning.must_be_accepted(),
                    sentence: warning.to_string(),
                })
                .collect(),
        }
    }
}

impl From<TargetMaturity> for TargetReached {
    fn from(target: TargetMaturity) -> Self {
        match target {
            TargetMaturity::Within(crossing) => Self::Within {
                maturity: crossing.maturity,
                early_90: crossing.early,
                late_90: crossing.late,
            },
            TargetMaturity::BeforeData { first_maturity } => Self::BeforeData { first_maturity },
            TargetMaturity::BeyondData { last_maturity } => Self::BeyondData { last_maturity },
            TargetMaturity::Never { ultimate_mpa } => Self::Never { ultimate_mpa },
        }
    }
}
