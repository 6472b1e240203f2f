//! What a verification says, as JSON and as text.

use std::fmt::{self, Write as _};

use calibration::CurveFile;
use calibration::verification::{CurveState, DriftSign, Verification, VerificationRules};
use chrono::{DateTime, Utc};
use serde::Serialize;
use units::{Megapascal, Show as _, UnitSystem};

#[derive(Serialize)]
pub(super) struct Report {
    curve: String,
    mix: String,
    digest: String,
    state: &'static str,
    pours_needed: usize,
    bias: Option<f64>,
    bias_half_width_90: Option<f64>,
    scatter_cv: Option<f64>,
    pour_cv: f64,
    in_control_run_length_below: f64,
    in_control_run_length_above: f64,
    tolerance: f64,
    signs: Vec<Sign>,
    points: Vec<Point>,
    apart: Vec<Apart>,
    what_to_do: &'static str,
}

#[derive(Serialize)]
struct Sign {
    is_below: bool,
    sentence: String,
}

#[derive(Serialize)]
struct Point {
    pour: String,
    broken_at: DateTime<Utc>,
    specimen_count: u32,
    maturity: Option<f64>,
    measured_mpa: f64,
    estimated_mpa: f64,
    difference_percent: f64,
    sum_below: f64,
    sum_above: f64,
}

#[derive(Serialize)]
struct Apart {
    pour: String,
    broken_at: DateTime<Utc>,
    measured_mpa: f64,
    because: &'static str,
}

impl Report {
    pub(super) fn new(
        curve: &CurveFile,
        digest: String,
        verification: &Verification,
        rules: &VerificationRules,
    ) -> Self {
        let (state, what_to_do) = match verification.state {
            CurveState::Holds => (
                "holds",
                "Go on: an estimate says when to break, the broken cylinder decides.",
            ),
            CurveState::NotVerified { .. } => (
                "not_verified",
                "Treat its estimates as advice until enough pours have been broken; the broken \
                 cylinder decides.",
            ),
            CurveState::Drifts => (
                "drifts",
                "Rely on cylinders alone, look for what changed (materials, water, tests, \
                 sensors), and have a new curve made and approved; nothing is changed by itself.",
            ),
        };
        Self {
            curve: curve.name.clone(),
            mix: curve.mix.clone(),
            digest,
            state,
            pours_needed: rules.pour_count_to_verify,
            bias: verification.bias,
            bias_half_width_90: verification.bias_half_width,
            scatter_cv: verification.scatter_cv,
            pour_cv: verification.pour_cv,
            in_control_run_length_below: verification.run_length_below,
            in_control_run_length_above: verification.run_length_above,
            tolerance: rules.tolerance,
            signs: verification
                .signs
                .iter()
                .map(|sign: &DriftSign| Sign {
                    is_below: sign.is_below(),
                    sentence: sign.sentence(),
                })
                .collect(),
            points: verification
                .points
                .iter()
                .map(|point| Point {
                    pour: point.broken.pour.clone(),
                    broken_at: point.broken.broken_at,
                    specimen_count: point.broken.specimen_count,
                    maturity: point.broken.own_maturity,
                    measured_mpa: point.broken.measured_mpa,
                    estimated_mpa: point.estimated_mpa,
                    difference_percent: point.difference_percent(),
                    sum_below: point.sum_below,
                    sum_above: point.sum_above,
                })
                .collect(),
            apart: verification
                .apart
                .iter()
                .map(|(broken, reason)| Apart {
                    pour: broken.pour.clone(),
                    broken_at: broken.broken_at,
                    measured_mpa: broken.measured_mpa,
                    because: reason.sentence(),
                })
                .collect(),
            what_to_do,
        }
    }

    pub(super) fn text(&self, verbose: bool, system: UnitSystem) -> String {
        let mut text = String::new();
        self.write(&mut text, verbose, system)
            .expect("writing to a string cannot fail");
        text
    }

    fn write(&self, out: &mut String, verbose: bool, system: UnitSystem) -> fmt::Result {
        let state = match self.state {
            "holds" => "HOLDS by these breaks".to_owned(),
            "drifts" => "DRIFTS".to_owned(),
            _ => format!(
                "NOT VERIFIED: {} pours of {}",
                self.points.len(),
                self.pours_needed
            ),
        };
        writeln!(out, "Curve {} for mix {}: {state}", self.curve, self.mix)?;
        for sign in &self.signs {
            writeln!(out, "  {}", sign.sentence)?;
        }
        writeln!(out, "  {}", self.what_to_do)?;
        if let Some(bias) = self.bias {
            let half = self.bias_half_width_90.map_or(String::new(), |half| {
                format!(" (90 % interval ± {:.1} %)", 100.0 * half)
            });
            writeln!(
                out,
                "  on average measured {:+.1} % of the estimate{half}",
                100.0 * bias
            )?;
        }
        if let Some(cv) = self.scatter_cv {
            writeln!(out, "  scatter about that {:.1} %", 100.0 * cv)?;
        }
        writeln!(
            out,
            "  scatter from pour to pour for the estimate's interval {:.1} % (shrunk while breaks \
             are few)",
            100.0 * self.pour_cv
        )?;
        writeln!(
            out,
            "  of a curve that holds, the chart gives a false alarm below once in {:.0} pours, \
             above once in {:.0}",
            self.in_control_run_length_below, self.in_control_run_length_above
        )?;
        if !self.points.is_empty() {
            writeln!(
                out,
                "\n{:<12} {:>16} {:>5} {:>10} {:>10} {:>7}",
                "pour", "broken (UTC)", "cyl.", "measured", "estimate", "diff."
            )?;
        }
        for point in &self.points {
            let outside = if point.difference_percent.abs() > 100.0 * self.tolerance {
                "  outside"
            } else {
                ""
            };
            let sums = if verbose {
                format!(
                    "  sums {:.2} below, {:.2} above",
                    point.sum_below, point.sum_above
                )
            } else {
                String::new()
            };
            writeln!(
                out,
                "{:<12} {:>16} {:>5} {:>10} {:>10} {:>+6.1}%{outside}{sums}",
                point.pour,
                point.broken_at.format("%Y-%m-%d %H:%M"),
                point.specimen_count,
                Megapascal(point.measured_mpa).show(system),
                Megapascal(point.estimated_mpa).show(system),
                point.difference_percent
            )?;
        }
        for apart in &self.apart {
            writeln!(
                out,
                "apart: pour {}, {} at {}: {}",
                apart.pour,
                Megapascal(apart.measured_mpa).show(system),
                apart.broken_at.format("%Y-%m-%d %H:%M"),
                apart.because
            )?;
        }
        Ok(())
    }
}
