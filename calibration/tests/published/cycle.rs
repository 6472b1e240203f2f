//! A reference cure cycle under every maturity function, and tables of their rates.

use calibration::MaturityFunction;

use crate::maturity::{age, factor, weighted};
use crate::row::Row;

/// The reference cycle: hours and °C, linear between.
const CYCLE: [(f64, f64); 7] = [
    (0.0, 22.0),
    (4.0, 25.0),
    (6.0, 60.0),
    (7.0, 65.0),
    (14.0, 65.0),
    (16.0, 50.0),
    (18.0, 40.0),
];

/// The cycle with a point at every step and at every corner, up to `until_h`.
fn cycle_until(until_h: f64, steps_per_hour: u32) -> Vec<(f64, f64)> {
    let step_count = (until_h * f64::from(steps_per_hour)).round() as u32;
    (0..=step_count)
        .map(|step| {
            let hours = f64::from(step) / f64::from(steps_per_hour);
            let pair = CYCLE
                .windows(2)
                .find(|pair| hours <= pair[1].0)
                .expect("the cycle covers eighteen hours");
            let share = (hours - pair[0].0) / (pair[1].0 - pair[0].0);
            (hours, pair[0].1 + share * (pair[1].1 - pair[0].1))
        })
        .collect()
}

pub fn cycle_rows() -> Vec<Row> {
    let columns = [
        ("datum 0", factor(0.0), 1e-9),
        ("datum -10", factor(-10.0), 1e-9),
        ("5000 K at 20 °C", age(41_570.0, 20.0), 5.1e-6),
        ("EN 1992", MaturityFunction::En1992Age, 5.1e-6),
        ("C = 1.30", weighted(1.30), 5.1e-5),
    ];
    let table = [
        (4.0, [94.0, 134.0, 4.896_87, 4.693_74, 119.1897]),
        (6.0, [179.0, 239.0, 12.413_11, 10.348_41, 250.5427]),
        (7.0, [241.5, 311.5, 21.096_57, 15.981_12, 371.1991]),
        (8.0, [306.5, 386.5, 30.773_82, 22.126_38, 501.3600]),
        (10.0, [436.5, 536.5, 50.128_31, 34.416_89, 761.6817]),
        (12.0, [566.5, 686.5, 69.482_79, 46.707_40, 1022.0035]),
        (14.0, [696.5, 836.5, 88.837_28, 58.997_92, 1282.3252]),
        (16.0, [811.5, 971.5, 102.912_90, 68.492_52, 1490.1992]),
        (18.0, [901.5, 1081.5, 110.620_83, 74.363_39, 1627.4801]),
    ];
    let at_the_end = [
        ("datum -5", factor(-5.0), 991.5, 1e-9),
        ("datum +2.5", factor(2.5), 856.5, 1e-9),
        ("5000 K at 20 °C", age(41_570.0, 20.0), 110.620_834, 5.1e-7),
        ("5000 K at 23 °C", age(41_570.0, 23.0), 93.067_960, 5.1e-7),
        (
            "40 kJ/mol at 23 °C",
            age(40_000.0, 23.0),
            86.838_555,
            5.1e-7,
        ),
        (
            "45 kJ/mol at 20 °C",
            age(45_000.0, 20.0),
            130.711_226,
            5.1e-7,
        ),
        ("EN 1992", MaturityFunction::En1992Age, 74.363_387, 5.1e-7),
        ("C = 1.25", weighted(1.25), 1502.5010, 5.1e-5),
        ("C = 1.40", weighted(1.40), 1925.6428, 5.1e-5),
        ("C = 1.50", weighted(1.50), 2295.8930, 5.1e-5),
        ("C = 1.65", weighted(1.65), 3010.0889, 5.1e-5),
    ];
    let mut rows = Vec::new();
    // Once on the cycle's own corners (steps of an hour) and once as the daemon sees it, each
    // minute.
    for steps_per_hour in [1, 60] {
        let mut add =
            |name: &str, function: MaturityFunction, hours: f64, figure, tolerance: f64| {
                let points = cycle_until(hours, steps_per_hour);
                let maturities = function.history(&points).expect("the cycle is a history");
                let got = maturities.last().copied().expect("the cycle is not empty");
                let id = format!("cycle at {hours} h, {name}, {steps_per_hour} per hour");
                // A thousand additions round.
                rows.push(Row::new(id, figure, tolerance.max(1e-8), got));
            };
        for (hours, figures) in table {
            for ((name, function, tolerance), figure) in columns.iter().zip(figures) {
                add(name, *function, hours, figure, *tolerance);
            }
        }
        for (name, function, figure, tolerance) in at_the_end {
            add(name, function, 18.0, figure, tolerance);
        }
    }
    rows
}

pub fn rate_rows() -> Vec<Row> {
    let en_1992 = [
        (0.0, 0.367_139),
        (5.0, 0.477_835),
        (10.0, 0.616_143),
        (15.0, 0.787_502),
        (20.0, 0.998_125),
        (25.0, 1.255_057),
        (30.0, 1.566_243),
        (40.0, 2.387_979),
        (50.0, 3.546_989),
        (60.0, 5.144_808),
        (65.0, 6.145_256),
        (70.0, 7.302_322),
        (80.0, 10.160_984),
    ];
    let c_values = [1.25, 1.30, 1.35, 1.40, 1.50, 1.60, 1.65];
    let weighted_rates = [
        (-10.0, [0.0; 7]),
        (
            0.0,
            [6.7888, 6.3447, 5.9456, 5.5854, 4.9624, 4.4443, 4.2171],
        ),
        (
            5.0,
            [10.7953, 10.1987, 9.6584, 9.1671, 8.3082, 7.5838, 7.2630],
        ),
        (
            10.0,
            [
                15.2748, 14.5929, 13.9722, 13.4049, 12.4060, 11.5551, 11.1754,
            ],
        ),
        (
            12.45,
            [
                17.6590, 16.9658, 16.3343, 15.7567, 14.7382, 13.8693, 13.4811,
            ],
        ),
        (
            15.0,
            [
                20.2830, 19.6031, 18.9844, 18.4193, 17.4247, 16.5784, 16.2011,
            ],
        ),
        (
            20.0,
            [
                25.8823, 25.3155, 24.8080, 24.3523, 23.5714, 22.9324, 22.6566,
            ],
        ),
        (
            25.0,
            [
                32.1425, 31.8287, 31.5745, 31.3723, 31.0995, 30.9697, 30.9489,
            ],
        ),
        (
            30.0,
            [
                39.1416, 39.2549, 39.4365, 39.6786, 40.3195, 41.1362, 41.6006,
            ],
        ),
        (
            40.0,
            [
                55.7159, 57.3761, 59.1848, 61.1354, 65.4416, 70.2622, 72.8581,
            ],
        ),
        (
            50.0,
            [
                76.4336, 80.9337, 85.8451, 91.1750, 103.1248, 116.8637, 124.4331,
            ],
        ),
        (
            60.0,
            [
                102.3308, 111.5585, 121.8365, 133.2304, 159.6497, 191.4263, 209.5317,
            ],
        ),
        (
            65.0,
            [
                117.6146, 130.1609, 144.3114, 160.1986, 197.7607, 244.0994, 270.9943,
            ],
        ),
        (
            70.0,
            [
                134.7023, 151.3708, 170.4249, 192.1079, 244.4369, 310.7263, 349.9445,
            ],
        ),
    ];
    let mut rows: Vec<Row> = en_1992
        .iter()
        .map(|&(celsius, figure)| {
            let got = MaturityFunction::En1992Age.rate(celsius);
            Row::new(
                format!("EN 1992 factor at {celsius} °C"),
                figure,
                5.1e-7,
                got,
            )
        })
        .collect();
    for (celsius, figures) in weighted_rates {
        for (c_value, figure) in c_values.into_iter().zip(figures) {
            let got = weighted(c_value).rate(celsius);
            rows.push(Row::new(
                format!("Rg at {celsius} °C, C = {c_value}"),
                figure,
                5.1e-5,
                got,
            ));
        }
    }
    // The product form that some texts print is another function.
    let id = "Rg at 20 °C, C = 1.3, product form";
    rows.push(Row::new(id, 24.381, 5e-4, weighted(1.3).rate(20.0)).not_reproduced());
    rows
}
