//! Rates that depend on temperature, tabulated once per forecast.

/// The temperatures that a rate is tabulated for, °C.
const TABLE_FROM_C: f64 = -40.0;
const TABLE_TO_C: f64 = 130.0;
const TABLES_PER_C: f64 = 4.0;

/// One rate over temperature.
pub(crate) type OneRate = RateTable<1>;

/// Several rates over temperature: linear between nodes is good to 1e-4 relative.
///
/// A node holds the rates there and how far they are from the next, side by side: looking them up is
/// most of what a future costs.
pub(crate) struct RateTable<const COUNT: usize>(Vec<Node<COUNT>>);

#[derive(Clone, Copy)]
struct Node<const COUNT: usize> {
    rates: [f64; COUNT],
    to_next: [f64; COUNT],
}

impl<const COUNT: usize> RateTable<COUNT> {
    pub(crate) fn new(rates: impl Fn(f64) -> [f64; COUNT]) -> Self {
        let last = ((TABLE_TO_C - TABLE_FROM_C) * TABLES_PER_C) as usize;
        let nodes = (0..=last).map(|index| Node {
            rates: rates(TABLE_FROM_C + index as f64 / TABLES_PER_C),
            to_next: [0.0; COUNT],
        });
        let mut nodes: Vec<Node<COUNT>> = nodes.collect();
        for index in 0..last {
            let (here, next) = (nodes[index].rates, nodes[index + 1].rates);
            nodes[index].to_next = std::array::from_fn(|rate| next[rate] - here[rate]);
        }
        Self(nodes)
    }

    /// The rates per hour; held at the table's ends.
    #[inline]
    pub(crate) fn at(&self, temperature_c: f64) -> [f64; COUNT] {
        let last = (self.0.len() - 1) as f64;
        let place = ((temperature_c - TABLE_FROM_C) * TABLES_PER_C).clamp(0.0, last);
        let cell = place as u32;
        let node = &self.0[cell as usize];
        let share = place - f64::from(cell);
        std::array::from_fn(|rate| node.rates[rate] + node.to_next[rate] * share)
    }
}
