//! Plans a calibration series: how many cylinders, and when to break each group.
//!
//! The question is when concrete reaches its release strength, some hours after placement, so the
//! groups stand densely around that maturity: ages of 1, 3, 7, 14 and 28 days answer another
//! question. Numbers of groups and cylinders are common practice without a source; that two of
//! them carry sensors is ASTM C1074, from memory.

use std::fmt;

use units::{Bound, bounds};

use crate::maturity::MaturityFunction;

/// Groups as shares of the maturity at the wanted release, with how many cylinders each has.
const GROUPS: [(f64, usize); 7] = [
    (0.50, 2),
    (0.70, 3),
    (0.85, 3),
    (1.00, 3),
    (1.25, 3),
    (1.70, 2),
    (3.00, 2),
];

/// Cylinders made besides, for one that is dropped or badly capped.
const SPARE_COUNT: usize = 2;

/// Ages are told to the quarter hour.
const AGE_STEP_H: f64 = 0.25;

/// Groups closer than this cannot be broken one after the other.
const APART_H_MIN: f64 = 0.5;

/// The usual ages of a series for another question, d.
const USUAL_AGES_D: [f64; 5] = [1.0, 3.0, 7.0, 14.0, 28.0];

/// Above this the cure is a heated one, °C.
const HEATED_ABOVE_C: f64 = 30.0;

/// When the release may be wanted, from time zero.
pub static RELEASE_H: Bound = Bound {
    name: "the wanted release",
    unit: "h",
    min: 4.0,
    max: 168.0,
    meaning: "hours from time zero; a night's cure is some 12 to 20",
    source: "common practice, no source",
};

/// One cylinder of the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedSpecimen {
    /// Its identity.
    pub specimen: String,
    /// Whether a sensor is cast into it.
    pub has_sensor: bool,
}

/// One group of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedGroup {
    /// The group's letter.
    pub group: String,
    /// When to break it, h from time zero.
    pub age_h: f64,
    /// Its maturity then, if the cycle is kept.
    pub maturity: f64,
    /// The cycle's temperature then, °C.
    pub temperature_c: f64,
    /// Its cylinders.
    pub specimens: Vec<PlannedSpecimen>,
}

/// A plan for a series.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The groups by age.
    pub groups: Vec<PlannedGroup>,
    /// Cylinders to make, spares included.
    pub cylinder_count: usize,
    /// Spares among them.
    pub spare_count: usize,
    /// Maturity at the wanted release, if the cycle is kept.
    pub release_maturity: f64,
    /// Highest temperature of the cycle, °C.
    pub peak_c: f64,
    /// How many of the usual ages lie between half and twice the maturity at release.
    pub usual_age_count: usize,
}

impl Plan {
    /// Whether the cycle is a heated one.
    pub fn is_heated(&self) -> bool {
        self.peak_c > HEATED_ABOVE_C
    }

    /// What to keep in mind, as sentences.
    pub fn advice(&self) -> Vec<String> {
        let mut advice = vec![
            format!(
                "Ages of 1, 3, 7, 14 and 28 days put {} of 5 groups between half and twice the \
                 maturity at release: they are the wrong data for this question.",
                self.usual_age_count
            ),
            "Break within a quarter hour of the time planned and write down the real one."
                .to_owned(),
            "The two sensors sit at mid-height in cylinders of the last group, so that they read \
             through every break; log at least every half hour."
                .to_owned(),
            "Cylinders come from one load, of the plant's own materials, and are made, capped and \
             broken as for release."
                .to_owned(),
        ];
        if self.is_heated() {
            advice.push(
                "Cure the cylinders through the beds' own cycle, match-cured or under the tarp: a \
                 curve of standard-cured cylinders is only advisory on a heated bed."
                    .to_owned(),
            );
        }
        advice.push(
            "If nothing else says where the curve ends, break one more pair at 28 days for the \
             ultimate strength."
                .to_owned(),
        );
        advice
    }
}

/// Why there is no plan.
#[derive(Debug, Clone, PartialEq)]
pub enum PlanError {
    /// The wanted release is no time for one.
    Release(units::OutOfBounds),
    /// A temperature of the cycle is none of concrete.
    Temperature(units::OutOfBounds),
    /// The cycle is empty or its times do not rise from zero.
    CycleTimes,
    /// Along this cycle there is no maturity by the wanted release.
    NoMaturity,
    /// Two groups would be broken at almost the same time.
    TooDense,
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Release(refused) | Self::Temperature(refused) => refused.fmt(f),
            Self::CycleTimes => f.write_str(
                "the cycle's hours must begin at 0 and rise, such as 0:22,4:25,7:65,14:65,18:40",
            ),
            Self::NoMaturity => {
                f.write_str("along this cycle maturity does not grow by the wanted release")
            }
            Self::TooDense => f.write_str(
                "the groups would lie less than half an hour apart: the release is wanted too early \
                 for a series",
            ),
        }
    }
}

impl std::error::Error for PlanError {}

/// Plans a series for a wanted release along a cycle of `(hours, celsius)`, whose last temperature
/// is held.
///
/// # Errors
/// A release or a cycle that allows no plan.
pub fn plan(
    release_h: f64,
    cycle: &[(f64, f64)],
    function: &MaturityFunction,
) -> Result<Plan, PlanError> {
    RELEASE_H.check(release_h).map_err(PlanError::Release)?;
    for (_, celsius) in cycle {
        bounds::CONCRETE_TEMPERATURE_C
            .check(*celsius)
            .map_err(PlanError::Temperature)?;
    }
    let begins_at_zero = cycle.first().is_some_and(|point| point.0.abs() < 1e-9);
    let rises = cycle.windows(2).all(|pair| pair[1].0 > pair[0].0);
    if !(begins_at_zero && rises) {
        return Err(PlanError::CycleTimes);
    }
    let release_maturity = maturity_at(release_h, cycle, function);
    if release_maturity <= 0.0 {
        return Err(PlanError::NoMaturity);
    }
    let mut groups: Vec<PlannedGroup> = Vec::with_capacity(GROUPS.len());
    for (index, (share, count)) in GROUPS.into_iter().enumerate() {
        let exact_h = age_h_at(share * release_maturity, release_h, cycle, function)
            .ok_or(PlanError::NoMaturity)?;
        let age_h = (exact_h / AGE_STEP_H).round() * AGE_STEP_H;
        if groups
            .last()
            .is_some_and(|group| age_h - group.age_h < APART_H_MIN)
        {
            return Err(PlanError::TooDense);
        }
        let letter = char::from(b'A' + u8::try_from(index).unwrap_or(25));
        let is_last = index + 1 == GROUPS.len();
        groups.push(PlannedGroup {
            group: letter.to_string(),
            age_h,
            maturity: maturity_at(age_h, cycle, function),
            temperature_c: temperature_c_at(age_h, cycle),
            specimens: (1..=count)
                .map(|number| PlannedSpecimen {
                    specimen: format!("{letter}{number}"),
                    has_sensor: is_last,
                })
                .collect(),
        });
    }
    let broken_count: usize = groups.iter().map(|group| group.specimens.len()).sum();
    let usual_age_count = USUAL_AGES_D
        .into_iter()
        .map(|age_d| maturity_at(age_d * 24.0, cycle, function))
        .filter(|maturity| (0.5..=2.0).contains(&(maturity / release_maturity)))
        .count();
    Ok(Plan {
        groups,
        cylinder_count: broken_count + SPARE_COUNT,
        spare_count: SPARE_COUNT,
        release_maturity,
        peak_c: cycle
            .iter()
            .map(|point| point.1)
            .fold(f64::NEG_INFINITY, f64::max),
        usual_age_count,
    })
}

fn temperature_c_at(hours: f64, cycle: &[(f64, f64)]) -> f64 {
    cycle.windows(2).find(|pair| hours < pair[1].0).map_or_else(
        || cycle[cycle.len() - 1].1,
        |pair| {
            let share = (hours - pair[0].0) / (pair[1].0 - pair[0].0);
            pair[0].1 + share * (pair[1].1 - pair[0].1)
        },
    )
}

fn maturity_at(hours: f64, cycle: &[(f64, f64)], function: &MaturityFunction) -> f64 {
    let mut maturity = 0.0;
    for pair in cycle.windows(2) {
        let end_h = pair[1].0.min(hours);
        if end_h <= pair[0].0 {
            break;
        }
        let end_c = temperature_c_at(end_h, cycle);
        // At a corner the temperature is that of the corner, from either side.
        maturity += function.over_segment(pair[0].1, end_c, end_h - pair[0].0);
    }
    let (last_h, last_c) = cycle[cycle.len() - 1];
    maturity + function.rate(last_c) * (hours - last_h).max(0.0)
}

/// The age at which a maturity is reached, by halving; maturity never falls along a cycle.
fn age_h_at(
    maturity: f64,
    release_h: f64,
    cycle: &[(f64, f64)],
    function: &MaturityFunction,
) -> Option<f64> {
    let (mut low_h, mut high_h) = (0.0, release_h);
    while maturity_at(high_h, cycle, function) < maturity {
        high_h *= 2.0;
        if high_h > 1e5 {
            return None;
        }
    }
    for _ in 0..60 {
        let middle_h = 0.5 * (low_h + high_h);
        if maturity_at(middle_h, cycle, function) < maturity {
            low_h = middle_h;
        } else {
            high_h = middle_h;
        }
    }
    Some(0.5 * (low_h + high_h))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cycle of a heated cure, as the published checks hold it.
    const CYCLE: [(f64, f64); 7] = [
        (0.0, 22.0),
        (4.0, 25.0),
        (6.0, 60.0),
        (7.0, 65.0),
        (14.0, 65.0),
        (16.0, 50.0),
        (18.0, 40.0),
    ];
    const NURSE_SAUL: MaturityFunction = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };

    #[test]
    fn the_cycles_maturity_is_that_of_the_reference_table() {
        // Our computation, by quadrature of the exact ramps.
        for (hours, maturity) in [(4.0, 94.0), (7.0, 241.5), (12.0, 566.5), (18.0, 901.5)] {
            assert!((maturity_at(hours, &CYCLE, &NURSE_SAUL) - maturity).abs() < 1e-9);
        }
        assert!((maturity_at(20.0, &CYCLE, &NURSE_SAUL) - 981.5).abs() < 1e-9);
    }

    #[test]
    fn groups_stand_densely_around_release_and_the_sensors_stay_to_the_end() {
        let plan = plan(14.0, &CYCLE, &NURSE_SAUL).expect("a plan");
        let near = plan
            .groups
            .iter()
            .filter(|group| (0.5..=2.0).contains(&(group.maturity / plan.release_maturity)))
            .count();
        assert!(near >= 5, "{near}");
        let at_release = &plan.groups[3];
        assert!((at_release.age_h - 14.0).abs() < 1e-9);
        assert_eq!((plan.cylinder_count, plan.usual_age_count), (20, 1));
        let with_sensor: Vec<&str> = plan
            .groups
            .iter()
            .flat_map(|group| &group.specimens)
            .filter(|specimen| specimen.has_sensor)
            .map(|specimen| specimen.specimen.as_str())
            .collect();
        assert_eq!(with_sensor, ["G1", "G2"]);
        assert!(plan.is_heated() && plan.advice()[0].contains("wrong data"));
    }

    #[test]
    fn what_allows_no_plan_is_said() {
        let wrong = [(1.0, 20.0), (2.0, 20.0)];
        assert_eq!(plan(14.0, &wrong, &NURSE_SAUL), Err(PlanError::CycleTimes));
        let frozen = [(0.0, -5.0)];
        assert_eq!(plan(14.0, &frozen, &NURSE_SAUL), Err(PlanError::NoMaturity));
        assert!(matches!(
            plan(1.0, &CYCLE, &NURSE_SAUL),
            Err(PlanError::Release(_))
        ));
    }
}
