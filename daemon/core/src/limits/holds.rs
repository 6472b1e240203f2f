//! Breaches as piece holds: they bar shipping until an engineer has disposed of them, never detensioning.

use crate::assessment::Note;
use crate::limits::{Breach, Disposition, Limit};
use crate::pour::PourRecord;
use crate::say::Local;

/// A stable name of a breach within its pour, made from what and where.
#[must_use]
pub fn breach_id(breach: &Breach) -> String {
    let kind = breach.limit.row().kind;
    breach
        .place
        .as_ref()
        .map_or_else(|| kind.to_owned(), |place| format!("{kind}/{place}"))
}

/// The last word of the engineer on a breach; a breach that grew worse since needs a new one.
#[must_use]
pub fn disposition_of<'a>(record: &'a PourRecord, breach: &Breach) -> Option<&'a Disposition> {
    let id = breach_id(breach);
    record
        .dispositions
        .iter()
        .rfind(|one| one.hold == id)
        .filter(|one| breach.worst_at <= one.at)
}

/// What stands against shipping pieces; never against detensioning.
///
/// A breach whose pieces an engineer lets ship is no hold any more: see [`settled`]. One that rests on
/// readings that are not believed holds nothing by itself, unless an engineer says so: see [`unproven`].
#[must_use]
pub fn piece_holds(record: &PourRecord, breaches: &[Breach], local: Local) -> Vec<Note> {
    let held = breaches.iter().filter_map(|breach| {
        let disposition = disposition_of(record, breach);
        let decides = match disposition {
            Some(one) if one.may_ship => return None,
            Some(one) => format!("the engineer holds them by {} ({})", one.number, one.why),
            None if !breach.is_proven => return None,
            None => format!(
                "the engineer decides before the pieces ship (`tarplight watch dispose`, hold {})",
                breach_id(breach)
            ),
        };
        let pieces = pieces_text(record, breach);
        Some(Note {
            kind: breach.limit.row().kind,
            text: format!("{}: {decides}{pieces}.", sentence(breach, local)),
        })
    });
    held.collect()
}

/// Breaches whose pieces an engineer lets ship: they stay in sight as cautions.
#[must_use]
pub fn settled(record: &PourRecord, breaches: &[Breach], local: Local) -> Vec<Note> {
    let settled = breaches.iter().filter_map(|breach| {
        let one = disposition_of(record, breach).filter(|one| one.may_ship)?;
        Some(Note {
            kind: "breach-disposed",
            text: format!(
                "{}: the pieces may ship by disposition {} (recorded by {}: {}).",
                sentence(breach, local),
                one.number,
                one.by,
                one.why
            ),
        })
    });
    settled.collect()
}

/// Breaches that rest on readings that are not believed, and on which no engineer has said a word: they
/// ask for a look, and are never silent.
#[must_use]
pub fn unproven(record: &PourRecord, breaches: &[Breach], local: Local) -> Vec<Note> {
    let open = breaches
        .iter()
        .filter(|breach| is_open_unproven(record, breach));
    open.map(|breach| Note {
        kind: "not-believed",
        text: format!(
            "{}: no piece is held by that alone. Find out whether the concrete was that hot; if it was, \
             the engineer decides (hold {}).",
            sentence(breach, local),
            breach_id(breach)
        ),
    })
    .collect()
}

/// Whether a breach rests on readings that are not believed, and no engineer has said a word on it.
#[must_use]
pub fn is_open_unproven(record: &PourRecord, breach: &Breach) -> bool {
    !breach.is_proven && disposition_of(record, breach).is_none()
}

/// The marks of the pieces that a breach concerns; all of them where it has no position.
#[must_use]
pub fn pieces_of<'a>(record: &'a PourRecord, breach: &Breach) -> Vec<&'a str> {
    let station = breach.place.as_ref().and_then(|place| {
        let positions = record.facts.positions.iter();
        Some(positions.clone().find(|one| one.id == *place)?.station_m)
    });
    let pieces = record.facts.pieces.iter().filter(|piece| {
        station.is_none_or(|at_m| (piece.from_station_m..=piece.to_station_m).contains(&at_m))
    });
    pieces.map(|piece| piece.mark.as_str()).collect()
}

fn pieces_text(record: &PourRecord, breach: &Breach) -> String {
    match pieces_of(record, breach)[..] {
        [] => String::new(),
        [mark] => format!("; piece {mark}"),
        ref marks => format!("; pieces {}", marks.join(", ")),
    }
}

/// What was broken, where, how far, and by which clause.
#[must_use]
pub fn sentence(breach: &Breach, local: Local) -> String {
    let row = breach.limit.row();
    let worst = breach.limit.told(breach.worst, local.units);
    let limit = breach.limit.told(breach.limit_value, local.units);
    let place = breach.place.as_deref().unwrap_or("The pour");
    let at = local.day_clock(breach.worst_at);
    let unproven = if breach.is_proven {
        ""
    } else {
        ", by a reading that is not believed"
    };
    let what = match breach.limit {
        Limit::ConcreteMax => format!("{place} reached {worst}{unproven}"),
        Limit::BeforeSet => format!("{place} reached {worst} before initial set"),
        Limit::ConcreteMin => format!("{place} fell to {worst}"),
        Limit::Rise => format!("{place} rose by {worst} at {at}"),
        Limit::Cooling => format!("{place} cooled by {worst} at {at}"),
        Limit::Difference => {
            return format!(
                "The positions differed by {worst} at {at}, {}, above {limit} ({})",
                breach.detail, breach.source
            );
        }
        Limit::Preset => {
            return format!(
                "The heat came on after {worst}, before {limit}, {} ({})",
                breach.detail, breach.source
            );
        }
        Limit::EnclosureMax => format!("The air under the tarp reached {worst}"),
        Limit::EnclosureMin => format!("The air under the tarp fell to {worst}"),
        Limit::EnclosureRise => format!("The air under the tarp rose by {worst} at {at}"),
        Limit::HeatOffHours => format!("{worst} passed between heat off and detensioning"),
        Limit::HeatOffFall => {
            format!("{place} fell by {worst} between heat off and detensioning")
        }
        Limit::ReleasedAboveYard => {
            format!("{place} was {worst} warmer than the yard's air when it was released")
        }
        Limit::ReleaseHours => format!("{worst} passed from the last load to detensioning"),
    };
    let side = if row.is_upper { "above" } else { "below" };
    format!("{what}, {side} {limit} ({})", breach.source)
}
