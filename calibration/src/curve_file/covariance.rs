//! The covariance of a curve's coefficients: given and checked, or said to be unknown.

use crate::curve::Curve;
use crate::document::{CurveFileError, Section};

/// Reads `covariance` and `covariance_known`: one of the two must say how sure the coefficients
/// are.
pub(super) fn read(
    section: &Section,
    curve: &Curve,
) -> Result<Option<[[f64; 3]; 3]>, CurveFileError> {
    let size = curve.coefficients().len();
    let covariance = section.optional_matrix("covariance", size)?;
    let is_known = section.optional_flag("covariance_known")?;
    match (covariance, is_known) {
        (Some(_), Some(false)) => Err(section.error(
            "covariance_known",
            "is false although a covariance is given: take one of the two out",
        )),
        (None, Some(false)) => Ok(None),
        (None, _) => Err(section.error(
            "covariance",
            "is missing: give the covariance of the coefficients, or covariance_known = false, \
             which widens every estimate",
        )),
        (Some(matrix), _) => {
            check(&matrix, size).map_err(|why| section.error("covariance", why))?;
            Ok(Some(matrix))
        }
    }
}

/// Symmetric and positive semi-definite, judged on correlations so that the coefficients' units,
/// which differ by orders of magnitude, do not matter. All principal minors of a matrix of three
/// are few.
fn check(matrix: &[[f64; 3]; 3], size: usize) -> Result<(), String> {
    const TOLERANCE: f64 = 1e-6;
    let variances: Vec<f64> = (0..size).map(|index| matrix[index][index]).collect();
    if let Some(index) = variances.iter().position(|variance| *variance < 0.0) {
        return Err(format!(
            "is not a covariance: the variance in row {} is {}, below 0",
            index + 1,
            variances[index]
        ));
    }
    let mut correlation = [[0.0; 3]; 3];
    for row in 0..size {
        for column in 0..size {
            let (value, mirrored) = (matrix[row][column], matrix[column][row]);
            let scale = (variances[row] * variances[column]).sqrt();
            let place = format!("row {}, column {}", row + 1, column + 1);
            if (value - mirrored).abs() > TOLERANCE * scale.max(value.abs()) {
                return Err(format!(
                    "is not symmetric: {place} is {value}, its mirror image is {mirrored}"
                ));
            }
            if value.abs() > scale * (1.0 + TOLERANCE) {
                return Err(format!(
                    "is not positive semi-definite: {place} is {value}, beyond the {scale} that \
                     the variances allow"
                ));
            }
            correlation[row][column] = if scale > 0.0 { value / scale } else { 0.0 };
        }
    }
    let [[_, xy, xz], [_, _, yz], _] = correlation;
    let determinant = 1.0 + 2.0 * xy * xz * yz - xy * xy - xz * xz - yz * yz;
    if size == 3 && determinant < -TOLERANCE {
        return Err(format!(
            "is not positive semi-definite: the determinant of its correlations is \
             {determinant:.3e}, below 0; give more digits or check the signs"
        ));
    }
    Ok(())
}
