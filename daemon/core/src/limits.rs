//! Limits on a cure: one table of what may be limited, each value with the clause it comes from.
//!
//! A breach of a limit is recorded with its worst value and holds the pieces until an engineer has
//! disposed of it; it never bars detensioning. What stands beyond a limit now is what the watch
//! calls a person to.

mod holds;
mod judge;
mod rates;

use crate::config::LimitSet;
use crate::say;
use crate::time::UtcMs;
use units::UnitSystem;

pub use holds::{
    breach_id, disposition_of, is_open_unproven, piece_holds, pieces_of, sentence, settled,
    unproven,
};
pub use judge::{LimitFindings, Limited, UnderTarp, judge_limits};
pub use rates::robust_rates;

/// What may be limited.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Limit {
    ConcreteMax,
    Rise,
    Cooling,
    Difference,
    ConcreteMin,
    Preset,
    BeforeSet,
    EnclosureMax,
    EnclosureMin,
    EnclosureRise,
    HeatOffHours,
    HeatOffFall,
    ReleaseHours,
    ReleasedAboveYard,
}

/// One row of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitRow {
    pub limit: Limit,
    /// Its key in a plant file and in acts.
    pub key: &'static str,
    /// The kind of its trouble and of its piece hold.
    pub kind: &'static str,
    pub unit: &'static str,
    pub least: f64,
    pub most: f64,
    /// A condition ends only once the value is back by this much.
    pub deadband: f64,
    /// True where more than the limit is a breach, false where less is.
    pub is_upper: bool,
}

const fn row(
    limit: Limit,
    key: &'static str,
    kind: &'static str,
    unit: &'static str,
    range: (f64, f64),
    deadband: f64,
) -> LimitRow {
    LimitRow {
        limit,
        key,
        kind,
        unit,
        least: range.0,
        most: range.1,
        deadband,
        is_upper: !matches!(
            limit,
            Limit::ConcreteMin | Limit::EnclosureMin | Limit::Preset
        ),
    }
}

/// Concrete in a plant file: the range of plausible temperatures, °C.
const CONCRETE_C: (f64, f64) = (
    units::bounds::CONCRETE_TEMPERATURE_C.min,
    units::bounds::CONCRETE_TEMPERATURE_C.max,
);
const RATE: (f64, f64) = (0.1, 200.0);

/// Every limit, in the order in which plant files name them.
pub const LIMITS: [LimitRow; 14] = [
    row(
        Limit::ConcreteMax,
        "concrete_c_max",
        "too-hot",
        "°C",
        CONCRETE_C,
        1.0,
    ),
    row(
        Limit::Rise,
        "rise_c_per_h_max",
        "heating-too-fast",
        "°C/h",
        RATE,
        2.0,
    ),
    row(
        Limit::Cooling,
        "cooling_c_per_h_max",
        "cooling-too-fast",
        "°C/h",
        RATE,
        2.0,
    ),
    row(
        Limit::Difference,
        "difference_c_max",
        "difference-too-large",
        "°C",
        RATE,
        1.0,
    ),
    row(
        Limit::ConcreteMin,
        "concrete_c_min",
        "too-cold",
        "°C",
        CONCRETE_C,
        1.0,
    ),
    row(
        Limit::Preset,
        "preset_h_min",
        "heated-too-early",
        "h",
        (0.0, 48.0),
        0.0,
    ),
    row(
        Limit::BeforeSet,
        "before_set_c_max",
        "too-hot-before-set",
        "°C",
        CONCRETE_C,
        1.0,
    ),
    row(
        Limit::EnclosureMax,
        "enclosure_c_max",
        "enclosure-too-hot",
        "°C",
        CONCRETE_C,
        2.0,
    ),
    row(
        Limit::EnclosureMin,
        "enclosure_c_min",
        "enclosure-too-cold",
        "°C",
        CONCRETE_C,
        2.0,
    ),
    row(
        Limit::EnclosureRise,
        "enclosure_rise_c_per_h_max",
        "enclosure-heating-too-fast",
        "°C/h",
        RATE,
        3.0,
    ),
    row(
        Limit::HeatOffHours,
        "heat_off_h_max",
        "heat-off-too-long",
        "h",
        (0.1, 96.0),
        0.0,
    ),
    row(
        Limit::HeatOffFall,
        "heat_off_fall_c_max",
        "fell-too-far",
        "°C",
        RATE,
        0.0,
    ),
    row(
        Limit::ReleaseHours,
        "release_h_max",
        "released-too-late",
        "h",
        (1.0, 720.0),
        0.0,
    ),
    row(
        Limit::ReleasedAboveYard,
        "released_above_yard_c_max",
        "released-too-warm",
        "°C",
        RATE,
        0.0,
    ),
];

impl Limit {
    /// A value of this limit as people read it.
    #[must_use]
    pub fn told(self, value: f64, system: UnitSystem) -> String {
        match self {
            Self::ConcreteMax
            | Self::ConcreteMin
            | Self::BeforeSet
            | Self::EnclosureMax
            | Self::EnclosureMin => say::temperature(value, system),
            Self::Difference | Self::HeatOffFall | Self::ReleasedAboveYard => {
                say::difference(value, system)
            }
            Self::Rise | Self::Cooling | Self::EnclosureRise => say::rate(value, system),
            Self::Preset | Self::HeatOffHours | Self::ReleaseHours => format!("{value:.1} h"),
        }
    }

    /// Its row in the table.
    #[must_use]
    pub fn row(self) -> &'static LimitRow {
        // The table has a row for each, in the order of the enum; a test holds that.
        &LIMITS[self as usize]
    }

    /// The limit of that key.
    #[must_use]
    pub fn of_key(key: &str) -> Option<Self> {
        LIMITS
            .iter()
            .find(|row| row.key == key)
            .map(|row| row.limit)
    }
}

impl LimitRow {
    /// True where the value breaks a limit of that height.
    #[must_use]
    pub fn is_broken(&self, value: f64, limit: f64) -> bool {
        if self.is_upper {
            value > limit
        } else {
            value < limit
        }
    }

    /// True where a value that broke the limit has not come back by the deadband.
    #[must_use]
    pub fn is_still_beyond(&self, value: f64, limit: f64) -> bool {
        if self.is_upper {
            value > limit - self.deadband
        } else {
            value < limit + self.deadband
        }
    }

    /// The worse of two values.
    #[must_use]
    pub fn worse(&self, one: f64, other: f64) -> f64 {
        if self.is_upper {
            one.max(other)
        } else {
            one.min(other)
        }
    }
}

impl LimitSet {
    /// The value of a limit, where the set has one.
    #[must_use]
    pub const fn value(&self, limit: Limit) -> Option<f64> {
        match limit {
            Limit::ConcreteMax => self.concrete_c_max,
            Limit::Rise => self.rise_c_per_h_max,
            Limit::Cooling => self.cooling_c_per_h_max,
            Limit::Difference => self.difference_c_max,
            Limit::ConcreteMin => self.concrete_c_min,
            Limit::Preset => self.preset_h_min,
            Limit::BeforeSet => self.before_set_c_max,
            Limit::EnclosureMax => self.enclosure_c_max,
            Limit::EnclosureMin => self.enclosure_c_min,
            Limit::EnclosureRise => self.enclosure_rise_c_per_h_max,
            Limit::HeatOffHours => self.heat_off_h_max,
            Limit::HeatOffFall => self.heat_off_fall_c_max,
            Limit::ReleaseHours => self.release_h_max,
            Limit::ReleasedAboveYard => self.released_above_yard_c_max,
        }
    }

    /// The place of a limit's value.
    pub fn value_mut(&mut self, limit: Limit) -> &mut Option<f64> {
        match limit {
            Limit::ConcreteMax => &mut self.concrete_c_max,
            Limit::Rise => &mut self.rise_c_per_h_max,
            Limit::Cooling => &mut self.cooling_c_per_h_max,
            Limit::Difference => &mut self.difference_c_max,
            Limit::ConcreteMin => &mut self.concrete_c_min,
            Limit::Preset => &mut self.preset_h_min,
            Limit::BeforeSet => &mut self.before_set_c_max,
            Limit::EnclosureMax => &mut self.enclosure_c_max,
            Limit::EnclosureMin => &mut self.enclosure_c_min,
            Limit::EnclosureRise => &mut self.enclosure_rise_c_per_h_max,
            Limit::HeatOffHours => &mut self.heat_off_h_max,
            Limit::HeatOffFall => &mut self.heat_off_fall_c_max,
            Limit::ReleaseHours => &mut self.release_h_max,
            Limit::ReleasedAboveYard => &mut self.released_above_yard_c_max,
        }
    }

    /// The clause or the person that a limit's value comes from.
    #[must_use]
    pub fn source_of(&self, limit: Limit) -> &str {
        self.sources.get(limit.row().key).unwrap_or(&self.source)
    }
}

/// A limit that was broken in a pour: its worst value, whatever came after.
#[derive(Debug, Clone, PartialEq)]
pub struct Breach {
    pub limit: Limit,
    /// The position, where it concerns one.
    pub place: Option<String>,
    pub limit_value: f64,
    /// The clause or the person the limit comes from.
    pub source: String,
    pub worst: f64,
    pub first_at: UtcMs,
    pub worst_at: UtcMs,
    /// When it was last beyond the limit.
    pub last_at: UtcMs,
    /// False where the worst rests on readings that are not believed.
    pub is_proven: bool,
    /// What the value says more, such as between which positions.
    pub detail: String,
}

/// A limit that is broken now.
#[derive(Debug, Clone, PartialEq)]
pub struct Beyond {
    pub limit: Limit,
    pub place: Option<String>,
    pub limit_value: f64,
    pub source: String,
    pub value: f64,
    pub since: UtcMs,
    pub detail: String,
}

/// What an engineer decided about a breach.
#[derive(Debug, Clone, PartialEq)]
pub struct Disposition {
    /// The breach, as [`breach_id`] names it.
    pub hold: String,
    /// The engineer's number for it.
    pub number: String,
    /// Whether the pieces may ship.
    pub may_ship: bool,
    pub by: String,
    pub at: UtcMs,
    pub why: String,
}

/// A limit that a person stated for one pour.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitStated {
    pub limit: Limit,
    /// `None`: not judged in this pour.
    pub value: Option<f64>,
    /// The clause, and who stated it.
    pub source: String,
}

/// The limits of one pour: its set with what was stated for it alone; `None` where nothing is limited.
#[must_use]
pub fn limits_of(set: Option<&LimitSet>, stated: &[LimitStated]) -> Option<LimitSet> {
    if set.is_none() && stated.is_empty() {
        return None;
    }
    let mut limits = set.cloned().unwrap_or_else(|| LimitSet {
        id: "stated for this pour".to_owned(),
        ..LimitSet::default()
    });
    for one in stated {
        *limits.value_mut(one.limit) = one.value;
        let key = one.limit.row().key.to_owned();
        limits.sources.insert(key, one.source.clone());
    }
    Some(limits)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_has_a_row_for_each_limit_in_order_and_its_place_in_a_set() {
        let mut set = LimitSet::default();
        for (index, row) in LIMITS.iter().enumerate() {
            assert_eq!(row.limit as usize, index, "{}", row.key);
            assert_eq!(Limit::of_key(row.key), Some(row.limit));
            *set.value_mut(row.limit) = Some(index as f64);
        }
        for (index, row) in LIMITS.iter().enumerate() {
            assert_eq!(set.value(row.limit), Some(index as f64));
        }
    }

    #[test]
    fn what_a_person_states_for_one_pour_goes_before_the_plants_set() {
        let set = LimitSet {
            concrete_c_max: Some(70.0),
            rise_c_per_h_max: Some(20.0),
            source: "clause 4".to_owned(),
            ..LimitSet::default()
        };
        let stated = [
            LimitStated {
                limit: Limit::ConcreteMax,
                value: Some(65.0),
                source: "letter 12, stated by E. Stone".to_owned(),
            },
            LimitStated {
                limit: Limit::Rise,
                value: None,
                source: "no heat tonight, stated by E. Stone".to_owned(),
            },
        ];
        let limits = limits_of(Some(&set), &stated).expect("limits");
        assert_eq!(limits.concrete_c_max, Some(65.0));
        assert_eq!(limits.rise_c_per_h_max, None);
        assert_eq!(
            limits.source_of(Limit::ConcreteMax),
            "letter 12, stated by E. Stone"
        );
        assert_eq!(limits.source_of(Limit::Cooling), "clause 4");
        assert_eq!(limits_of(None, &[]), None);
        assert!(limits_of(None, &stated).is_some());
    }
}
