//! The curve forms: strength as a function of maturity, its derivatives and its inverse.
//!
//! | form | strength S at maturity M | coefficients, in this order |
//! |---|---|---|
//! | hyperbolic | `Su k (M - M0) / (1 + k (M - M0))` | ultimate Su (MPa), rate k, offset M0 |
//! | exponential | `Su exp(-(tau / M)^a)` | ultimate Su (MPa), tau (unit of M), shape a |
//! | logarithmic | `A + B ln M` | intercept A (MPa), slope B (MPa) |
//!
//! Source: the forms of ASTM C1074 (from memory) and of NISTIR 4819 (abstract seen). Natural
//! logarithm.

/// A strength-maturity relationship with its coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Curve {
    /// `S = Su k (M - M0) / (1 + k (M - M0))`; zero up to the offset.
    Hyperbolic {
        /// Ultimate strength Su, MPa.
        ultimate_mpa: f64,
        /// Initial rate k, per unit of maturity.
        rate_per_unit: f64,
        /// Maturity M0 at which strength begins; fits of real data often give a negative one.
        offset: f64,
    },
    /// `S = Su exp(-(tau / M)^a)`; zero up to maturity zero.
    Exponential {
        /// Ultimate strength Su, MPa.
        ultimate_mpa: f64,
        /// Characteristic maturity tau, where the strength is 1/e of the ultimate.
        tau: f64,
        /// Shape a, without unit.
        shape: f64,
    },
    /// `S = A + B ln M`; cut off at zero, without an ultimate strength.
    Logarithmic {
        /// Strength A at maturity 1, MPa.
        intercept_mpa: f64,
        /// Strength B gained each time the maturity grows e-fold, MPa.
        slope_mpa: f64,
    },
}

impl Curve {
    /// The form's name as curve files write it.
    pub fn form(&self) -> &'static str {
        match self {
            Self::Hyperbolic { .. } => "hyperbolic",
            Self::Exponential { .. } => "exponential",
            Self::Logarithmic { .. } => "logarithmic",
        }
    }

    /// The coefficients by the names that curve files use, in the order of the covariance.
    pub fn coefficients(&self) -> Vec<(&'static str, f64)> {
        match *self {
            Self::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => vec![
                ("ultimate_mpa", ultimate_mpa),
                ("rate_per_unit", rate_per_unit),
                ("offset", offset),
            ],
            Self::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => {
                vec![
                    ("ultimate_mpa", ultimate_mpa),
                    ("tau", tau),
                    ("shape", shape),
                ]
            }
            Self::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } => {
                vec![("intercept_mpa", intercept_mpa), ("slope_mpa", slope_mpa)]
            }
        }
    }

    /// Strength at a maturity, MPa; never negative.
    pub fn strength_mpa(&self, maturity: f64) -> f64 {
        match *self {
            Self::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => {
                let grown = rate_per_unit * (maturity - offset).max(0.0);
                ultimate_mpa * grown / (1.0 + grown)
            }
            Self::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => {
                if maturity > 0.0 {
                    ultimate_mpa * (-(tau / maturity).powf(shape)).exp()
                } else {
                    0.0
                }
            }
            Self::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } => {
                if maturity > 0.0 {
                    (intercept_mpa + slope_mpa * maturity.ln()).max(0.0)
                } else {
                    0.0
                }
            }
        }
    }

    /// Derivatives of the strength with respect to the coefficients, in their order; zero where the
    /// strength is. The logarithmic form leaves the third entry zero.
    pub fn gradient(&self, maturity: f64) -> [f64; 3] {
        if self.strength_mpa(maturity) <= 0.0 {
            return [0.0; 3];
        }
        match *self {
            Self::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => {
                let aged = maturity - offset;
                let one_plus = 1.0 + rate_per_unit * aged;
                [
                    rate_per_unit * aged / one_plus,
                    ultimate_mpa * aged / (one_plus * one_plus),
                    -ultimate_mpa * rate_per_unit / (one_plus * one_plus),
                ]
            }
            Self::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => {
                let ratio = tau / maturity;
                let power = ratio.powf(shape);
                let share = (-power).exp();
                [
                    share,
                    -ultimate_mpa * share * power * shape / tau,
                    -ultimate_mpa * share * power * ratio.ln(),
                ]
            }
            Self::Logarithmic { .. } => [1.0, maturity.ln(), 0.0],
        }
    }

    /// Strength gained per unit of maturity, dS/dM, MPa; zero where the strength is.
    pub fn slope_mpa_per_unit(&self, maturity: f64) -> f64 {
        if self.strength_mpa(maturity) <= 0.0 {
            return 0.0;
        }
        match *self {
            Self::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => {
                let one_plus = 1.0 + rate_per_unit * (maturity - offset);
                ultimate_mpa * rate_per_unit / (one_plus * one_plus)
            }
            Self::Exponential { tau, shape, .. } => {
                self.strength_mpa(maturity) * shape * (tau / maturity).powf(shape) / maturity
            }
            Self::Logarithmic { slope_mpa, .. } => slope_mpa / maturity,
        }
    }

    /// The maturity at which the curve has a strength; none when it never gets there (at or above
    /// the ultimate) or the strength is not a positive number.
    ///
    /// This is the bare formula. It knows nothing of the range of data:
    /// [`PreparedCurve::required_maturity`](crate::PreparedCurve::required_maturity) does.
    pub fn maturity_at(&self, strength_mpa: f64) -> Option<f64> {
        if strength_mpa.is_nan() || strength_mpa <= 0.0 {
            return None;
        }
        let maturity = match *self {
            Self::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => {
                if strength_mpa >= ultimate_mpa {
                    return None;
                }
                offset + strength_mpa / (rate_per_unit * (ultimate_mpa - strength_mpa))
            }
            Self::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => {
                if strength_mpa >= ultimate_mpa {
                    return None;
                }
                tau / (ultimate_mpa / strength_mpa).ln().powf(1.0 / shape)
            }
            Self::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } => ((strength_mpa - intercept_mpa) / slope_mpa).exp(),
        };
        maturity.is_finite().then_some(maturity)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One curve of each form, from the fits of check row 1.6, in hours times 20 °C.
    const CURVES: [Curve; 3] = [
        Curve::Hyperbolic {
            ultimate_mpa: 46.451_712,
            rate_per_unit: 7.812_15e-4,
            offset: -19.7903,
        },
        Curve::Exponential {
            ultimate_mpa: 54.105_167,
            tau: 903.3394,
            shape: 0.545_145_4,
        },
        Curve::Logarithmic {
            intercept_mpa: -41.953_203_9,
            slope_mpa: 9.093_860_2,
        },
    ];

    const MATURITIES: [f64; 6] = [150.0, 480.0, 1440.0, 3360.0, 6720.0, 13_440.0];

    fn with_coefficient(curve: Curve, index: usize, value: f64) -> Curve {
        let mut changed = curve;
        let slot = match &mut changed {
            Curve::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => [ultimate_mpa, rate_per_unit, offset].into_iter().nth(index),
            Curve::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => [ultimate_mpa, tau, shape].into_iter().nth(index),
            Curve::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } => [intercept_mpa, slope_mpa].into_iter().nth(index),
        };
        *slot.expect("an index of a coefficient") = value;
        changed
    }

    /// Central difference with one Richardson step.
    fn derivative(function: impl Fn(f64) -> f64, at: f64) -> f64 {
        let step = 1e-3 * at.abs().max(1e-3);
        let central = |step: f64| (function(at + step) - function(at - step)) / (2.0 * step);
        (4.0 * central(step / 2.0) - central(step)) / 3.0
    }

    #[test]
    fn the_gradient_is_the_numerical_derivative() {
        for curve in CURVES {
            for (index, (name, value)) in curve.coefficients().into_iter().enumerate() {
                for maturity in MATURITIES {
                    let numerical = derivative(
                        |changed| with_coefficient(curve, index, changed).strength_mpa(maturity),
                        value,
                    );
                    let analytic = curve.gradient(maturity)[index];
                    assert!(
                        (analytic - numerical).abs() <= 1e-7 * analytic.abs(),
                        "{} by {name} at {maturity}: {analytic} against {numerical}",
                        curve.form()
                    );
                }
            }
        }
    }

    #[test]
    fn the_slope_is_the_numerical_derivative() {
        for curve in CURVES {
            for maturity in MATURITIES {
                let numerical = derivative(|at| curve.strength_mpa(at), maturity);
                let analytic = curve.slope_mpa_per_unit(maturity);
                assert!(
                    (analytic - numerical).abs() <= 1e-8 * analytic,
                    "{curve:?} at {maturity}"
                );
            }
        }
    }

    #[test]
    fn the_inverse_returns_to_the_maturity() {
        for curve in CURVES {
            for maturity in MATURITIES {
                let back = curve
                    .maturity_at(curve.strength_mpa(maturity))
                    .expect("inside the form");
                assert!(
                    (back - maturity).abs() <= 1e-9 * maturity,
                    "{curve:?}: {back}, {maturity}"
                );
            }
        }
    }

    #[test]
    fn the_unit_of_maturity_does_not_change_the_strength() {
        // The same curves with maturity in °C·days: tau and offset are divided by 24, k multiplied.
        let in_days = |curve| match curve {
            Curve::Hyperbolic {
                ultimate_mpa,
                rate_per_unit,
                offset,
            } => Curve::Hyperbolic {
                ultimate_mpa,
                rate_per_unit: rate_per_unit * 24.0,
                offset: offset / 24.0,
            },
            Curve::Exponential {
                ultimate_mpa,
                tau,
                shape,
            } => Curve::Exponential {
                ultimate_mpa,
                tau: tau / 24.0,
                shape,
            },
            Curve::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } => Curve::Logarithmic {
                intercept_mpa: intercept_mpa + slope_mpa * 24.0_f64.ln(),
                slope_mpa,
            },
        };
        for curve in CURVES {
            for maturity in MATURITIES {
                let difference =
                    curve.strength_mpa(maturity) - in_days(curve).strength_mpa(maturity / 24.0);
                assert!(difference.abs() < 1e-11, "{curve:?} at {maturity}");
            }
        }
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "clamped values and halves are exact")]
    fn strength_is_never_negative_and_never_comes_from_a_maturity_below_the_start() {
        let late = Curve::Hyperbolic {
            ultimate_mpa: 50.0,
            rate_per_unit: 0.01,
            offset: 100.0,
        };
        for curve in CURVES.into_iter().chain([late]) {
            for maturity in [-500.0, -20.0] {
                assert_eq!(curve.strength_mpa(maturity), 0.0, "{curve:?} at {maturity}");
            }
        }
        assert_eq!(late.strength_mpa(100.0), 0.0);
        assert_eq!(CURVES[2].strength_mpa(1.0), 0.0);
        assert_eq!(late.gradient(99.0), [0.0; 3]);
        assert_eq!(late.slope_mpa_per_unit(99.0), 0.0);
    }

    #[test]
    fn a_strength_at_or_above_the_ultimate_is_never_reached() {
        assert_eq!(CURVES[0].maturity_at(50.0), None);
        assert_eq!(CURVES[0].maturity_at(46.451_712), None);
        assert_eq!(CURVES[1].maturity_at(60.0), None);
        assert!(CURVES[2].maturity_at(60.0).is_some());
        assert_eq!(CURVES[0].maturity_at(f64::NAN), None);
        assert_eq!(CURVES[0].maturity_at(0.0), None);
    }
}
