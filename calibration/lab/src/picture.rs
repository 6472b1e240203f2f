//! The picture of a curve file: its data, the curve, and down to its lower bound.

use calibration::{CurveFile, MaturityUnit, PreparedCurve, RequiredMaturity, Scatter};
use units::{CelsiusHours, Megapascal, Show as _, UnitSystem};

use crate::chart::{Chart, Mark};

const NODE_COUNT: usize = 120;

/// Data, curve, lower bound, the required strength and where they meet.
pub fn of_file(curve: &CurveFile, required: Megapascal, system: UnitSystem) -> Chart {
    let prepared = PreparedCurve::new(curve, Scatter::default());
    let x = |maturity: f64| match curve.maturity.unit() {
        MaturityUnit::Hours => maturity,
        MaturityUnit::CelsiusHours => CelsiusHours(maturity).number(system),
    };
    let y = |mpa: f64| Megapascal(mpa).number(system);
    let (first, last) = (curve.range.maturity_min, curve.range.maturity_max);
    let nodes: Vec<f64> = (0..=NODE_COUNT)
        .map(|node| first * (last / first).powf(node as f64 / NODE_COUNT as f64))
        .collect();
    let interval = prepared.maturity_interval(required.0);
    let places = [
        ("early", interval.early),
        ("likely", interval.likely),
        ("late", interval.late),
    ];
    let unit = match curve.maturity.unit() {
        MaturityUnit::Hours => "h",
        MaturityUnit::CelsiusHours => CelsiusHours::unit(system),
    };
    Chart {
        title: format!("Curve {} of mix {}", curve.name, curve.mix),
        x_label: format!("{}, {unit}", curve.maturity.name()),
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
        marks: curve
            .data
            .iter()
            .map(|row| {
                let mark = match row.excluded {
                    None => Mark::Filled,
                    Some(_) => Mark::Open,
                };
                (x(row.maturity), y(row.strength_mpa), mark)
            })
            .collect(),
        levels: vec![(y(required.0), format!("required {}", required.show(system)))],
        places: places
            .into_iter()
            .filter_map(|(name, reached)| match reached {
                RequiredMaturity::Within(at) => Some((x(at), format!("{name} {:.1}", x(at)))),
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
