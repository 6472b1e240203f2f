//! The pictures of a fit: data, curve, band and target; and the residuals.

use calibration::fit::{CurveFit, TargetMaturity};
use calibration::{MaturityUnit, t_quantile};
use units::{CelsiusHours, Megapascal, Show as _, UnitSystem};

use super::Fitted;
use crate::chart::{Chart, Mark};

const NODE_COUNT: usize = 120;

/// A maturity's number as the picture's reader has it.
fn shown(maturity: f64, unit: MaturityUnit, system: UnitSystem) -> f64 {
    match unit {
        MaturityUnit::Hours => maturity,
        MaturityUnit::CelsiusHours => CelsiusHours(maturity).number(system),
    }
}

fn x_label(fitted: &Fitted, system: UnitSystem) -> String {
    let unit = match fitted.function.unit() {
        MaturityUnit::Hours => "h",
        MaturityUnit::CelsiusHours => CelsiusHours::unit(system),
    };
    format!("{}, {unit}", fitted.function.name())
}

/// Data, curve, the curve's two-sided 90 % band, the required strength and where they meet.
pub fn curve(fitted: &Fitted, fit: &CurveFit, system: UnitSystem) -> Chart {
    let unit = fitted.function.unit();
    let x = |maturity: f64| shown(maturity, unit, system);
    let y = |mpa: f64| Megapascal(mpa).number(system);
    let (first, last) = fit.maturity_range;
    let t = t_quantile(0.95, fit.degrees_of_freedom);
    let nodes: Vec<f64> = (0..=NODE_COUNT)
        .map(|node| first * (last / first).powf(node as f64 / NODE_COUNT as f64))
        .collect();
    let mut places = Vec::new();
    if let Some(target_mpa) = fitted.target_mpa
        && let TargetMaturity::Within(crossing) = fit.target_maturity(target_mpa)
    {
        let inside = |end: Option<f64>| end.filter(|end| (first..=last).contains(end));
        for (name, at) in [
            ("early", inside(crossing.early)),
            ("likely", Some(crossing.maturity)),
            ("late", inside(crossing.late)),
        ] {
            if let Some(at) = at {
                places.push((x(at), format!("{name} {:.1}", x(at))));
            }
        }
    }
    Chart {
        title: format!("Strength against maturity, {} form", fit.form),
        x_label: x_label(fitted, system),
        y_label: format!("strength, {}", Megapascal::unit(system)),
        is_x_logarithmic: last / first > 8.0,
        band: nodes
            .iter()
            .map(|at| {
                let (mpa, half) = (fit.curve.strength_mpa(*at), t * fit.curve_sd_mpa(*at));
                (x(*at), y((mpa - half).max(0.0)), y(mpa + half))
            })
            .collect(),
        lines: vec![
            nodes
                .iter()
                .map(|at| (x(*at), y(fit.curve.strength_mpa(*at))))
                .collect(),
        ],
        marks: fitted
            .rows
            .iter()
            .map(|row| {
                let mark = match row.excluded {
                    None => Mark::Filled,
                    Some(_) => Mark::Open,
                };
                (x(row.maturity), y(row.strength_mpa), mark)
            })
            .collect(),
        levels: fitted
            .target_mpa
            .map(|mpa| {
                let name = format!("required {}", Megapascal(mpa).show(system));
                (y(mpa), name)
            })
            .into_iter()
            .collect(),
        places,
        note: "Filled: specimens that count; open: left out. Band: two-sided 90 % of the curve. \
               Broken cylinders decide; a person signs."
            .to_owned(),
    }
}

/// Measured less fitted, against maturity.
pub fn residuals(fitted: &Fitted, fit: &CurveFit, system: UnitSystem) -> Chart {
    let unit = fitted.function.unit();
    let (first, last) = fit.maturity_range;
    Chart {
        title: format!("Measured less curve, {} form", fit.form),
        x_label: x_label(fitted, system),
        y_label: format!("measured less curve, {}", Megapascal::unit(system)),
        is_x_logarithmic: last / first > 8.0,
        band: Vec::new(),
        lines: Vec::new(),
        marks: fitted
            .rows
            .iter()
            .map(|row| {
                let residual_mpa = row.strength_mpa - fit.curve.strength_mpa(row.maturity);
                let mark = match row.excluded {
                    None => Mark::Filled,
                    Some(_) => Mark::Open,
                };
                (
                    shown(row.maturity, unit, system),
                    Megapascal(residual_mpa).number(system),
                    mark,
                )
            })
            .collect(),
        levels: vec![(0.0, "on the curve".to_owned())],
        places: Vec::new(),
        note: "Filled: specimens that count; open: left out. A bow shows that another form may \
               follow the data better."
            .to_owned(),
    }
}
