//! The maturity functions: how a temperature history becomes one number that strength follows.
//!
//! | function | rate per hour at temperature T | measure |
//! |---|---|---|
//! | temperature-time factor | `max(T - datum, 0)` | °C·h |
//! | equivalent age | `exp(-(Ea/R) * (1/Tk - 1/Tref))`, kelvin | h at the reference temperature |
//! | weighted maturity | `10 * (C^(0.1 T - 1.245) - C^(-2.245)) / ln C`, zero below -10 °C | °C·h |
//! | EN 1992 age | `exp(13.65 - 4000 / (273 + T))` | h |
//!
//! Between two readings the temperature runs linearly, and the rate is integrated along that line:
//! taking the rate at the average temperature instead loses 0.05 to 0.3 % over a usual night.

use std::fmt;

use units::constants::{GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET, KELVIN_OFFSET_EN_1992};

/// The temperature at which weighted maturity begins, °C.
const WEIGHTED_ZERO_C: f64 = -10.0;

/// Below this |ln C| weighted maturity is its own limit, the temperature-time factor with datum -10
/// °C; the neglected term is of relative size `0.05 * |ln C| * (T + 10)`.
const LN_C_LIMIT: f64 = 1e-12;

/// Up to this span a two-point rule is good to 1e-9 relative even at 80 kJ/mol and -10 °C: most
/// segments between one-minute readings are as short.
const SHORT_SPAN_C: f64 = 0.25;

/// Up to this far four derivatives of an Arrhenius rate are as good: it covers how far concrete can cool
/// and warm again between one-minute readings.
const CLOSE_C: f64 = 0.35;

/// Up to this span a three-point rule is good to 1e-9 relative even at 80 kJ/mol and -10 °C.
const THREE_POINT_SPAN_C: f64 = 2.0;

/// Five points on a piece of this span are good to 1e-10 relative in the same case.
const PIECE_SPAN_C: f64 = 10.0;

/// Gauss-Legendre nodes on 0..1 and their weights.
const TWO_POINT: [(f64, f64); 2] = [
    (0.211_324_865_405_187_13, 0.5),
    (0.788_675_134_594_812_9, 0.5),
];
const THREE_POINT: [(f64, f64); 3] = [
    (0.112_701_665_379_258_31, 5.0 / 18.0),
    (0.5, 8.0 / 18.0),
    (0.887_298_334_620_741_7, 5.0 / 18.0),
];
const FIVE_POINT: [(f64, f64); 5] = [
    (0.046_910_077_030_668_004, 0.118_463_442_528_094_54),
    (0.230_765_344_947_158_45, 0.239_314_335_249_683_23),
    (0.5, 0.284_444_444_444_444_45),
    (0.769_234_655_052_841_5, 0.239_314_335_249_683_23),
    (0.953_089_922_969_332, 0.118_463_442_528_094_54),
];

/// A maturity function with its parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MaturityFunction {
    /// Temperature-time factor (Nurse-Saul): time weighted by the temperature above a datum.
    /// Source: ASTM C1074 (from memory); form seen in Iowa IM 383.
    TemperatureTimeFactor {
        /// Datum temperature, °C. Below it maturity stands still; it never falls.
        datum_c: f64,
    },
    /// Equivalent age (Arrhenius): hours at the reference temperature that did as much.
    /// Source: ASTM C1074 (from memory).
    EquivalentAge {
        /// Apparent activation energy, J/mol.
        activation_energy_j_mol: f64,
        /// Reference temperature, °C (20 in Europe, 23 in North America).
        reference_c: f64,
    },
    /// Weighted maturity in its integral form, as in NEN 5970 (seen at kwaliteitsdienstbeton.nl);
    /// the product form that some texts print is another function.
    WeightedMaturity {
        /// The cement's C-value; at 1 this is the temperature-time factor with datum -10 °C.
        c_value: f64,
    },
    /// Temperature-adjusted age of EN 1992-1-1 (B.10), for 0 to 80 °C. The code writes 273, not
    /// 273.15, so an hour at 20 °C counts 0.9981 h.
    En1992Age,
}

/// The unit of a maturity.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MaturityUnit {
    /// Degree Celsius hours.
    CelsiusHours,
    /// Hours at the reference temperature.
    Hours,
}

impl MaturityUnit {
    /// The unit's symbol.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::CelsiusHours => "°C·h",
            Self::Hours => "h",
        }
    }
}

/// A temperature history that cannot be integrated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HistoryError {
    /// A time or temperature that is not a finite number.
    NotFinite {
        /// Index of the offending point.
        index: usize,
    },
    /// A point earlier than the one before it.
    OutOfOrder {
        /// Index of the offending point.
        index: usize,
    },
}

impl fmt::Display for HistoryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotFinite { index } => {
                write!(
                    f,
                    "point {index} has a time or temperature that is not a number"
                )
            }
            Self::OutOfOrder { index } => {
                write!(
                    f,
                    "point {index} is earlier than the one before: sort the points by time"
                )
            }
        }
    }
}

impl std::error::Error for HistoryError {}

impl MaturityFunction {
    /// The function's name as curve files write it.
    pub fn name(&self) -> &'static str {
        match self {
            Self::TemperatureTimeFactor { .. } => "temperature-time-factor",
            Self::EquivalentAge { .. } => "equivalent-age",
            Self::WeightedMaturity { .. } => "weighted-maturity",
            Self::En1992Age => "en-1992-age",
        }
    }

    /// The function's parameters by the names of curve files.
    pub fn parameters(&self) -> Vec<(&'static str, f64)> {
        match *self {
            Self::TemperatureTimeFactor { datum_c } => vec![("datum_c", datum_c)],
            Self::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            } => vec![
                ("activation_energy_j_mol", activation_energy_j_mol),
                ("reference_c", reference_c),
            ],
            Self::WeightedMaturity { c_value } => vec![("c_value", c_value)],
            Self::En1992Age => Vec::new(),
        }
    }

    /// The unit in which this function measures.
    pub fn unit(&self) -> MaturityUnit {
        match self {
            Self::TemperatureTimeFactor { .. } | Self::WeightedMaturity { .. } => {
                MaturityUnit::CelsiusHours
            }
            Self::EquivalentAge { .. } | Self::En1992Age => MaturityUnit::Hours,
        }
    }

    /// Maturity gained per hour at a steady `temperature_c`; never negative.
    ///
    /// The Arrhenius forms have no datum and keep a small rate below freezing.
    pub fn rate(&self, temperature_c: f64) -> f64 {
        match *self {
            Self::TemperatureTimeFactor { datum_c } => (temperature_c - datum_c).max(0.0),
            Self::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            } => Arrhenius::new(activation_energy_j_mol, reference_c).rate(temperature_c),
            Self::WeightedMaturity { c_value } => weighted(c_value)(temperature_c),
            Self::En1992Age => EN_1992.rate(temperature_c),
        }
    }

    /// Maturity gained over `hours` while the temperature runs linearly from `start_c` to `end_c`.
    ///
    /// Exact for the temperature-time factor, also where the line crosses the datum; the others by
    /// quadrature, good to 1e-9 relative, with one or two rate evaluations while the span is short
    /// and three while it is under 2 °C.
    pub fn over_segment(&self, start_c: f64, end_c: f64, hours: f64) -> f64 {
        match *self {
            Self::TemperatureTimeFactor { datum_c } => {
                mean_above(start_c - datum_c, end_c - datum_c) * hours
            }
            Self::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            } => {
                let rate = Arrhenius::new(activation_energy_j_mol, reference_c);
                rate.mean_on_line(start_c, end_c) * hours
            }
            Self::WeightedMaturity { c_value } => {
                mean_weighted(weighted(c_value), start_c, end_c) * hours
            }
            Self::En1992Age => EN_1992.mean_on_line(start_c, end_c) * hours,
        }
    }

    /// Maturity gained along two straight lines that follow each other: from the first temperature to the
    /// second over the first of `hours`, and on to the third over the second.
    ///
    /// As good as [`Self::over_segment`] twice, and for the Arrhenius forms at half the price where the
    /// three lie close together.
    pub fn over_bend(&self, celsius: [f64; 3], hours: [f64; 2]) -> f64 {
        let close = match *self {
            Self::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            } => Arrhenius::new(activation_energy_j_mol, reference_c).over_close(celsius, hours),
            Self::En1992Age => EN_1992.over_close(celsius, hours),
            Self::TemperatureTimeFactor { .. } | Self::WeightedMaturity { .. } => None,
        };
        close.unwrap_or_else(|| {
            self.over_segment(celsius[0], celsius[1], hours[0])
                + self.over_segment(celsius[1], celsius[2], hours[1])
        })
    }

    /// Maturity at every point of a history of `(hours, celsius)`, linear in between, starting at
    /// zero.
    ///
    /// Two points at the same time are a step.
    ///
    /// # Errors
    /// [`HistoryError`] when a value is not finite or the times run backwards.
    pub fn history(&self, points: &[(f64, f64)]) -> Result<Vec<f64>, HistoryError> {
        let mut maturity = 0.0;
        let mut maturities = Vec::with_capacity(points.len());
        for (index, &(hours, celsius)) in points.iter().enumerate() {
            if !(hours.is_finite() && celsius.is_finite()) {
                return Err(HistoryError::NotFinite { index });
            }
            if index > 0 {
                let (hours_before, celsius_before) = points[index - 1];
                if hours < hours_before {
                    return Err(HistoryError::OutOfOrder { index });
                }
                maturity += self.over_segment(celsius_before, celsius, hours - hours_before);
            }
            maturities.push(maturity);
        }
        Ok(maturities)
    }

    /// How many hours at `to_c` are worth one hour at `from_c`; none where nothing ripens at
    /// `to_c`.
    ///
    /// For equivalent age this is `exp(-(Ea/R) * (1/Tfrom - 1/Tto))`, whatever the reference.
    pub fn conversion_factor(&self, from_c: f64, to_c: f64) -> Option<f64> {
        let rate_to = self.rate(to_c);
        (rate_to > 0.0).then(|| self.rate(from_c) / rate_to)
    }
}

/// A rate of the form `exp(level - activation / T)`, T in kelvin.
struct Arrhenius {
    level: f64,
    activation_k: f64,
    kelvin_offset: f64,
}

/// EN 1992-1-1 (B.10).
const EN_1992: Arrhenius = Arrhenius {
    level: 13.65,
    activation_k: 4000.0,
    kelvin_offset: KELVIN_OFFSET_EN_1992,
};

impl Arrhenius {
    fn new(activation_energy_j_mol: f64, reference_c: f64) -> Self {
        let activation_k = activation_energy_j_mol / GAS_CONSTANT_J_MOL_K;
        Self {
            level: activation_k / (reference_c + KELVIN_OFFSET),
            activation_k,
            kelvin_offset: KELVIN_OFFSET,
        }
    }

    fn rate(&self, temperature_c: f64) -> f64 {
        let kelvin = temperature_c + self.kelvin_offset;
        if kelvin > 0.0 {
            (self.level - self.activation_k / kelvin).exp()
        } else {
            0.0
        }
    }

    /// The mean while the temperature runs linearly.
    fn mean_on_line(&self, start_c: f64, end_c: f64) -> f64 {
        let span_c = end_c - start_c;
        if span_c.abs() >= SHORT_SPAN_C {
            return mean_on_line(|celsius| self.rate(celsius), start_c, end_c);
        }
        // The middle, and a twenty-fourth of the second derivative: one exponential in place of two.
        let middle_c = start_c + 0.5 * span_c;
        let per_kelvin = 1.0 / (middle_c + self.kelvin_offset);
        let slope = self.activation_k * per_kelvin * per_kelvin;
        let curvature = slope * (slope - 2.0 * per_kelvin);
        self.rate(middle_c) * (1.0 + span_c * span_c / 24.0 * curvature)
    }

    /// Over two lines that meet at a temperature close to their other ends: the rate there, with its
    /// derivatives on the moments of what they are off, so that one exponential serves for both; `None`
    /// where they lie further apart.
    fn over_close(&self, [start_c, middle_c, end_c]: [f64; 3], hours: [f64; 2]) -> Option<f64> {
        let off_c = [start_c - middle_c, end_c - middle_c];
        let kelvin = middle_c + self.kelvin_offset;
        let is_close = off_c[0].abs().max(off_c[1].abs()) < CLOSE_C;
        if !is_close || kelvin <= 0.0 {
            return None;
        }
        // Derivatives of exp(-q/T) over itself, from the slope q/T² of its logarithm and that slope's own.
        let per_kelvin = 1.0 / kelvin;
        let slope = self.activation_k * per_kelvin * per_kelvin;
        let slope_1 = -2.0 * slope * per_kelvin;
        let slope_2 = -3.0 * slope_1 * per_kelvin;
        let square = slope * slope;
        let derivatives = [
            slope,
            square + slope_1,
            slope * (square + 3.0 * slope_1) + slope_2,
            square * (square + 6.0 * slope_1) + 3.0 * slope_1 * slope_1 + 4.0 * slope * slope_2,
        ];
        let mean = |off: f64| {
            let [first, second, third, fourth] = derivatives;
            1.0 + off
                * (first / 2.0 + off * (second / 6.0 + off * (third / 24.0 + off * fourth / 120.0)))
        };
        let level = (self.level - self.activation_k * per_kelvin).exp();
        Some(level * (hours[0] * mean(off_c[0]) + hours[1] * mean(off_c[1])))
    }
}

/// `exp_m1` keeps the difference of two nearly equal powers exact as C goes to 1 and T to -10 °C.
fn weighted(c_value: f64) -> impl Fn(f64) -> f64 {
    let ln_c = c_value.ln();
    let factor = if ln_c.abs() < LN_C_LIMIT {
        None
    } else {
        Some((-2.245 * ln_c).exp() / ln_c)
    };
    move |temperature_c| {
        let above_zero_c = (temperature_c - WEIGHTED_ZERO_C).max(0.0);
        match factor {
            Some(factor) => 10.0 * factor * (0.1 * ln_c * above_zero_c).exp_m1(),
            None => above_zero_c,
        }
    }
}

/// The mean of `max(x, 0)` while x runs linearly from `start` to `end`.
fn mean_above(start: f64, end: f64) -> f64 {
    let (low, high) = if start <= end {
        (start, end)
    } else {
        (end, start)
    };
    if high <= 0.0 {
        0.0
    } else if low >= 0.0 {
        0.5 * (low + high)
    } else {
        0.5 * high * (high / (high - low))
    }
}

/// The part of the line below -10 °C gives nothing; the quadrature must not straddle that kink.
fn mean_weighted(rate: impl Fn(f64) -> f64, start_c: f64, end_c: f64) -> f64 {
    let (low_c, high_c) = if start_c <= end_c {
        (start_c, end_c)
    } else {
        (end_c, start_c)
    };
    if high_c <= WEIGHTED_ZERO_C {
        0.0
    } else if low_c >= WEIGHTED_ZERO_C {
        mean_on_line(rate, low_c, high_c)
    } else {
        let share = (high_c - WEIGHTED_ZERO_C) / (high_c - low_c);
        share * mean_on_line(rate, WEIGHTED_ZERO_C, high_c)
    }
}

/// The mean of a smooth rate along a line of temperature.
fn mean_on_line(rate: impl Fn(f64) -> f64, start_c: f64, end_c: f64) -> f64 {
    let span_c = end_c - start_c;
    let by_rule = |from_c: f64, piece_c: f64, rule: &[(f64, f64)]| -> f64 {
        rule.iter()
            .map(|(node, weight)| weight * rate(from_c + node * piece_c))
            .sum()
    };
    if span_c == 0.0 {
        rate(start_c)
    } else if span_c.abs() < SHORT_SPAN_C {
        by_rule(start_c, span_c, &TWO_POINT)
    } else if span_c.abs() < THREE_POINT_SPAN_C {
        by_rule(start_c, span_c, &THREE_POINT)
    } else {
        let piece_count = (span_c.abs() / PIECE_SPAN_C).ceil();
        let piece_c = span_c / piece_count;
        let sum: f64 = (0..piece_count as usize)
            .map(|piece| by_rule(start_c + piece as f64 * piece_c, piece_c, &FIVE_POINT))
            .sum();
        sum / piece_count
    }
}

#[cfg(test)]
mod tests;
