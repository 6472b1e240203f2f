//! The three forms as models for least squares, in coefficients that cannot leave their bounds.
//!
//! The search runs on the logarithms of the coefficients that must be positive; covariance is taken
//! in the curve's own coefficients at the minimum.

use std::fmt;

use crate::curve::Curve;

type ModelBox = Box<dyn Fn(f64, &[f64], &mut [f64]) -> f64>;

/// A curve form.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Form {
    /// `S = Su k (M - M0) / (1 + k (M - M0))`
    Hyperbolic,
    /// `S = Su exp(-(tau / M)^a)`
    Exponential,
    /// `S = A + B ln M`
    Logarithmic,
}

impl fmt::Display for Form {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl Form {
    /// Every form, in the order in which they are compared.
    pub const ALL: [Self; 3] = [Self::Hyperbolic, Self::Exponential, Self::Logarithmic];

    /// The form's name as curve files write it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Hyperbolic => "hyperbolic",
            Self::Exponential => "exponential",
            Self::Logarithmic => "logarithmic",
        }
    }

    /// How many coefficients the form has.
    pub fn coefficient_count(self) -> usize {
        match self {
            Self::Hyperbolic | Self::Exponential => 3,
            Self::Logarithmic => 2,
        }
    }

    /// The curve at working coefficients; the offset may be held at zero and then is not among
    /// them.
    pub(super) fn curve(self, working: &[f64], is_offset_held: bool) -> Curve {
        self.curve_of(&self.natural(working, is_offset_held))
    }

    fn curve_of(self, natural: &[f64]) -> Curve {
        match self {
            Self::Hyperbolic => Curve::Hyperbolic {
                ultimate_mpa: natural[0],
                rate_per_unit: natural[1],
                offset: natural.get(2).copied().unwrap_or(0.0),
            },
            Self::Exponential => Curve::Exponential {
                ultimate_mpa: natural[0],
                tau: natural[1],
                shape: natural[2],
            },
            Self::Logarithmic => Curve::Logarithmic {
                intercept_mpa: natural[0],
                slope_mpa: natural[1],
            },
        }
    }

    /// The curve's own coefficients at working coefficients.
    pub(super) fn natural(self, working: &[f64], is_offset_held: bool) -> Vec<f64> {
        match self {
            Self::Hyperbolic if is_offset_held => vec![working[0].exp(), working[1].exp()],
            Self::Hyperbolic => vec![working[0].exp(), working[1].exp(), working[2]],
            Self::Exponential => working.iter().map(|value| value.exp()).collect(),
            Self::Logarithmic => working.to_vec(),
        }
    }

    /// The working coefficients of a curve of this form.
    pub(super) fn working(self, natural: &[f64]) -> Vec<f64> {
        match self {
            Self::Hyperbolic => natural
                .iter()
                .enumerate()
                .map(|(index, value)| if index < 2 { value.ln() } else { *value })
                .collect(),
            Self::Exponential => natural.iter().map(|value| value.ln()).collect(),
            Self::Logarithmic => natural.to_vec(),
        }
    }

    /// The model in the curve's own coefficients.
    pub(super) fn natural_model(self, is_offset_held: bool) -> ModelBox {
        debug_assert!(!is_offset_held || self == Self::Hyperbolic);
        Box::new(move |maturity, natural, gradient| {
            let curve = self.curve_of(natural);
            if let Curve::Logarithmic {
                intercept_mpa,
                slope_mpa,
            } = curve
            {
                // Least squares must not see the cut at zero, or the sum of squares has a kink.
                gradient[0] = 1.0;
                gradient[1] = maturity.ln();
                return intercept_mpa + slope_mpa * maturity.ln();
            }
            let by_coefficient = curve.gradient(maturity);
            gradient.copy_from_slice(&by_coefficient[..gradient.len()]);
            curve.strength_mpa(maturity)
        })
    }

    /// The model in the working coefficients.
    pub(super) fn working_model(self, is_offset_held: bool) -> ModelBox {
        let model = self.natural_model(is_offset_held);
        let log_count = match self {
            Self::Hyperbolic => 2,
            Self::Exponential => 3,
            Self::Logarithmic => 0,
        };
        Box::new(move |maturity, working, gradient| {
            let natural = self.natural(working, is_offset_held);
            let value = model(maturity, &natural, gradient);
            for index in 0..log_count {
                gradient[index] *= natural[index];
            }
            value
        })
    }
}
