//! Acts as they are sent, stored and written in pour files, for the core.

use daemon_api::act as wire;
use daemon_api::effect::Odd;
use daemon_api::{Problem, ProblemKind};
use daemon_core::act as core;
use daemon_core::act_check::{ActRefusal, RefusalKind};
use daemon_core::limits::Limit;
use daemon_core::time::UtcMs;

use super::noun;

/// Why an act cannot be understood.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ActUnreadable {
    #[error("the act has no `recorded_at`; say when it became known")]
    NotRecorded,
    #[error("the act has version {found}, this version knows up to {known}; install a newer one")]
    Newer { found: u32, known: u32 },
    #[error("the act has version 0; versions count from 1")]
    NoVersion,
}

/// An act with its moment of recording, for the core.
///
/// # Errors
/// That it was never recorded, or has a version that this program does not know.
pub fn act(act: &wire::Act) -> Result<core::Act, ActUnreadable> {
    match act.version {
        0 => return Err(ActUnreadable::NoVersion),
        1..=wire::ACT_VERSION => {}
        found => {
            return Err(ActUnreadable::Newer {
                found,
                known: wire::ACT_VERSION,
            });
        }
    }
    let recorded_at = act.recorded_at.ok_or(ActUnreadable::NotRecorded)?;
    Ok(core::Act {
        id: act.id.as_u128(),
        recorded_at: recorded_at.into(),
        happened_at: act.happened_at.into(),
        by: act.by.clone(),
        why: act.why.clone(),
        pour: act.pour.clone(),
        body: body(&act.body),
    })
}

/// A refusal of the core as the answer that its sender gets.
#[must_use]
pub fn refusal(refusal: &ActRefusal) -> Problem {
    let kind = match refusal.kind {
        RefusalKind::Invalid => ProblemKind::Invalid,
        RefusalKind::NotFound => ProblemKind::NotFound,
        RefusalKind::WrongState => ProblemKind::WrongState,
        RefusalKind::HoldStands => ProblemKind::HoldStands,
    };
    Problem::new(kind, refusal.code, refusal.detail.clone())
}

/// Odd things as their person is told of them.
#[must_use]
pub fn odd(odd: &[daemon_core::act_check::Odd]) -> Vec<Odd> {
    let one = |odd: &daemon_core::act_check::Odd| Odd {
        name: odd.name.to_owned(),
        text: odd.text.clone(),
    };
    odd.iter().map(one).collect()
}

/// The refusal of an act that is odd in ways which its sender has not accepted; none where all are.
#[must_use]
pub fn not_accepted(odd: &[Odd], accepted: &[String]) -> Option<Problem> {
    let open: Vec<Odd> = odd
        .iter()
        .filter(|one| !accepted.contains(&one.name))
        .cloned()
        .collect();
    if open.is_empty() {
        return None;
    }
    let texts: Vec<String> = open
        .iter()
        .map(|one| format!("{} If it is meant, accept it as {}.", one.text, one.name))
        .collect();
    let mut problem = Problem::new(
        ProblemKind::OddNotAccepted,
        "odd-not-accepted",
        format!(
            "Nothing was recorded, because something is odd. {}",
            texts.join(" ")
        ),
    );
    problem.odd = open.into();
    Some(problem)
}

fn body(body: &wire::ActBody) -> core::ActBody {
    use wire::ActBody as Wire;
    match body {
        Wire::PourOpened(one) => core::ActBody::PourOpened(Box::new(opened(one))),
        Wire::PourCorrected(one) => core::ActBody::PourCorrected(Box::new(corrected(one))),
        Wire::PlacementRecorded(one) => core::ActBody::PlacementRecorded(core::Placement {
            first_at: one.first_at.map(Into::into),
            last_at: one.last_at.map(Into::into),
            stoppages: one.stoppages.iter().map(stoppage).collect(),
        }),
        Wire::LoadPlaced(one) => core::ActBody::LoadPlaced(noun::load(one)),
        Wire::HeatOn {} => core::ActBody::HeatSwitched { on: true },
        Wire::HeatOff {} => core::ActBody::HeatSwitched { on: false },
        Wire::TarpLifted {} => core::ActBody::TarpMoved { lifted: true },
        Wire::TarpBack {} => core::ActBody::TarpMoved { lifted: false },
        Wire::CylindersMade(one) => core::ActBody::CylindersMade(noun::cylinder_set(one)),
        Wire::CylindersPulled { set, specimens } => core::ActBody::CylindersPulled {
            set: set.clone(),
            specimens: specimens.clone(),
        },
        Wire::PlugMoved(one) => core::ActBody::PlugMoved(noun::binding(one)),
        Wire::HandProbed {
            position,
            temperature_c,
        } => core::ActBody::HandProbed {
            position: position.clone(),
            temperature_c: *temperature_c,
        },
        Wire::BreakRecorded(one) => core::ActBody::BreakRecorded(break_result(one)),
        Wire::PositionExcluded { position } => core::ActBody::PositionExcluded {
            position: position.clone(),
        },
        Wire::PositionRestored { position } => core::ActBody::PositionRestored {
            position: position.clone(),
        },
        Wire::GapsAccepted { position } => core::ActBody::GapsAccepted {
            position: position.clone(),
        },
        Wire::DisagreementResolved { break_id } => core::ActBody::DisagreementResolved {
            break_id: break_id.as_u128(),
        },
        Wire::ReleaseSigned(one) => core::ActBody::ReleaseSigned(core::ReleaseSigned {
            pours: one.pours.clone(),
            breaks: one.breaks.iter().map(uuid::Uuid::as_u128).collect(),
            reason_without_estimate: one.reason_without_estimate.clone(),
        }),
        Wire::Stripped {} => core::ActBody::Stripped,
        Wire::Abandoned {} => core::ActBody::Abandoned,
        Wire::InitialSetReached {} => core::ActBody::InitialSetReached,
        Wire::LimitStated { limit, value } => core::ActBody::LimitStated {
            limit: limit_of(*limit),
            value: *value,
        },
        Wire::HoldDisposed {
            hold,
            number,
            may_ship,
        } => core::ActBody::HoldDisposed {
            hold: hold.clone(),
            number: number.clone(),
            may_ship: *may_ship,
        },
        Wire::AlarmSeen { alarm } => said(alarm, core::AlarmWord::Seen),
        Wire::AlarmSnoozed { alarm, until_at } => {
            let until_at = (*until_at).into();
            said(alarm, core::AlarmWord::Snoozed { until_at })
        }
        Wire::AlarmWoken { alarm } => said(alarm, core::AlarmWord::Woken),
        Wire::AlarmReset { alarm } => said(alarm, core::AlarmWord::Reset),
        Wire::ShiftNoted {} => core::ActBody::ShiftNoted,
        Wire::ShiftHandedOver { to } => core::ActBody::ShiftHandedOver { to: to.clone() },
        Wire::ActStruck { struck } => core::ActBody::ActStruck {
            struck: struck.as_u128(),
        },
        Wire::ActCorrected {
            corrected,
            replacement,
        } => core::ActBody::ActCorrected {
            corrected: corrected.as_u128(),
            replacement: core::Replacement {
                happened_at: replacement.happened_at.map(UtcMs::from),
                why: replacement.why.clone(),
                body: Box::new(self::body(&replacement.body)),
            },
        },
        Wire::ReleaseWithdrawn { pours } => core::ActBody::ReleaseWithdrawn {
            pours: pours.clone(),
        },
    }
}

fn said(alarm: &str, word: core::AlarmWord) -> core::ActBody {
    core::ActBody::Alarm(core::AlarmAct {
        alarm: alarm.to_owned(),
        word,
    })
}

fn limit_of(key: wire::LimitKey) -> Limit {
    use wire::LimitKey as Key;
    match key {
        Key::ConcreteCMax => Limit::ConcreteMax,
        Key::RiseCPerHMax => Limit::Rise,
        Key::CoolingCPerHMax => Limit::Cooling,
        Key::DifferenceCMax => Limit::Difference,
        Key::ConcreteCMin => Limit::ConcreteMin,
        Key::PresetHMin => Limit::Preset,
        Key::BeforeSetCMax => Limit::BeforeSet,
        Key::EnclosureCMax => Limit::EnclosureMax,
        Key::EnclosureCMin => Limit::EnclosureMin,
        Key::EnclosureRiseCPerHMax => Limit::EnclosureRise,
        Key::HeatOffHMax => Limit::HeatOffHours,
        Key::HeatOffFallCMax => Limit::HeatOffFall,
        Key::ReleaseHMax => Limit::ReleaseHours,
        Key::ReleasedAboveYardCMax => Limit::ReleasedAboveYard,
    }
}

fn opened(one: &wire::PourOpened) -> core::PourOpened {
    core::PourOpened {
        bed: one.bed.clone(),
        line: one.line.clone(),
        layer: one.layer.clone(),
        mix: one.mix.clone(),
        curve: one.curve.clone(),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
        first_placement_at: one.first_placement_at.map(UtcMs::from),
        last_placement_at: one.last_placement_at.map(UtcMs::from),
        required: one.required.iter().map(noun::requirement).collect(),
        pieces: one.pieces.iter().map(noun::piece).collect(),
        positions: one.positions.iter().map(noun::position).collect(),
        channels: one.channels.iter().map(noun::binding).collect(),
        loads: one.loads.iter().map(noun::load).collect(),
        cylinder_sets: one.cylinder_sets.iter().map(noun::cylinder_set).collect(),
        section: one.section.as_ref().map(noun::section),
        cementitious_kg_m3: one.cementitious_kg_m3,
        fresh: one.fresh.as_ref().map(noun::fresh),
        heat_plan: one.heat_plan.as_ref().map(noun::heat_plan),
        without_heat: one.without_heat,
        wanted_release_at: one.wanted_release_at.map(UtcMs::from),
        limit_set: one.limit_set.clone(),
    }
}

fn corrected(one: &wire::PourCorrected) -> core::PourCorrected {
    fn all<W, C>(list: Option<&Vec<W>>, convert: impl Fn(&W) -> C) -> Option<Vec<C>> {
        list.map(|list| list.iter().map(convert).collect())
    }
    core::PourCorrected {
        line: one.line.clone(),
        layer: one.layer.clone(),
        mix: one.mix.clone(),
        curve: one.curve.clone(),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
        required: all(one.required.as_ref(), noun::requirement),
        pieces: all(one.pieces.as_ref(), noun::piece),
        positions: all(one.positions.as_ref(), noun::position),
        channels: all(one.channels.as_ref(), noun::binding),
        section: one.section.as_ref().map(noun::section),
        cementitious_kg_m3: one.cementitious_kg_m3,
        fresh: one.fresh.as_ref().map(noun::fresh),
        heat_plan: one.heat_plan.as_ref().map(noun::heat_plan),
        without_heat: one.without_heat,
        wanted_release_at: one.wanted_release_at.map(UtcMs::from),
        limit_set: one.limit_set.clone(),
        merge: one.merge,
        removed_channels: one.remove.channels.clone(),
        removed_positions: one.remove.positions.clone(),
        removed_pieces: one.remove.pieces.clone(),
    }
}

fn stoppage(one: &wire::Stoppage) -> core::Stoppage {
    core::Stoppage {
        station_m: one.station_m,
        from_at: one.from_at.into(),
        to_at: one.to_at.into(),
    }
}

fn break_result(one: &wire::BreakResult) -> core::BreakResult {
    core::BreakResult {
        set: one.set.clone(),
        pulled_at: one.pulled_at.map(UtcMs::from),
        tested_at: one.tested_at.into(),
        specimens: one
            .specimens
            .iter()
            .map(|specimen| core::SpecimenResult {
                specimen: specimen.specimen.clone(),
                strength_mpa: specimen.strength_mpa,
                load_kn: specimen.load_kn,
                diameter_mm: specimen.diameter_mm,
            })
            .collect(),
    }
}
