//! The report as text for people, in either unit system.

use std::fmt::{self, Write as _};

use chrono::{DateTime, Utc};
use units::{Celsius, CelsiusHours, Megapascal, Millimetre, Show as _, UnitSystem};

use crate::report::{Reached, Report, Standing};

/// Writes a report in the units asked for; coefficients stay as the file has them.
pub fn render(report: &Report, system: UnitSystem) -> String {
    let mut text = String::new();
    write_all(&mut text, report, system).expect("writing to a string cannot fail");
    text
}

fn write_all(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    write_head(out, report)?;
    write_curve(out, report, system)?;
    write_cover(out, report, system)?;
    write_table(out, report, system)?;
    write_required(out, report, system)
}

fn when(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

/// A maturity with its unit; °C·h become °F·h for who reads US units, hours stay hours.
fn maturity(value: f64, report: &Report, system: UnitSystem) -> String {
    match report.maturity.unit {
        "h" => format!("{value:.1} h"),
        _ => CelsiusHours(value).show(system),
    }
}

fn write_head(out: &mut String, report: &Report) -> fmt::Result {
    writeln!(out, "Curve {} for mix {}", report.name, report.mix)?;
    writeln!(
        out,
        "  made      {} by {}",
        when(report.made_at),
        report.author
    )?;
    writeln!(out, "  digest    {}", report.digest)?;
    let standing = match &report.standing {
        Standing::Unapproved => {
            "NOT APPROVED: no record approves it; it gives no estimate".to_owned()
        }
        Standing::NotAccepted { by, at, warnings } => format!(
            "NOT APPROVED: {by} approved it at {} without accepting {}; it gives no estimate",
            when(*at),
            warnings.join(" and ")
        ),
        Standing::Approved { by, at } => format!("approved by {by} at {}", when(*at)),
        Standing::Expired { at } => format!(
            "EXPIRED at {}: have it checked and approved again",
            when(*at)
        ),
        Standing::Superseded { at } => {
            format!("SUPERSEDED at {}: new pours use the newer curve", when(*at))
        }
        Standing::Withdrawn { at, why } => {
            format!("WITHDRAWN at {}: {why}; it gives no estimate", when(*at))
        }
    };
    writeln!(out, "  standing  {standing}")?;
    writeln!(
        out,
        "            (as recorded by {})",
        when(report.asked_at)
    )?;
    if let Some(notes) = &report.notes {
        writeln!(out, "  notes     {notes}")?;
    }
    Ok(())
}

fn write_curve(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    let parameters: Vec<String> = report
        .maturity
        .parameters
        .iter()
        .map(|(name, value)| format!("{name} = {value}"))
        .collect();
    let event = if report.time_zero == "batched" {
        "batch time"
    } else {
        "placement"
    };
    writeln!(
        out,
        "\nMaturity: {} in {}, from {event}",
        report.maturity.function, report.maturity.unit
    )?;
    if !parameters.is_empty() {
        writeln!(out, "  {}", parameters.join(", "))?;
    }
    writeln!(out, "\nForm: {}; coefficients as in the file", report.form)?;
    writeln!(out, "  {:<16} {:>14} {:>16}", "", "value", "standard error")?;
    for coefficient in &report.coefficients {
        let error = coefficient
            .standard_error
            .map_or("not known".to_owned(), |error| format!("{error:.4}"));
        writeln!(
            out,
            "  {:<16} {:>14} {error:>16}",
            coefficient.name, coefficient.value
        )?;
    }
    let scatter = match (report.residual_sd_mpa, report.residual_cv) {
        (Some(sd_mpa), _) => Megapascal(sd_mpa).show(system),
        (None, cv) => format!("{:.1} % of the strength", 100.0 * cv.unwrap_or(f64::NAN)),
    };
    writeln!(
        out,
        "  residual scatter {scatter} with {} degrees of freedom",
        report.residual_degrees_of_freedom
    )
}

fn write_cover(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    let (range, specimens) = (&report.range, &report.specimens);
    writeln!(
        out,
        "\nData: maturity {} to {}, specimens at {} to {}",
        maturity(range.maturity_min, report, system),
        maturity(range.maturity_max, report, system),
        Celsius(range.temperature_min_c).show(system),
        Celsius(range.temperature_max_c).show(system),
    )?;
    let peak = specimens.peak_c.map_or(String::new(), |peak_c| {
        format!(", peak {}", Celsius(peak_c).show(system))
    });
    writeln!(
        out,
        "  {} cylinders, {} by {}{peak}",
        specimens.cured,
        Millimetre(specimens.diameter_mm).show(system),
        Millimetre(specimens.length_mm).show(system),
    )?;
    for (count, what) in [
        (range.group_count, "groups"),
        (range.specimen_count, "specimens"),
    ] {
        if let Some(count) = count {
            writeln!(out, "  {count} {what}")?;
        }
    }
    if let Some(cycle) = &specimens.cycle {
        writeln!(out, "  cycle: {cycle}")?;
    }
    for (name, material) in &report.materials {
        writeln!(out, "  {name}: {material}")?;
    }
    write_data(out, report, system)
}

fn write_data(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    if !report.data.is_behind_curve {
        writeln!(
            out,
            "  NO DATA BEHIND IT: the file has coefficients only, and nothing to check them by"
        )?;
    }
    let mut kept: Vec<_> = report
        .data
        .specimens
        .iter()
        .filter(|row| row.excluded_because.is_none())
        .collect();
    kept.sort_by(|left, right| right.residual_mpa.abs().total_cmp(&left.residual_mpa.abs()));
    if let Some(worst) = kept.first() {
        let side = if worst.residual_mpa < 0.0 {
            "below"
        } else {
            "above"
        };
        writeln!(
            out,
            "  worst miss: {} at {} measured {}, {} {side} the curve",
            worst.specimen,
            maturity(worst.maturity, report, system),
            Megapascal(worst.strength_mpa).show(system),
            Megapascal(worst.residual_mpa.abs()).show(system)
        )?;
    }
    for row in &report.data.specimens {
        if let Some(because) = &row.excluded_because {
            writeln!(
                out,
                "  left out: {} ({}) by {}: {because}",
                row.specimen,
                Megapascal(row.strength_mpa).show(system),
                row.excluded_by.as_deref().unwrap_or("nobody named")
            )?;
        }
    }
    if !report.warnings.is_empty() {
        writeln!(out, "  the fit warned of: {}", report.warnings.join(", "))?;
    }
    if !report.to_accept.is_empty() {
        writeln!(
            out,
            "  an approval must accept by name: {}",
            report.to_accept.join(", ")
        )?;
    }
    Ok(())
}

fn write_table(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    writeln!(
        out,
        "\n{:>16} {:>12} {:>12}",
        "maturity", "estimate", "lower 90 %"
    )?;
    for row in &report.strengths {
        writeln!(
            out,
            "{:>16} {:>12} {:>12}",
            maturity(row.maturity, report, system),
            Megapascal(row.estimate_mpa).show(system),
            Megapascal(row.lower_90_mpa).show(system),
        )?;
    }
    writeln!(
        out,
        "The lower bound holds the curve's own doubt; scatter from pour to pour and load to"
    )?;
    writeln!(
        out,
        "load, which the daemon learns from breaks, comes on top."
    )
}

fn write_required(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    let required = &report.required;
    let reached = |reached: Reached| match reached {
        Reached::Within { maturity: at } => maturity(at, report, system),
        Reached::BeforeData { first_maturity } => {
            format!(
                "before the first data at {}",
                maturity(first_maturity, report, system)
            )
        }
        Reached::BeyondData { last_maturity } => {
            format!(
                "not within the data, which end at {}",
                maturity(last_maturity, report, system)
            )
        }
        Reached::Never => "never on this curve".to_owned(),
    };
    writeln!(
        out,
        "\n{} is reached",
        Megapascal(required.strength_mpa).show(system)
    )?;
    writeln!(
        out,
        "  early   {} (upper 90 % bound)",
        reached(required.early)
    )?;
    writeln!(out, "  likely  {} (estimate)", reached(required.likely))?;
    writeln!(
        out,
        "  late    {} (lower 90 % bound)",
        reached(required.late)
    )?;
    writeln!(out, "{}", report.caution)
}
