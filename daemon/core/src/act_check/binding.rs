//! Which channel reads what: one plug reads one thing at a time, and what it reads must exist.

use std::collections::BTreeSet;

use crate::act::{Act, ChannelBinding, ChannelRole};
use crate::act_check::{ActContext, Checked, invalid, past};
use crate::pour::PourRecord;

/// What a binding names must exist, and no channel may read two things at one time.
pub(super) fn check_bindings(context: &ActContext<'_>, record: &PourRecord) -> Checked {
    let mut seen = BTreeSet::new();
    for binding in &record.bindings {
        check_binding(record, binding)?;
        binding
            .from_at
            .map_or(Ok(()), |at| past(context, "channels.from_at", at))?;
        if !seen.insert((&binding.channel, binding.from_at)) {
            return bound_twice(&binding.channel, &record.id);
        }
        not_bound_elsewhere(context, record, binding)?;
    }
    Ok(())
}

fn bound_twice(channel: &str, pour: &str) -> Checked {
    invalid(
        "channel-bound-twice",
        format!(
            "Channel \"{channel}\" is bound twice at one time (pour \"{pour}\"): one plug reads one \
             thing; bind it once, or record when the plug was moved."
        ),
    )
}

fn check_binding(record: &PourRecord, binding: &ChannelBinding) -> Checked {
    if binding.channel.trim().is_empty() {
        return invalid("channel-missing", "A binding names no channel.".to_owned());
    }
    match (binding.role, &binding.position, &binding.set) {
        (ChannelRole::Concrete, Some(position), _)
            if record.facts.positions.iter().any(|one| one.id == *position) =>
        {
            Ok(())
        }
        (ChannelRole::Concrete, position, _) => invalid(
            "binding-without-position",
            format!(
                "Channel \"{}\" reads concrete at {:?}, which is no position of the pour: name one.",
                binding.channel,
                position.as_deref().unwrap_or("")
            ),
        ),
        (ChannelRole::Specimen, _, Some(set)) if record.sets.contains_key(set) => Ok(()),
        (ChannelRole::Specimen, _, set) => invalid(
            "binding-without-set",
            format!(
                "Channel \"{}\" reads specimens of {:?}, which is no cylinder set of the pour: name one.",
                binding.channel,
                set.as_deref().unwrap_or("")
            ),
        ),
        (ChannelRole::Enclosure | ChannelRole::Ambient, _, _) => Ok(()),
    }
}

/// Air of the yard may serve every bed; anything else is read by one pour at a time.
fn not_bound_elsewhere(
    context: &ActContext<'_>,
    record: &PourRecord,
    binding: &ChannelBinding,
) -> Checked {
    let is_shared = |role| matches!(role, ChannelRole::Ambient | ChannelRole::Enclosure);
    for other in context
        .pours
        .values()
        .filter(|other| other.id != record.id && other.is_on_bed())
    {
        let clash = other.bindings.iter().any(|bound| {
            bound.channel == binding.channel && !(is_shared(bound.role) && is_shared(binding.role))
        });
        if clash {
            return bound_twice(&binding.channel, &other.id);
        }
    }
    Ok(())
}

pub(super) fn check_plug(
    context: &ActContext<'_>,
    act: &Act,
    record: &PourRecord,
    binding: &ChannelBinding,
) -> Checked {
    check_binding(record, binding)?;
    let from_at = binding.from_at.unwrap_or(act.happened_at);
    past(context, "from_at", from_at)?;
    let same_time = |bound: &&ChannelBinding| {
        bound.channel == binding.channel && bound.from_at == Some(from_at)
    };
    if record.bindings.iter().any(|bound| same_time(&bound)) {
        return bound_twice(&binding.channel, &record.id);
    }
    not_bound_elsewhere(context, record, binding)
}

/// Cautions for channels that no logger has, where the plant file names loggers: a slip of the pen
/// would otherwise be found only when nothing is ever read.
pub(super) fn unknown_channels<'a>(
    context: &ActContext<'_>,
    bindings: impl IntoIterator<Item = &'a ChannelBinding>,
) -> Vec<String> {
    let known = |channel: &str| {
        let mut loggers = context.config.loggers.iter();
        loggers.any(|logger| logger.channels.iter().any(|one| one == channel))
    };
    if context.config.loggers.is_empty() {
        return Vec::new();
    }
    let unknown = bindings.into_iter().filter(|one| !known(&one.channel));
    let caution = |one: &ChannelBinding| {
        format!(
            "No [[logger]] of the plant file has channel \"{}\": correct the pour if this is a slip, \
             or name the channel there.",
            one.channel
        )
    };
    unknown.map(caution).collect()
}
