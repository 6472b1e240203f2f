//! How well each group is told by a curve fitted to the others.

use super::{Found, Point, ScatterKind, precheck, settle};

/// One group, told by a curve that did not see it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupLeftOut {
    /// The group.
    pub group: usize,
    /// Mean maturity of its specimens.
    pub maturity: f64,
    /// Mean measured strength, MPa.
    pub measured_mpa: f64,
    /// Mean strength by the curve fitted without the group, MPa; none where no such curve exists.
    pub predicted_mpa: Option<f64>,
}

impl GroupLeftOut {
    /// Measured less predicted, MPa.
    pub fn error_mpa(&self) -> Option<f64> {
        Some(self.measured_mpa - self.predicted_mpa?)
    }
}

/// Every group left out in turn.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// The groups, by maturity.
    pub groups: Vec<GroupLeftOut>,
}

impl LeftOut {
    /// Root mean square of the errors, MPa; none when a group could not be told.
    pub fn rms_mpa(&self) -> Option<f64> {
        let errors: Option<Vec<f64>> = self.groups.iter().map(GroupLeftOut::error_mpa).collect();
        let errors = errors.filter(|errors| !errors.is_empty())?;
        let sum: f64 = errors.iter().map(|error| error * error).sum();
        Some((sum / errors.len() as f64).sqrt())
    }

    /// The group told worst among those that could be told.
    pub fn worst(&self) -> Option<&GroupLeftOut> {
        let size = |group: &&GroupLeftOut| group.error_mpa().map_or(-1.0, f64::abs);
        self.groups
            .iter()
            .filter(|group| group.predicted_mpa.is_some())
            .max_by(|left, right| size(left).total_cmp(&size(right)))
    }
}

/// Refits without each group, from the coefficients of the whole.
pub(super) fn leave_each_group_out(
    points: &[Point],
    whole: &Found,
    scatter: ScatterKind,
) -> LeftOut {
    let mut groups: Vec<usize> = points.iter().map(|point| point.group).collect();
    groups.sort_unstable();
    groups.dedup();
    let mut left_out: Vec<GroupLeftOut> = groups
        .into_iter()
        .map(|group| leave_out(points, group, whole, scatter))
        .collect();
    left_out.sort_by(|left, right| left.maturity.total_cmp(&right.maturity));
    LeftOut { groups: left_out }
}

fn leave_out(points: &[Point], group: usize, whole: &Found, scatter: ScatterKind) -> GroupLeftOut {
    let (left_out, others): (Vec<Point>, Vec<Point>) =
        points.iter().partition(|point| point.group == group);
    let count = left_out.len() as f64;
    let mean = |value: &dyn Fn(&Point) -> f64| left_out.iter().map(value).sum::<f64>() / count;
    let (form, is_offset_held) = (whole.form, whole.is_offset_held);
    // Through as many ages as coefficients a curve can be bent anywhere else.
    let predicted_mpa = precheck::check(&others, form)
        .is_ok()
        .then(|| {
            settle(
                &others,
                form,
                scatter,
                is_offset_held,
                &whole.solution.coefficients,
            )
        })
        .filter(|solution| solution.termination.is_success())
        .map(|solution| form.curve(&solution.coefficients, is_offset_held))
        .map(|curve| mean(&|point| curve.strength_mpa(point.maturity)));
    GroupLeftOut {
        group,
        maturity: mean(&|point| point.maturity),
        measured_mpa: mean(&|point| point.strength_mpa),
        predicted_mpa,
    }
}
