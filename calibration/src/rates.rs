//! From strengths at three or more temperatures to the rates of a cement, its linear datum
//! temperature and its apparent activation energy.
//!
//! At each temperature the hyperbolic form is fitted to strength over age in days, which gives a
//! rate constant k. Then two straight lines by plain least squares:
//!
//! ```text
//! k = slope (T - datum)                      linear datum, for the temperature-time factor
//! ln k = intercept - (Ea / R) / T_kelvin     activation energy, for equivalent age
//! ```
//!
//! The two are not interchangeable: the same data with a textbook activation energy give a linear
//! datum well above 0 °C, because a straight line through a bent rate depends on the temperatures
//! that were tested. Source: the mortar method of ASTM C1074, from memory.

use std::fmt;

use units::constants::{GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET};
use units::{Celsius, Show as _, UnitSystem};

use crate::curve::Curve;
use crate::curve_file::DataRow;
use crate::fit::{FitOptions, FitRefusal, Form, Point, fit};

/// Temperatures that it takes: a line through two says nothing about whether it is one.
const TEMPERATURE_COUNT_MIN: usize = 3;

/// Temperatures closer than this are one bath, °C.
const SAME_BATH_C: f64 = 1.0;

/// The rate constant at one temperature.
#[derive(Debug, Clone, PartialEq)]
pub struct RateAtTemperature {
    /// Mean temperature of the bath, °C.
    pub temperature_c: f64,
    /// Rate constant k, per day.
    pub rate_per_day: f64,
    /// Its standard error.
    pub rate_standard_error: f64,
    /// Ultimate strength, MPa.
    pub ultimate_mpa: f64,
    /// Age at which strength begins, d.
    pub offset_d: f64,
    /// Residual standard deviation, MPa.
    pub residual_sd_mpa: f64,
    /// Number of specimens.
    pub specimen_count: usize,
}

/// A value with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Its standard error: the larger of what the scatter about the line and the standard errors of
    /// the rates give.
    pub standard_error: f64,
}

/// Rates, datum temperature and activation energy.
#[derive(Debug, Clone, PartialEq)]
pub struct Rates {
    /// The temperatures, coldest first.
    pub temperatures: Vec<RateAtTemperature>,
    /// Slope of k against temperature, per day and °C.
    pub linear_slope: f64,
    /// Intercept of k against temperature, per day.
    pub linear_intercept: f64,
    /// Datum temperature of the straight line, °C.
    pub datum_c: Measured,
    /// Slope of ln k against one over the kelvin temperature, K.
    pub arrhenius_slope_k: f64,
    /// Intercept of it.
    pub arrhenius_intercept: f64,
    /// Apparent activation energy, J/mol.
    pub activation_energy_j_mol: Measured,
}

impl Rates {
    /// The temperatures that were tested, lowest and highest, °C. Nothing is claimed outside.
    pub fn covers_c(&self) -> (f64, f64) {
        let at =
            |rate: Option<&RateAtTemperature>| rate.map_or(f64::NAN, |rate| rate.temperature_c);
        (at(self.temperatures.first()), at(self.temperatures.last()))
    }

    /// Everything to be known before the results are used on beds that reach a peak.
    pub fn cautions(&self, beds_peak_c: f64) -> Vec<RateCaution> {
        let (tested_min_c, tested_max_c) = self.covers_c();
        let mut found = vec![RateCaution::NotInterchangeable];
        if beds_peak_c > tested_max_c {
            found.push(RateCaution::BedsAreHotter {
                beds_peak_c,
                tested_max_c,
            });
        }
        let pairs = self.temperatures.windows(2);
        if pairs
            .clone()
            .any(|pair| pair[1].rate_per_day <= pair[0].rate_per_day)
        {
            found.push(RateCaution::RatesDoNotRise);
        }
        for (name, measured) in [
            ("the datum temperature", self.datum_c.standard_error / 10.0),
            (
                "the activation energy",
                self.activation_energy_j_mol.standard_error / self.activation_energy_j_mol.value,
            ),
        ] {
            // Ten degrees of datum, or a third of the activation energy, is no knowledge.
            if measured.is_nan() || measured.abs() > 1.0 / 3.0 {
                found.push(RateCaution::Uncertain { name });
            }
        }
        let linear_share = self
            .temperatures
            .iter()
            .map(|rate| {
                let line = self.linear_intercept + self.linear_slope * rate.temperature_c;
                (line - rate.rate_per_day).abs() / rate.rate_per_day
            })
            .fold(0.0, f64::max);
        if linear_share > 0.10 {
            found.push(RateCaution::NotLinear {
                tested_min_c,
                share: linear_share,
            });
        }
        found
    }
}

/// What must be known before rates are used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RateCaution {
    /// Always: the datum belongs to one measure, the activation energy to another.
    NotInterchangeable,
    /// The beds get hotter than what was tested.
    BedsAreHotter {
        /// Peak of the beds, °C.
        beds_peak_c: f64,
        /// Hottest bath, °C.
        tested_max_c: f64,
    },
    /// A hotter bath was not faster.
    RatesDoNotRise,
    /// A result is hardly known.
    Uncertain {
        /// Which one.
        name: &'static str,
    },
    /// The rates do not lie on a straight line of temperature.
    NotLinear {
        /// Coldest bath, °C.
        tested_min_c: f64,
        /// Largest miss of the line, as a share of the rate.
        share: f64,
    },
}

impl RateCaution {
    /// The caution as a word for machines.
    pub fn name(&self) -> &'static str {
        match self {
            Self::NotInterchangeable => "not-interchangeable",
            Self::BedsAreHotter { .. } => "beds-are-hotter",
            Self::RatesDoNotRise => "rates-do-not-rise",
            Self::Uncertain { .. } => "uncertain",
            Self::NotLinear { .. } => "not-linear",
        }
    }
}

impl fmt::Display for RateCaution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let shown = |celsius: f64| Celsius(celsius).show(UnitSystem::Si);
        match self {
            Self::NotInterchangeable => f.write_str(
                "the datum belongs to the temperature-time factor, the activation energy to \
                 equivalent age: use one with its own measure, and fit the curve with that measure",
            ),
            Self::BedsAreHotter {
                beds_peak_c,
                tested_max_c,
            } => write!(
                f,
                "the beds reach {}, the hottest bath had {}: nothing here is known of the hours \
                 above; test a bath at the beds' peak",
                shown(*beds_peak_c),
                shown(*tested_max_c)
            ),
            Self::RatesDoNotRise => {
                f.write_str("a hotter bath was not faster: check the baths and the sheet")
            }
            Self::Uncertain { name } => {
                write!(f, "{name} is hardly known: test more ages, or more baths")
            }
            Self::NotLinear {
                tested_min_c,
                share,
            } => write!(
                f,
                "the rates bend: the straight line misses one by {:.0} %, so the datum depends on \
                 which temperatures were tested (from {})",
                100.0 * share,
                shown(*tested_min_c)
            ),
        }
    }
}

/// Why there are no rates.
#[derive(Debug, Clone, PartialEq)]
pub enum RateRefusal {
    /// Too few temperatures.
    TooFewTemperatures {
        /// How many there are.
        have: usize,
    },
    /// A specimen's temperature was not constant.
    NotConstant {
        /// Which specimen.
        specimen: String,
    },
    /// The data at one temperature have no rate.
    NoRate {
        /// The temperature, °C.
        temperature_c: f64,
        /// Why.
        refusal: FitRefusal,
    },
    /// The rates do not grow with temperature at all.
    NoGrowth,
}

impl fmt::Display for RateRefusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooFewTemperatures { have } => write!(
                f,
                "{have} temperatures are too few: test at {TEMPERATURE_COUNT_MIN} or more, the \
                 coldest and the hottest that the concrete will have among them"
            ),
            Self::NotConstant { specimen } => write!(
                f,
                "specimen {specimen} has a changing temperature: rates need constant baths"
            ),
            Self::NoRate {
                temperature_c,
                refusal,
            } => write!(
                f,
                "at {}: {refusal}",
                Celsius(*temperature_c).show(UnitSystem::Si)
            ),
            Self::NoGrowth => f.write_str(
                "the rates do not grow with temperature, so neither result exists: check the sheet",
            ),
        }
    }
}

impl std::error::Error for RateRefusal {}

/// Rates from specimens kept at constant temperatures; those that a person left out do not count.
///
/// # Errors
/// Why there are none, with the temperature.
pub fn rates(rows: &[DataRow], options: FitOptions) -> Result<Rates, RateRefusal> {
    let mut kept: Vec<&DataRow> = rows.iter().filter(|row| row.excluded.is_none()).collect();
    if let Some(row) = kept
        .iter()
        .find(|row| row.temperature_max_c - row.temperature_min_c > SAME_BATH_C)
    {
        return Err(RateRefusal::NotConstant {
            specimen: row.specimen.clone(),
        });
    }
    kept.sort_by(|left, right| left.temperature_min_c.total_cmp(&right.temperature_min_c));
    let baths: Vec<&[&DataRow]> = kept
        .chunk_by(|left, right| right.temperature_min_c - left.temperature_min_c <= SAME_BATH_C)
        .collect();
    if baths.len() < TEMPERATURE_COUNT_MIN {
        return Err(RateRefusal::TooFewTemperatures { have: baths.len() });
    }
    let temperatures = baths
        .into_iter()
        .map(|bath| rate_of(bath, options))
        .collect::<Result<Vec<_>, _>>()?;
    lines(temperatures)
}

fn rate_of(bath: &[&DataRow], options: FitOptions) -> Result<RateAtTemperature, RateRefusal> {
    let temperature_c =
        bath.iter().map(|row| row.temperature_min_c).sum::<f64>() / bath.len() as f64;
    let points: Vec<Point> = bath
        .iter()
        .map(|row| {
            let same_age = |other: &&DataRow| other.age_h.total_cmp(&row.age_h).is_eq();
            Point {
                maturity: row.age_h / 24.0,
                strength_mpa: row.strength_mpa,
                group: bath.iter().position(same_age).unwrap_or(0),
            }
        })
        .collect();
    let refuse = |refusal| RateRefusal::NoRate {
        temperature_c,
        refusal,
    };
    let fit = fit(&points, Form::Hyperbolic, options).map_err(refuse)?;
    let Curve::Hyperbolic {
        ultimate_mpa,
        rate_per_unit,
        offset,
    } = fit.curve
    else {
        return Err(refuse(FitRefusal::Undetermined));
    };
    let mean_mpa = points.iter().map(|point| point.strength_mpa).sum::<f64>() / points.len() as f64;
    Ok(RateAtTemperature {
        temperature_c,
        rate_per_day: rate_per_unit,
        rate_standard_error: fit.covariance[1][1].sqrt(),
        ultimate_mpa,
        offset_d: offset,
        residual_sd_mpa: fit.scatter.sd_mpa_at(mean_mpa),
        specimen_count: points.len(),
    })
}

/// A straight line by plain least squares, with the covariance of its two numbers in two ways.
struct Line {
    slope: f64,
    intercept: f64,
    /// Weights with which each y enters the slope and the intercept.
    influence: Vec<(f64, f64)>,
    /// Residual variance; none with two points.
    variance: Option<f64>,
}

impl Line {
    fn through(points: &[(f64, f64)]) -> Self {
        let count = points.len() as f64;
        let mean_x = points.iter().map(|point| point.0).sum::<f64>() / count;
        let spread: f64 = points.iter().map(|point| (point.0 - mean_x).powi(2)).sum();
        let influence: Vec<(f64, f64)> = points
            .iter()
            .map(|(x, _)| {
                let in_slope = (x - mean_x) / spread;
                (in_slope, 1.0 / count - mean_x * in_slope)
            })
            .collect();
        let weigh = |choose: fn(&(f64, f64)) -> f64| {
            let pairs = influence.iter().zip(points);
            pairs
                .map(|(weights, (_, y))| choose(weights) * y)
                .sum::<f64>()
        };
        let (slope, intercept) = (weigh(|weights| weights.0), weigh(|weights| weights.1));
        let squares: f64 = points
            .iter()
            .map(|(x, y)| (y - intercept - slope * x).powi(2))
            .sum();
        Self {
            slope,
            intercept,
            influence,
            variance: (points.len() > 2).then(|| squares / (count - 2.0)),
        }
    }

    /// Standard error of a function of slope and intercept with these derivatives, for y's with
    /// these standard errors: the larger of what they and the scatter about the line give.
    fn standard_error(&self, by_slope: f64, by_intercept: f64, y_errors: &[f64]) -> f64 {
        let shares = || {
            self.influence
                .iter()
                .map(|(in_slope, in_intercept)| by_slope * in_slope + by_intercept * in_intercept)
        };
        let from_rates: f64 = shares()
            .zip(y_errors)
            .map(|(share, error)| (share * error).powi(2))
            .sum();
        let from_line = self.variance.map_or(0.0, |variance| {
            shares().map(|share| share * share * variance).sum()
        });
        from_rates.max(from_line).sqrt()
    }
}

fn lines(temperatures: Vec<RateAtTemperature>) -> Result<Rates, RateRefusal> {
    let linear_points: Vec<(f64, f64)> = temperatures
        .iter()
        .map(|rate| (rate.temperature_c, rate.rate_per_day))
        .collect();
    let arrhenius_points: Vec<(f64, f64)> = temperatures
        .iter()
        .map(|rate| {
            let kelvin = rate.temperature_c + KELVIN_OFFSET;
            (1.0 / kelvin, rate.rate_per_day.ln())
        })
        .collect();
    let linear = Line::through(&linear_points);
    let arrhenius = Line::through(&arrhenius_points);
    if !(linear.slope > 0.0 && arrhenius.slope < 0.0) {
        return Err(RateRefusal::NoGrowth);
    }
    let rate_errors: Vec<f64> = temperatures
        .iter()
        .map(|rate| rate.rate_standard_error)
        .collect();
    let log_errors: Vec<f64> = temperatures
        .iter()
        .map(|rate| rate.rate_standard_error / rate.rate_per_day)
        .collect();
    let datum_c = -linear.intercept / linear.slope;
    Ok(Rates {
        linear_slope: linear.slope,
        linear_intercept: linear.intercept,
        datum_c: Measured {
            value: datum_c,
            standard_error: linear.standard_error(
                -datum_c / linear.slope,
                -1.0 / linear.slope,
                &rate_errors,
            ),
        },
        arrhenius_slope_k: arrhenius.slope,
        arrhenius_intercept: arrhenius.intercept,
        activation_energy_j_mol: Measured {
            value: -arrhenius.slope * GAS_CONSTANT_J_MOL_K,
            standard_error: GAS_CONSTANT_J_MOL_K * arrhenius.standard_error(1.0, 0.0, &log_errors),
        },
        temperatures,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve_file::DataSource;

    /// Synthetic, exactly recoverable: our computation from k = 0.30 per day at 23 °C with Ea / R =
    /// 5000 K, strengths rounded to 1e-4 MPa.
    const MORTAR: [(f64, [f64; 6]); 3] = [
        (10.0, [0.6134, 5.9378, 13.4960, 22.2860, 30.4212, 36.5058]),
        (23.0, [5.9485, 13.3311, 21.6610, 29.1363, 34.5861, 37.9866]),
        (40.0, [13.8772, 21.2576, 27.3914, 31.5997, 34.1213, 35.5114]),
    ];

    fn mortar() -> Vec<DataRow> {
        let ages_d = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0];
        MORTAR
            .iter()
            .flat_map(|(temperature_c, strengths)| {
                ages_d
                    .iter()
                    .zip(strengths)
                    .map(move |(age_d, strength_mpa)| DataRow {
                        specimen: format!("{temperature_c} at {age_d}"),
                        group: format!("{age_d}"),
                        age_h: age_d * 24.0,
                        maturity: age_d * 24.0,
                        strength_mpa: *strength_mpa,
                        temperature_min_c: *temperature_c,
                        temperature_max_c: *temperature_c,
                        fracture: None,
                        notes: None,
                        source: DataSource::Series,
                        excluded: None,
                    })
            })
            .collect()
    }

    #[test]
    fn the_synthetic_mortar_chain_is_recovered() {
        let rates = rates(&mortar(), FitOptions::default()).expect("rates");
        let expected = [
            (0.138_190_58, 45.0, 0.9),
            (0.3, 42.0, 0.45),
            (0.750_192_28, 37.0, 0.2),
        ];
        for (rate, (k, ultimate_mpa, offset_d)) in rates.temperatures.iter().zip(expected) {
            assert!((rate.rate_per_day / k - 1.0).abs() < 2e-4, "{rate:?}");
            assert!((rate.ultimate_mpa / ultimate_mpa - 1.0).abs() < 1e-4);
            assert!((rate.offset_d - offset_d).abs() < 1e-3);
        }
        assert!((rates.arrhenius_slope_k + 5000.0).abs() < 1.0);
        assert!((rates.arrhenius_intercept - 15.67936).abs() < 3e-3);
        assert!((rates.activation_energy_j_mol.value - 41_570.0).abs() < 8.0);
        assert!((rates.linear_slope - 0.020_704_6).abs() < 2e-5);
        assert!((rates.linear_intercept + 0.107_684_2).abs() < 2e-4);
        assert!((rates.datum_c.value - 5.2010).abs() < 5e-3);
        assert!(rates.datum_c.standard_error > 0.0);
    }

    #[test]
    fn a_cure_hotter_than_the_baths_is_a_caution_and_the_two_results_are_kept_apart() {
        let rates = rates(&mortar(), FitOptions::default()).expect("rates");
        let names: Vec<&str> = rates.cautions(65.0).iter().map(RateCaution::name).collect();
        assert!(names.contains(&"not-interchangeable") && names.contains(&"beds-are-hotter"));
        assert!(names.contains(&"not-linear"), "{names:?}");
        let cool: Vec<&str> = rates.cautions(40.0).iter().map(RateCaution::name).collect();
        assert!(!cool.contains(&"beds-are-hotter"));
        assert!((rates.covers_c().0 - 10.0).abs() < 1e-9);
    }

    #[test]
    fn two_baths_and_a_changing_temperature_are_refused() {
        let mut rows = mortar();
        rows.retain(|row| row.temperature_min_c < 30.0);
        assert_eq!(
            rates(&rows, FitOptions::default()),
            Err(RateRefusal::TooFewTemperatures { have: 2 })
        );
        let mut rows = mortar();
        rows[0].temperature_max_c += 5.0;
        assert!(matches!(
            rates(&rows, FitOptions::default()),
            Err(RateRefusal::NotConstant { .. })
        ));
    }
}
