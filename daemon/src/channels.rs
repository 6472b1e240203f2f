//! Every channel for the API: what it says, where it is plugged in, and whether those of a bed agree.

use std::collections::BTreeMap;

use daemon_api::channel::{AgreementView, ChannelReading, ChannelsAnswer, StandsOut};
use daemon_core::plant::{Plant, Plugged};
use daemon_core::plugs::{ChannelNow, agreement, stands_out};
use daemon_core::say;
use daemon_core::time::UtcMs;

use crate::convert::{noun, utc, utc_option};

/// Channels of one bed or one logger.
struct Group<'a> {
    of: &'static str,
    name: &'a str,
    channels: Vec<&'a str>,
    is_poured: bool,
}

/// Every channel at `now`, with how far each has moved since a moment.
#[must_use]
pub fn channels(plant: &Plant, since: UtcMs, now: UtcMs) -> ChannelsAnswer {
    let channels = plant.channels_now(since, now);
    let plugged = plant.plugged(now);
    let stands_out = stands_out(&channels).map(|(channel, against_others_c)| StandsOut {
        channel: channel.to_string(),
        against_others_c,
    });
    let groups = groups(plant, &plugged, now);
    let agreement = groups
        .iter()
        .map(|group| agreement_of(plant, group, &channels, now));
    ChannelsAnswer {
        now: utc(now),
        since_at: utc(since),
        stands_out,
        agreement: agreement.collect(),
        channels: channels.iter().map(|one| reading(one, &plugged)).collect(),
    }
}

fn reading(one: &ChannelNow, plugged: &BTreeMap<&str, Plugged<'_>>) -> ChannelReading {
    let last = one.last.as_ref();
    let plugged = plugged.get(&*one.channel);
    ChannelReading {
        channel: one.channel.to_string(),
        bed: plugged.map(|plugged| plugged.bed.to_owned()),
        position: plugged.and_then(|plugged| plugged.binding.position.clone()),
        role: plugged.map(|plugged| noun::role_out(plugged.binding.role)),
        temperature_c: last.and_then(|last| last.low_c),
        fault: last.and_then(|last| last.fault.as_deref().map(str::to_owned)),
        measured_at: utc_option(last.map(|last| last.at)),
        moved_c: one.moved_c,
    }
}

/// Beds in yard order, then loggers that are plugged in nowhere.
fn groups<'a>(
    plant: &'a Plant,
    plugged: &BTreeMap<&'a str, Plugged<'a>>,
    now: UtcMs,
) -> Vec<Group<'a>> {
    let beds = plant.config().beds.iter().map(|bed| {
        let of_bed = || plugged.iter().filter(|(_, one)| one.bed == bed.id);
        Group {
            of: "bed",
            name: &bed.id,
            channels: of_bed().map(|(channel, _)| *channel).collect(),
            is_poured: of_bed().any(|(_, one)| one.is_poured),
        }
    });
    let loggers = plant.loggers_free(now).into_iter();
    let loggers = loggers.map(|(name, channels)| Group {
        of: "logger",
        name,
        channels: channels.iter().map(String::as_str).collect(),
        is_poured: false,
    });
    let is_some = |group: &Group<'_>| !group.channels.is_empty();
    beds.chain(loggers).filter(is_some).collect()
}

fn agreement_of(
    plant: &Plant,
    group: &Group<'_>,
    channels: &[ChannelNow],
    now: UtcMs,
) -> AgreementView {
    let config = plant.config();
    let silent_h = config.trust.silent_min / 60.0;
    let read_c = |channel: &&str| {
        let one = channels.iter().find(|one| &*one.channel == *channel)?;
        let last = one.last.as_ref();
        let is_fresh = |at: UtcMs| now.hours_since(at) <= silent_h;
        last.filter(|last| is_fresh(last.at))?.low_c
    };
    let read: Vec<Option<f64>> = group.channels.iter().map(read_c).collect();
    let found = agreement(&read, config.trust.tolerance_c);
    let name = |at: usize| group.channels[at].to_owned();
    let silent: Vec<String> = (0..read.len())
        .filter(|at| read[*at].is_none())
        .map(name)
        .collect();
    let apart = found.as_ref().map_or(&[][..], |found| &found.apart);
    let mut sentences = Vec::new();
    if let Some(found) = &found {
        let middle = say::temperature(found.middle_c, config.units);
        if apart.is_empty() {
            let within = say::difference(found.within_c, config.units);
            let read_count = read.len() - silent.len();
            sentences.push(format!("{read_count} read within {within} of {middle}."));
        } else {
            let apart: Vec<String> = apart
                .iter()
                .filter_map(|at| {
                    let read = say::temperature(read[*at]?, config.units);
                    Some(format!("{} reads {read}", name(*at)))
                })
                .collect();
            sentences.push(format!(
                "{}, the middle is {middle}: see whether its tip lies in the same air.",
                apart.join(", ")
            ));
        }
    }
    match silent.len() {
        0 => {}
        count if count == read.len() => {
            sentences.push(format!(
                "None of {count} channels reads: check plugs and logger."
            ));
        }
        _ => sentences.push(format!(
            "Nothing from {}: check the plug.",
            silent.join(", ")
        )),
    }
    if group.is_poured {
        sentences.push("Concrete is down: its temperatures may well differ.".to_owned());
    }
    AgreementView {
        of: group.of.to_owned(),
        name: group.name.to_owned(),
        middle_c: found.as_ref().map(|found| found.middle_c),
        channel_count: read.len(),
        agrees: found.is_some() && apart.is_empty() && silent.is_empty(),
        apart: apart.iter().map(|at| name(*at)).collect(),
        silent,
        poured: group.is_poured,
        text: sentences.join(" "),
    }
}
