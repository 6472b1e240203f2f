//! The picture of a curve file: its data, the curve, and down to its lower bound.

use calibration::{
    CurveFile, DataRow, MaturityFunction, MaturityUnit, PreparedCurve, RequiredMaturity, Scatter,
};
use chart::{Chart, Mark};
use units::{CelsiusHours, Megapascal, Show as _, UnitSystem};

const NODE_COUNT: usize = 120;

/// Data, curve, lower bound, the required strength and where they meet.
pub fn of_file(curve: &CurveFile, required: Megapascal, system: UnitSystem) -> Chart {
    let prepared = PreparedCurve::new(curve, Scatter::default());
    let unit = curve.maturity.unit();
    let x = |maturity: f64| shown(maturity, unit, system);
    let y = |mpa: f64| Megapascal(mpa).number(system);
    let (first, last) = (curve.range.maturity_min, curve.range.maturity_max);
    let nodes = nodes(first, last);
    let interval = prepared.maturity_interval(required.0);
    let unit = x_unit(&curve.maturity, system);
    let places = [
        ("early", interval.early),
        ("likely", interval.likely),
        ("late", interval.late),
    ];
    Chart {
        title: format!("Curve {} of mix {}", curve.name, curve.mix),
        x_label: x_label(&curve.maturity, system),
        y_label: format!("strength, {}", Megapascal::unit(system)),
        is_x_logarithmic: last / first > 8.0,
        band: nodes
            .iter()
            .map(|at| {
                let estimate_mpa = prepared.strength_at(*at);
                (x(*at), y(prepared.lower_90_mpa(*at)), y(estimate_mpa))
            })
            .collect(),
        lines: vec![
            nodes
                .iter()
                .map(|at| (x(*at), y(prepared.strength_at(*at))))
                .collect(),
        ],
        marks: marks(&curve.data, x, y),
        levels: vec![(y(required.0), format!("required {}", required.show(system)))],
        places: places
            .into_iter()
            .filter_map(|(name, reached)| match reached {
                RequiredMaturity::Within(at) => {
                    Some((x(at), format!("{name} {:.1} {unit}", x(at))))
                }
                RequiredMaturity::BeforeData { .. }
                | RequiredMaturity::BeyondData { .. }
                | RequiredMaturity::Never => None,
            })
            .collect(),
        note: "Filled: specimens that count; open: left out. Shade: down to the one-sided 90 % \
               lower bound. Broken cylinders decide; a person signs."
            .to_owned(),
    }
}

/// A maturity's number as the picture's reader has it.
pub fn shown(maturity: f64, unit: MaturityUnit, system: UnitSystem) -> f64 {
    match unit {
        MaturityUnit::Hours => maturity,
        MaturityUnit::CelsiusHours => CelsiusHours(maturity).number(system),
    }
}

/// What runs along the bottom of a picture, with its unit.
pub fn x_label(function: &MaturityFunction, system: UnitSystem) -> String {
    let name = function.name().replace('-', " ");
    format!("{name}, {}", x_unit(function, system))
}

/// The unit along the bottom.
pub fn x_unit(function: &MaturityFunction, system: UnitSystem) -> &'static str {
    match function.unit() {
        MaturityUnit::Hours => "h",
        MaturityUnit::CelsiusHours => CelsiusHours::unit(system),
    }
}

/// Maturities evenly apart on a logarithmic axis, both ends included.
pub fn nodes(first: f64, last: f64) -> Vec<f64> {
    (0..=NODE_COUNT)
        .map(|node| first * (last / first).powf(node as f64 / NODE_COUNT as f64))
        .collect()
}

/// The data: filled where they count, open where a person left them out.
pub fn marks(
    rows: &[DataRow],
    x: impl Fn(f64) -> f64,
    y: impl Fn(f64) -> f64,
) -> Vec<(f64, f64, Mark)> {
    rows.iter()
        .map(|row| {
            let mark = match row.excluded {
                None => Mark::Filled,
                Some(_) => Mark::Open,
            };
            (x(row.maturity), y(row.strength_mpa), mark)
        })
        .collect()
}
