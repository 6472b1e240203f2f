//! Limit sets and the settings of the watch, checked: each value in range and with where it comes from.

use daemon_core::config::{LimitSet, WatchSettings};
use daemon_core::limits::{LIMITS, Limit};

use super::check::{require, require_optional, require_text, unique_ids};
use super::document::Step::{Entry, Key};
use super::document::{Document, nearest_hint};
use super::written::{LimitSetTable, WatchTable};

/// Every limit set.
pub(super) fn limit_sets(document: &Document, tables: Vec<LimitSetTable>) -> Vec<LimitSet> {
    let ids = tables.iter().map(|table| table.id.as_str());
    unique_ids(document, "limit_set", ids);
    let sets = tables.into_iter().enumerate();
    sets.map(|(index, table)| limit_set(document, index, table))
        .collect()
}

fn limit_set(document: &Document, index: usize, table: LimitSetTable) -> LimitSet {
    let at = |key| [Key("limit_set"), Entry(index), Key(key)];
    require_text(document, &at("source"), &table.source);
    let set = LimitSet {
        id: table.id,
        concrete_c_max: table.concrete_c_max,
        rise_c_per_h_max: table.rise_c_per_h_max,
        cooling_c_per_h_max: table.cooling_c_per_h_max,
        difference_c_max: table.difference_c_max,
        concrete_c_min: table.concrete_c_min,
        preset_h_min: table.preset_h_min,
        is_set_required: table.set_required,
        before_set_c_max: table.before_set_c_max,
        enclosure_c_max: table.enclosure_c_max,
        enclosure_c_min: table.enclosure_c_min,
        enclosure_rise_c_per_h_max: table.enclosure_rise_c_per_h_max,
        heat_off_h_max: table.heat_off_h_max,
        heat_off_fall_c_max: table.heat_off_fall_c_max,
        release_h_max: table.release_h_max,
        released_above_yard_c_max: table.released_above_yard_c_max,
        source: table.source,
        sources: table.sources,
    };
    for row in &LIMITS {
        let range = row.least..=row.most;
        require_optional(document, &at(row.key), set.value(row.limit), range);
    }
    for (least, most) in [
        (Limit::ConcreteMin, Limit::ConcreteMax),
        (Limit::EnclosureMin, Limit::EnclosureMax),
    ] {
        if let (Some(least_c), Some(most_c)) = (set.value(least), set.value(most))
            && least_c >= most_c
        {
            let problem = format!("{least_c} is not below {} = {most_c}", most.row().key);
            document.fault(&at(least.row().key), problem);
        }
    }
    for (key, source) in &set.sources {
        let place = [Key("limit_set"), Entry(index), Key("sources"), Key(key)];
        let has_value = Limit::of_key(key).is_some_and(|limit| set.value(limit).is_some());
        if !has_value {
            let known = LIMITS.iter().filter(|row| set.value(row.limit).is_some());
            let known: Vec<&str> = known.map(|row| row.key).collect();
            let hint = nearest_hint(key, &known);
            let problem = format!("this set has no value `{key}` to name a source of; {hint}");
            document.fault(&place, problem);
        }
        require_text(document, &place, source);
    }
    set
}

/// How the watch judges heat.
pub(super) fn settings(document: &Document, table: &WatchTable) -> WatchSettings {
    let default = WatchSettings::default();
    let or = |key, value: Option<f64>, default, range| {
        let at = [Key("watch"), Key(key)];
        require(document, &at, value.unwrap_or(default), range)
    };
    WatchSettings {
        tarp_quiet_min: or(
            "tarp_quiet_min",
            table.tarp_quiet_min,
            default.tarp_quiet_min,
            0.0..=240.0,
        ),
        heat_late_min: or(
            "heat_late_min",
            table.heat_late_min,
            default.heat_late_min,
            1.0..=240.0,
        ),
        enclosure_fall_c_per_h: or(
            "enclosure_fall_c_per_h",
            table.enclosure_fall_c_per_h,
            default.enclosure_fall_c_per_h,
            1.0..=100.0,
        ),
    }
}
