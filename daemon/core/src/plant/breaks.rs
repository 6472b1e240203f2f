//! Breaks with the temperatures that their specimens had, for the lab.

use calibration::TimeZero;

use super::Plant;
use crate::act::SetPurpose;
use crate::age::specimen_zero;
use crate::positions::{left_tarp_at, specimen_path};
use crate::release::strength_mpa;
use crate::time::UtcMs;

/// One break of a pour.
#[derive(Debug, Clone, PartialEq)]
pub struct SpecimenBreak {
    pub set: String,
    pub purpose: SetPurpose,
    pub tested_at: UtcMs,
    /// When the specimens left the tarp: their history ends there.
    pub left_tarp_at: UtcMs,
    /// Their time zero by placement and by batching.
    pub placed_at: UtcMs,
    pub batched_at: UtcMs,
    pub diameter_mm: f64,
    pub length_mm: f64,
    /// Specimens with their strengths, MPa; those without a usable strength are left out.
    pub strengths: Vec<(String, f64)>,
    /// Their own temperatures, °C; empty without a sensor.
    pub temperatures: Vec<(UtcMs, f64)>,
}

impl Plant {
    /// The breaks of a pour in order of testing.
    #[must_use]
    pub fn specimen_breaks(&self, pour: &str) -> Vec<SpecimenBreak> {
        let Some(record) = self.pours.get(pour) else {
            return Vec::new();
        };
        let clocks = self.clocks();
        let readings = self.readings(&clocks);
        let breaks = record.breaks.iter().filter_map(|broken| {
            let set = record.sets.get(&broken.result.set)?;
            let strengths = broken.result.specimens.iter().filter_map(|specimen| {
                let strength = strength_mpa(record, &set.set, specimen);
                let strength = strength.filter(|strength| *strength > 0.0)?;
                Some((specimen.specimen.clone(), strength))
            });
            let placed_at = specimen_zero(record, &set.loads, TimeZero::Placed);
            let batched_at = specimen_zero(record, &set.loads, TimeZero::Batched);
            let from = placed_at.min(batched_at);
            Some(SpecimenBreak {
                set: set.set.clone(),
                purpose: set.purpose,
                tested_at: broken.result.tested_at,
                left_tarp_at: left_tarp_at(broken),
                placed_at,
                batched_at,
                diameter_mm: set.diameter_mm,
                length_mm: set.length_mm,
                strengths: strengths.collect(),
                temperatures: specimen_path(&self.config, record, &readings, broken, from),
            })
        });
        breaks.collect()
    }

    /// Whether a pour lay on a heated bed, as far as it is known: by what people said, or by what was
    /// learned from it once it was finished.
    #[must_use]
    pub fn is_known_heated(&self, pour: &str) -> bool {
        let said = self.pours.get(pour).is_some_and(|one| one.is_said_heated());
        let learned = self.summaries.get(pour);
        said || learned.is_some_and(|one| one.curve_breaks.iter().any(|point| point.is_heated))
    }
}
