//! What every channel says now, whether a pour names it or not.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::act::ChannelBinding;
use crate::channel::samples;
use crate::plant::Plant;
use crate::plugs::ChannelNow;
use crate::time::UtcMs;

/// A channel that has been quiet for longer, and that nobody names, is not told of, h.
const FORGOTTEN_H: f64 = 24.0;
/// Where a channel stood at a moment is what it last said within this before it, h.
const BEFORE_H: f64 = 1.0;

/// Which channel reads what on a pour that is not released.
#[derive(Debug, Clone, PartialEq)]
pub struct Plugged<'a> {
    pub pour: &'a str,
    pub bed: &'a str,
    pub binding: &'a ChannelBinding,
    /// True where concrete is down there.
    pub is_poured: bool,
}

impl Plant {
    /// Every channel that has spoken within a day or that somebody names, by name.
    #[must_use]
    pub fn channels_now(&self, since: UtcMs, now: UtcMs) -> Vec<ChannelNow> {
        let clocks = self.clocks();
        let right = Default::default();
        let plugged = self.plugged(now);
        let named = self.logger_of.keys().map(|channel| &**channel);
        let named = named.chain(plugged.keys().copied());
        let mut channels: BTreeMap<Arc<str>, ChannelNow> = named
            .map(|channel| (channel.into(), ChannelNow::of(channel.into(), &[], since)))
            .collect();
        // The last word counts however old it is; movements only need the last hours.
        let from = now
            .plus_hours(-FORGOTTEN_H)
            .min(since.plus_hours(-BEFORE_H));
        for (channel, history) in self.histories.iter() {
            let clock = clocks.get(channel).unwrap_or(&right);
            let said = samples(history, clock, from, UtcMs(now.0 + 1));
            let moved = said.partition_point(|sample| sample.at < since.plus_hours(-BEFORE_H));
            if !said.is_empty() {
                let one = ChannelNow {
                    last: said.last().cloned(),
                    ..ChannelNow::of(Arc::clone(channel), &said[moved..], since)
                };
                channels.insert(Arc::clone(channel), one);
            }
        }
        channels.into_values().collect()
    }

    /// Which channel is plugged in where, on pours that are not released; the last binding counts.
    #[must_use]
    pub fn plugged(&self, now: UtcMs) -> BTreeMap<&str, Plugged<'_>> {
        let records = self.pours.values().filter(|record| record.is_under_cure());
        let plugged = records.flat_map(|record| {
            let placed_at = record.facts.first_placement_at;
            let loaded_at = record.loads.values().map(|load| load.placed_from_at).min();
            let is_poured = placed_at.into_iter().chain(loaded_at).any(|at| at <= now);
            let holds = |binding: &&ChannelBinding| binding.from_at.is_none_or(|from| from <= now);
            let bindings: Vec<_> = record.bindings.iter().filter(holds).collect();
            bindings.into_iter().map(move |binding| {
                let plugged = Plugged {
                    pour: &record.id,
                    bed: &record.facts.bed,
                    binding,
                    is_poured,
                };
                (binding.channel.as_str(), plugged)
            })
        });
        plugged.collect()
    }

    /// Loggers none of whose channels is plugged in anywhere, as before a pour is opened.
    #[must_use]
    pub fn loggers_free(&self, now: UtcMs) -> Vec<(&str, &[String])> {
        let plugged: BTreeSet<&str> = self.plugged(now).into_keys().collect();
        let loggers = self.config.loggers.iter();
        let is_free = |channel: &String| !plugged.contains(channel.as_str());
        loggers
            .filter(|logger| logger.channels.iter().all(is_free))
            .map(|logger| (logger.id.as_str(), logger.channels.as_slice()))
            .collect()
    }
}
