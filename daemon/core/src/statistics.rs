//! Points of sorted values, for habits, forecasts and their scores.

/// A point of the sorted values, linear between the two nearest; none without values.
#[must_use]
pub fn quantile(values: &[f64], share: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Some(quantile_of_sorted(&sorted, share))
}

/// The middle of the values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// The same of values that are sorted already; infinite where the upper neighbour is.
///
/// # Panics
/// Without values.
#[must_use]
pub fn quantile_of_sorted(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let (below, above) = (
        sorted[place.floor() as usize],
        sorted[place.ceil() as usize],
    );
    if above.is_finite() {
        below + (above - below) * place.fract()
    } else {
        f64::INFINITY
    }
}
