//! What a fit says, for people: the curve, how it misses, when the required strength is reached.

use std::fmt::{self, Write as _};

use calibration::MaturityUnit;
use units::{CelsiusHours, Hours, Megapascal, Show as _, UnitSystem};

use super::Fitted;
use super::report::{FitDetails, FitReport, FormReport, FormResult, Outcome, TargetReached};

/// Writes the report; `verbose` adds the statistics.
pub fn render(report: &FitReport, fitted: &Fitted, verbose: bool, system: UnitSystem) -> String {
    let mut text = String::new();
    let writer = Writer {
        fitted,
        verbose,
        system,
    };
    writer
        .write(&mut text, report)
        .expect("writing to a string cannot fail");
    text
}

struct Writer<'a> {
    fitted: &'a Fitted,
    verbose: bool,
    system: UnitSystem,
}

impl Writer<'_> {
    fn maturity(&self, value: f64) -> String {
        match self.fitted.function.unit() {
            MaturityUnit::Hours => Hours(value).show(self.system),
            MaturityUnit::CelsiusHours => CelsiusHours(value).show(self.system),
        }
    }

    fn strength(&self, mpa: f64) -> String {
        Megapascal(mpa).show(self.system)
    }

    fn write(&self, out: &mut String, report: &FitReport) -> fmt::Result {
        let parameters: Vec<String> = report
            .maturity
            .parameters
            .iter()
            .map(|(name, value)| format!("{name} = {value}"))
            .collect();
        writeln!(
            out,
            "{}: {} specimens in {} groups",
            report.series, report.point_count, report.group_count
        )?;
        writeln!(
            out,
            "  maturity: {} ({})",
            report.maturity.function,
            parameters.join(", ")
        )?;
        for row in &report.excluded {
            writeln!(
                out,
                "  left out: {} by {}: {}",
                row.specimen, row.by, row.because
            )?;
        }
        self.write_groups(out, report)?;
        for form in report.forms() {
            self.write_form(out, form)?;
        }
        if let Outcome::All { comparison, .. } = &report.outcome {
            writeln!(out, "\nComparison")?;
            if let Some(form) = comparison.least_leave_one_out_error {
                writeln!(
                    out,
                    "  the {form} form tells groups best that it has not seen"
                )?;
            }
            for pair in &comparison.pairs {
                let verdict = if pair.can_be_told_apart {
                    "differ by more than chance"
                } else {
                    "cannot be told apart by these data"
                };
                writeln!(
                    out,
                    "  {} and {} {verdict}; at most {} between them",
                    pair.forms[0],
                    pair.forms[1],
                    self.strength(pair.largest_difference_mpa)
                )?;
            }
        }
        Ok(())
    }

    fn write_groups(&self, out: &mut String, report: &FitReport) -> fmt::Result {
        for group in &report.groups {
            let Some((range, limit)) = group.range_percent.zip(group.limit_percent) else {
                continue;
            };
            if group.is_suspect || self.verbose {
                let verdict = if group.is_suspect {
                    "LOOK AT the breaks, the caps and the sheet"
                } else {
                    "good"
                };
                writeln!(
                    out,
                    "  group {}: {} specimens, mean {}, range {range:.1} % (limit {limit:.1} %): \
                     {verdict}",
                    group.group,
                    group.specimen_count,
                    self.strength(group.mean_mpa)
                )?;
            }
        }
        Ok(())
    }

    fn write_form(&self, out: &mut String, form: &FormReport) -> fmt::Result {
        let mut name = form.form.to_owned();
        name[..1].make_ascii_uppercase();
        match &form.result {
            FormResult::NoCurve { sentence, .. } => {
                writeln!(out, "\n{name}: no curve: {sentence}")
            }
            FormResult::Fitted(details) => {
                writeln!(out, "\n{name}")?;
                self.write_details(out, details)
            }
        }
    }

    fn write_details(&self, out: &mut String, details: &FitDetails) -> fmt::Result {
        for name in &details.coefficient_order {
            let coefficient = &details.coefficients[name];
            writeln!(
                out,
                "  {name:<16} {:>14}  ± {} standard error",
                format!("{:.7}", coefficient.value),
                significant(coefficient.standard_error)
            )?;
        }
        let scatter = details
            .residual_cv
            .map_or(self.strength(details.residual_sd_mpa), |cv| {
                format!("{:.1} % of the strength", 100.0 * cv)
            });
        writeln!(out, "  scatter of specimens about the curve: {scatter}")?;
        if let Some(miss) = &details.worst_miss {
            writeln!(
                out,
                "  worst miss: {} at {}: measured {}, curve {}",
                miss.specimen,
                self.maturity(miss.maturity),
                self.strength(miss.measured_mpa),
                self.strength(miss.fitted_mpa)
            )?;
        }
        match details.leave_one_group_out.rms_mpa {
            Some(rms_mpa) => writeln!(
                out,
                "  groups it has not seen are missed by {}",
                self.strength(rms_mpa)
            )?,
            None => writeln!(
                out,
                "  groups it has not seen: not every one can be told by the others"
            )?,
        }
        for outlier in &details.outliers {
            writeln!(
                out,
                "  STANDS OUT: {} is {} off (chance {:.4}); look at it, and leave it out only for \
                 a reason: --exclude",
                outlier.specimen,
                self.strength(outlier.residual_mpa),
                outlier.probability
            )?;
        }
        if let Some(target) = &details.target {
            self.write_target(out, target.strength_mpa, &target.reached)?;
        }
        for warning in &details.warnings {
            let weight = if warning.must_be_accepted {
                "WARNING"
            } else {
                "note"
            };
            writeln!(out, "  {weight} {}: {}", warning.name, warning.sentence)?;
        }
        if self.verbose {
            self.write_statistics(out, details)?;
        }
        Ok(())
    }

    fn write_target(
        &self,
        out: &mut String,
        strength_mpa: f64,
        reached: &TargetReached,
    ) -> fmt::Result {
        let strength = self.strength(strength_mpa);
        match reached {
            TargetReached::Within {
                maturity,
                early_90,
                late_90,
            } => {
                let end = |end: &Option<f64>, none: &str| {
                    end.map_or(none.to_owned(), |end| self.maturity(end))
                };
                writeln!(
                    out,
                    "  {strength} is reached at {}; 90 % interval of the curve {} to {}",
                    self.maturity(*maturity),
                    end(early_90, "no early end"),
                    end(late_90, "no late end: the data do not bound it")
                )
            }
            TargetReached::BeforeData { first_maturity } => writeln!(
                out,
                "  {strength} is reached before the first data at {}: nothing is claimed there",
                self.maturity(*first_maturity)
            ),
            TargetReached::BeyondData { last_maturity } => writeln!(
                out,
                "  {strength} is not reached within the data, which end at {}: nothing is claimed \
                 beyond",
                self.maturity(*last_maturity)
            ),
            TargetReached::Never { ultimate_mpa } => writeln!(
                out,
                "  {strength} is never reached: the curve ends at {}",
                self.strength(*ultimate_mpa)
            ),
        }
    }

    fn write_statistics(&self, out: &mut String, details: &FitDetails) -> fmt::Result {
        writeln!(
            out,
            "  statistics: {} degrees of freedom, sum of squares {:.6}, condition {:.3e}, ended at \
             {}, {} of {} starts agree",
            details.residual_degrees_of_freedom,
            details.sum_of_squares,
            details.condition,
            details.termination,
            details.starts_agreed,
            details.starts_tried
        )?;
        if let Some(probability) = details.lack_of_fit_probability {
            writeln!(
                out,
                "  a misfit this large beside the scatter within groups has chance {probability:.3}"
            )?;
        }
        for row in &details.covariance {
            let cells: Vec<String> = row.iter().map(|cell| format!("{cell:>12.4e}")).collect();
            writeln!(out, "  covariance {}", cells.join(" "))?;
        }
        for group in &details.leave_one_group_out.groups {
            let told = group
                .predicted_mpa
                .map_or("cannot be told".to_owned(), |mpa| self.strength(mpa));
            writeln!(
                out,
                "  group {} left out: measured {}, told {told}",
                group.group,
                self.strength(group.measured_mpa)
            )?;
        }
        Ok(())
    }
}

/// A number with three digits that count, written out.
fn significant(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let decimals = (2.0 - value.abs().log10().floor()).clamp(0.0, 12.0);
    format!("{value:.0$}", decimals as usize)
}
