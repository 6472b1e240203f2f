//! The pictures of a fit: data, curve, band and target; and the residuals.

use calibration::fit::{CurveFit, TargetMaturity};
use calibration::t_quantile;
use chart::{Chart, Mark};
use units::{Megapascal, Show as _, UnitSystem};

use super::Fitted;
use crate::picture::{marks, nodes, shown, x_label, x_unit};

/// Data, curve, the curve's two-sided 90 % band, the required strength and where they meet.
pub fn curve(fitted: &Fitted, fit: &CurveFit, system: UnitSystem) -> Chart {
    let unit = fitted.function.unit();
    let x = |maturity: f64| shown(maturity, unit, system);
    let y = |mpa: f64| Megapascal(mpa).number(system);
    let (first, last) = fit.maturity_range;
    let t = t_quantile(0.95, fit.degrees_of_freedom);
    let nodes = nodes(first, last);
    let mut places = Vec::new();
    if let Some(target_mpa) = fitted.target_mpa
        && let TargetMaturity::Within(crossing) = fit.target_maturity(target_mpa)
    {
        let inside = |end: Option<f64>| end.filter(|end| (first..=last).contains(end));
        let unit = x_unit(&fitted.function, system);
        for (name, at) in [
            ("early", inside(crossing.early)),
            ("likely", Some(crossing.maturity)),
            ("late", inside(crossing.late)),
        ] {
            if let Some(at) = at {
                places.push((x(at), format!("{name} {:.1} {unit}", x(at))));
            }
        }
    }
    Chart {
        title: format!("Strength against maturity, {} form", fit.form),
        x_label: x_label(&fitted.function, system),
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
        marks: marks(&fitted.rows, x, y),
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
        x_label: x_label(&fitted.function, system),
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
