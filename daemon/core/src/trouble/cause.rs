//! One cause that explains many troubles: a silent logger its channels, a lost heat source its beds.

use std::collections::{BTreeMap, BTreeSet};

use crate::assessment::{DoubtReason, PourAssessment, Trouble, Trust, Urgency};
use crate::config::PlantConfig;
use crate::time::UtcMs;
use crate::trouble::Silences;
use crate::trouble::heat::LOSING_HEAT;
use crate::trouble::sensor::{CLOCK_WRONG, CONFLICT, SILENT};

/// So many must fail together before one cause is looked for behind them.
const TOGETHER_MIN: usize = 2;

/// A channel as a pour names it.
struct Read<'a> {
    pour: &'a PourAssessment,
    /// The position, or the channel itself where it reads no concrete.
    place: &'a str,
    channel: &'a str,
    trust: &'a Trust,
}

/// Adds the causes that explain several troubles, and says in each which cause explains it.
pub fn explain(
    config: &PlantConfig,
    pours: &[PourAssessment],
    troubles: &mut Vec<Trouble>,
    silences: &Silences,
) {
    let reads: Vec<Read<'_>> = pours
        .iter()
        .filter(|pour| pour.record.is_under_cure())
        .flat_map(reads_of)
        .collect();
    let loggers = config.loggers.iter().filter_map(|logger| {
        let of_logger: Vec<&Read<'_>> = reads
            .iter()
            .filter(|read| logger.channels.iter().any(|one| one == read.channel))
            .collect();
        silent(&of_logger, "logger-silent", Some(&logger.id), silences)
    });
    let loggers: Vec<(Trouble, Vec<String>)> = loggers.collect();
    let is_explained = |id: &String| loggers.iter().any(|(_, ids)| ids.contains(id));
    let beds = pours.iter().filter_map(|pour| {
        let of_pour: Vec<&Read<'_>> = reads
            .iter()
            .filter(|read| read.pour.record.id == pour.record.id)
            .collect();
        let (cause, ids) = silent(&of_pour, "bed-silent", None, silences)?;
        (!ids.iter().all(is_explained)).then_some((cause, ids))
    });
    let mut causes: Vec<(Trouble, Vec<String>)> = beds.collect();
    causes.extend(loggers);
    causes.extend(conflicts(config, &reads, troubles));
    causes.extend(lost_sources(config, troubles));
    for (cause, ids) in causes {
        let cause_id = cause.id();
        let is_silence = matches!(&*cause.kind, "logger-silent" | "bed-silent");
        for trouble in troubles.iter_mut() {
            let follows = ids.contains(&trouble.id())
                || (is_silence && trouble.kind == "too-few-positions" && trouble.bed == cause.bed);
            if follows {
                trouble.explained_by = Some(cause_id.clone());
            }
        }
        troubles.push(cause);
    }
}

fn reads_of(pour: &PourAssessment) -> Vec<Read<'_>> {
    let kept = pour.positions.iter().filter(|one| one.excluded.is_none());
    let concrete = kept.filter_map(|position| {
        Some(Read {
            pour,
            place: &position.id,
            channel: position.channel.as_deref()?,
            trust: &position.trust,
        })
    });
    let others = pour.other_channels.iter().map(|other| Read {
        pour,
        place: &other.channel,
        channel: &other.channel,
        trust: &other.trust,
    });
    concrete.chain(others).collect()
}

/// All of these channels are silent: one cause, and the ids of what it explains.
fn silent(
    reads: &[&Read<'_>],
    kind: &'static str,
    logger: Option<&str>,
    silences: &Silences,
) -> Option<(Trouble, Vec<String>)> {
    let is_silent = |read: &&Read<'_>| {
        read.trust.reason == Some(DoubtReason::Silent) && silences.is_known(read.trust)
    };
    if reads.len() < TOGETHER_MIN || !reads.iter().all(is_silent) {
        return None;
    }
    let first = reads.first()?;
    let bed = &first.pour.record.facts.bed;
    let is_one_bed = reads.iter().all(|read| read.pour.record.facts.bed == *bed);
    let is_one_pour = reads
        .iter()
        .all(|read| read.pour.record.id == first.pour.record.id);
    let since = reads
        .iter()
        .map(|read| read.trust.since.unwrap_or(read.pour.record.opened_at))
        .min()?;
    let (what, first_act) = match logger {
        Some(logger) => (
            format!(
                "Nothing comes from logger {logger}: all {} channels are silent.",
                reads.len()
            ),
            "Check that the logger has power and its line.",
        ),
        None => (
            format!(
                "Nothing is read on this bed: all {} channels are silent.",
                reads.len()
            ),
            "Check that the bed's loggers have power and their lines.",
        ),
    };
    let cause = Trouble {
        kind: kind.into(),
        urgency: Urgency::Soon,
        bed: is_one_bed.then(|| bed.clone()),
        pour: is_one_pour.then(|| first.pour.record.id.clone()),
        place: logger.map(str::to_owned),
        what,
        since,
        first_act: first_act.into(),
        explained_by: None,
    };
    Some((cause, reads.iter().map(|read| silent_id(read)).collect()))
}

/// Loggers that sent two values for one time on several channels: one cause each, and what it explains.
///
/// A wrong clock explains them in turn, where it is known by then.
fn conflicts(
    config: &PlantConfig,
    reads: &[Read<'_>],
    troubles: &[Trouble],
) -> Vec<(Trouble, Vec<String>)> {
    let of_loggers =
        config.loggers.iter().filter_map(|logger| {
            let is_in_conflict = |read: &&Read<'_>| {
                read.trust.reason == Some(DoubtReason::Conflict)
                    && logger.channels.iter().any(|one| one == read.channel)
            };
            let of_logger: Vec<&Read<'_>> = reads.iter().filter(is_in_conflict).collect();
            if of_logger.len() < TOGETHER_MIN {
                return None;
            }
            let since = of_logger.iter().filter_map(|read| read.trust.since).min()?;
            let is_clock = |one: &&Trouble| {
                one.kind == CLOCK_WRONG && one.place.as_deref() == Some(logger.id.as_str())
            };
            let cause = Trouble {
                kind: "logger-conflict".into(),
                urgency: Urgency::Look,
                bed: None,
                pour: None,
                place: Some(logger.id.clone()),
                what: format!(
                    "Logger {} sent two values for one time on {} channels; the lower ones count.",
                    logger.id,
                    of_logger.len()
                ),
                since,
                first_act:
                    "See whether its clock was set back, or two loggers share its channel names."
                        .into(),
                explained_by: troubles.iter().find(is_clock).map(Trouble::id),
            };
            let ids = of_logger.iter().map(|read| trouble_id(read, CONFLICT));
            Some((cause, ids.collect()))
        });
    of_loggers.collect()
}

/// The id of the trouble of a channel that is silent.
fn silent_id(read: &Read<'_>) -> String {
    trouble_id(read, SILENT)
}

fn trouble_id(read: &Read<'_>, kind: &'static str) -> String {
    let trouble = Trouble {
        kind: kind.into(),
        place: Some(read.place.to_owned()),
        ..super::of(read.pour, UtcMs(0))
    };
    trouble.id()
}

/// Says in each silence that a source explains that it does: its channels cannot speak while it is down.
///
/// `brings` says of a channel whether it last came by that source.
pub fn explain_by_source(
    config: &PlantConfig,
    pours: &[PourAssessment],
    source: &Trouble,
    brings: &dyn Fn(&str) -> bool,
    troubles: &mut [Trouble],
) {
    let reads: Vec<Read<'_>> = pours
        .iter()
        .filter(|pour| pour.record.is_under_cure())
        .flat_map(reads_of)
        .collect();
    let is_silent = |read: &Read<'_>| read.trust.reason == Some(DoubtReason::Silent);
    let is_brought = |read: &Read<'_>| brings(read.channel);
    let silenced = |read: &&Read<'_>| is_silent(read) && is_brought(read);
    let ids: BTreeSet<String> = reads.iter().filter(silenced).map(silent_id).collect();
    // A silence of several channels follows only where no other source could have brought any of them.
    let of_logger = |logger: &str, read: &Read<'_>| {
        let mut loggers = config.loggers.iter().filter(|one| one.id == logger);
        loggers.any(|one| one.channels.iter().any(|channel| channel == read.channel))
    };
    let of_pour = |pour: &str, read: &Read<'_>| read.pour.record.id == pour;
    let follows = |trouble: &Trouble| match (&*trouble.kind, &trouble.place, &trouble.pour) {
        (SILENT, ..) => ids.contains(&trouble.id()),
        ("logger-silent", Some(logger), _) => {
            let of_it = reads.iter().filter(|read| of_logger(logger, read));
            of_it.clone().count() > 0 && of_it.clone().all(is_brought)
        }
        ("bed-silent" | "too-few-positions", _, Some(pour)) => {
            let mut of_it = reads
                .iter()
                .filter(|read| of_pour(pour, read) && is_silent(read));
            let first = of_it.next();
            first.is_some_and(is_brought) && of_it.all(is_brought)
        }
        _ => false,
    };
    for trouble in troubles.iter_mut().filter(|one| follows(one)) {
        trouble.explained_by = Some(source.id());
    }
}

/// Heat sources behind several beds that lose heat at one time.
fn lost_sources(config: &PlantConfig, troubles: &[Trouble]) -> Vec<(Trouble, Vec<String>)> {
    let mut by_source: BTreeMap<&str, Vec<&Trouble>> = BTreeMap::new();
    for trouble in troubles.iter().filter(|one| one.kind == LOSING_HEAT) {
        let bed = trouble.bed.as_deref().and_then(|bed| config.bed(bed));
        if let Some(source) = bed.and_then(|bed| bed.heat_source.as_deref()) {
            by_source.entry(source).or_default().push(trouble);
        }
    }
    let lost = by_source
        .into_iter()
        .filter(|(_, beds)| beds.len() >= TOGETHER_MIN);
    lost.map(|(source, losing)| {
        let beds: Vec<&str> = losing.iter().filter_map(|one| one.bed.as_deref()).collect();
        let since = losing.iter().map(|one| one.since).min().unwrap_or(UtcMs(0));
        let cause = Trouble {
            kind: "heat-source-lost".into(),
            urgency: Urgency::Now,
            bed: None,
            pour: None,
            place: Some(source.to_owned()),
            what: format!(
                "Beds {} lose heat together, all on {source}.",
                beds.join(", ")
            ),
            since,
            first_act: "Look at the boiler first, then at the valves. Steam burns.".into(),
            explained_by: None,
        };
        (cause, losing.iter().map(|one| one.id()).collect())
    })
    .collect()
}
