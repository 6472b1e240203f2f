//! An axis: where a value lies between its ends, and round numbers to label it with.

#[derive(Debug, Clone, Copy)]
pub(crate) struct Scale {
    low: f64,
    high: f64,
    is_logarithmic: bool,
}

impl Scale {
    /// An axis that holds every finite value, with a little room; from 0 to 1 when there is none.
    pub fn over(values: impl Iterator<Item = f64>, is_logarithmic: bool) -> Self {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|value| value.is_finite() && (!is_logarithmic || *value > 0.0)) {
            low = low.min(value);
            high = high.max(value);
        }
        if low > high {
            (low, high) = (if is_logarithmic { 0.1 } else { 0.0 }, 1.0);
        }
        if is_logarithmic {
            let room = (high / low).powf(0.03).max(1.02);
            (low, high) = (low / room, high * room);
        } else {
            let room = ((high - low) * 0.05).max(1e-9 * high.abs()).max(1e-12);
            (low, high) = (low - room, high + room);
        }
        Self {
            low,
            high,
            is_logarithmic,
        }
    }

    /// 0 at the low end, 1 at the high end.
    pub fn share(&self, value: f64) -> f64 {
        if self.is_logarithmic {
            (value / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }

    /// Round numbers inside the axis, some four to eight.
    pub fn ticks(&self) -> Vec<f64> {
        if self.is_logarithmic {
            let ticks = self.logarithmic_ticks(&[1.0, 2.0, 5.0]);
            if ticks.len() > 8 {
                return self.logarithmic_ticks(&[1.0]);
            }
            if ticks.len() >= 3 {
                return ticks;
            }
        }
        let raw = (self.high - self.low) / 8.0;
        let power = 10f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .map(|factor| factor * power)
            .find(|step| *step >= raw)
            .unwrap_or(raw);
        let first = (self.low / step).ceil() as i64;
        let last = (self.high / step).floor() as i64;
        (first..=last).map(|index| index as f64 * step).collect()
    }

    fn logarithmic_ticks(&self, digits: &[f64]) -> Vec<f64> {
        let powers = self.low.log10().floor() as i32..=self.high.log10().ceil() as i32;
        powers
            .flat_map(|power| digits.iter().map(move |digit| digit * 10f64.powi(power)))
            .filter(|tick| (self.low..=self.high).contains(tick))
            .collect()
    }
}

/// A tick's number without rounding noise.
pub(crate) fn label(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", rounded + 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_has_four_to_eight_round_numbers_inside_it() {
        for (low, high) in [
            (0.0, 1.0),
            (-0.8, 1.65),
            (3.0, 97.0),
            (-119.0, 4.0),
            (0.0, 0.0312),
        ] {
            let ticks = Scale::over([low, high].into_iter(), false).ticks();
            assert!((4..=8).contains(&ticks.len()), "{low} to {high}: {ticks:?}");
        }
    }

    #[test]
    fn a_logarithmic_axis_has_round_numbers_too() {
        let ticks = Scale::over([9.0, 800.0].into_iter(), true).ticks();
        assert_eq!(ticks, [10.0, 20.0, 50.0, 100.0, 200.0, 500.0]);
    }
}
