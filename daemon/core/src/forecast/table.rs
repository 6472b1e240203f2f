//! Rates that depend on temperature, tabulated once per forecast.

/// The temperatures that a rate is tabulated for, °C.
const TABLE_FROM_C: f64 = -40.0;
const TABLE_TO_C: f64 = 130.0;
const TABLE_STEP_C: f64 = 0.25;

/// A rate over temperature: linear between nodes is good to 1e-4 relative.
pub(crate) struct RateTable(Vec<f64>);

impl RateTable {
    pub(crate) fn new(rate: impl Fn(f64) -> f64) -> Self {
        let count = ((TABLE_TO_C - TABLE_FROM_C) / TABLE_STEP_C) as usize + 1;
        Self(
            (0..count)
                .map(|index| rate(TABLE_FROM_C + index as f64 * TABLE_STEP_C))
                .collect(),
        )
    }

    /// The rate per hour; held at the table's ends.
    pub(crate) fn at(&self, temperature_c: f64) -> f64 {
        let last = (self.0.len() - 1) as f64;
        let place = ((temperature_c - TABLE_FROM_C) / TABLE_STEP_C).clamp(0.0, last);
        let cell = (place as usize).min(self.0.len() - 2);
        self.0[cell] + (self.0[cell + 1] - self.0[cell]) * (place - cell as f64)
    }
}
