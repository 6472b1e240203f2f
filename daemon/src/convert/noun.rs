//! The nouns that acts and views share, in both directions.

use daemon_api::act as wire;
use daemon_core::act as core;

use super::{utc, utc_option};

pub fn requirement(one: &wire::Requirement) -> core::Requirement {
    core::Requirement {
        act: match one.act {
            wire::StrengthAct::PartialRelease => core::StrengthAct::PartialRelease,
            wire::StrengthAct::Release => core::StrengthAct::Release,
            wire::StrengthAct::Strip => core::StrengthAct::Strip,
            wire::StrengthAct::Ship => core::StrengthAct::Ship,
        },
        strength_mpa: one.strength_mpa,
    }
}

pub fn requirement_out(one: &core::Requirement) -> wire::Requirement {
    wire::Requirement {
        act: match one.act {
            core::StrengthAct::PartialRelease => wire::StrengthAct::PartialRelease,
            core::StrengthAct::Release => wire::StrengthAct::Release,
            core::StrengthAct::Strip => wire::StrengthAct::Strip,
            core::StrengthAct::Ship => wire::StrengthAct::Ship,
        },
        strength_mpa: one.strength_mpa,
    }
}

pub fn piece(one: &wire::Piece) -> core::Piece {
    core::Piece {
        mark: one.mark.clone(),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
        required: one.required.iter().map(requirement).collect(),
    }
}

pub fn piece_out(one: &core::Piece) -> wire::Piece {
    wire::Piece {
        mark: one.mark.clone(),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
        required: one.required.iter().map(requirement_out).collect(),
    }
}

pub fn load(one: &wire::Load) -> core::Load {
    core::Load {
        ticket: one.ticket.clone(),
        batched_at: one.batched_at.map(Into::into),
        placed_from_at: one.placed_from_at.into(),
        placed_to_at: one.placed_to_at.into(),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
    }
}

pub fn load_out(one: &core::Load) -> wire::Load {
    wire::Load {
        ticket: one.ticket.clone(),
        batched_at: utc_option(one.batched_at),
        placed_from_at: utc(one.placed_from_at),
        placed_to_at: utc(one.placed_to_at),
        from_station_m: one.from_station_m,
        to_station_m: one.to_station_m,
    }
}

pub fn position(one: &wire::Position) -> core::Position {
    core::Position {
        id: one.id.clone(),
        station_m: one.station_m,
        place: one.place.clone(),
        depth_mm: one.depth_mm,
    }
}

pub fn role(role: wire::ChannelRole) -> core::ChannelRole {
    match role {
        wire::ChannelRole::Concrete => core::ChannelRole::Concrete,
        wire::ChannelRole::Enclosure => core::ChannelRole::Enclosure,
        wire::ChannelRole::Ambient => core::ChannelRole::Ambient,
        wire::ChannelRole::Specimen => core::ChannelRole::Specimen,
    }
}

pub fn role_out(role: core::ChannelRole) -> wire::ChannelRole {
    match role {
        core::ChannelRole::Concrete => wire::ChannelRole::Concrete,
        core::ChannelRole::Enclosure => wire::ChannelRole::Enclosure,
        core::ChannelRole::Ambient => wire::ChannelRole::Ambient,
        core::ChannelRole::Specimen => wire::ChannelRole::Specimen,
    }
}

pub fn binding(one: &wire::ChannelBinding) -> core::ChannelBinding {
    core::ChannelBinding {
        channel: one.channel.clone(),
        role: role(one.role),
        position: one.position.clone(),
        set: one.set.clone(),
        from_at: one.from_at.map(Into::into),
    }
}

pub fn cylinder_set(one: &wire::CylinderSet) -> core::CylinderSet {
    core::CylinderSet {
        set: one.set.clone(),
        purpose: match one.purpose {
            wire::SetPurpose::Release => core::SetPurpose::Release,
            wire::SetPurpose::Later => core::SetPurpose::Later,
        },
        specimens: one.specimens.clone(),
        storage: match one.storage {
            wire::SetStorage::UnderTarp => core::SetStorage::UnderTarp,
            wire::SetStorage::MatchCured => core::SetStorage::MatchCured,
            wire::SetStorage::Standard => core::SetStorage::Standard,
        },
        follows_position: one.follows_position.clone(),
        loads: one.loads.clone(),
        diameter_mm: one.diameter_mm,
        length_mm: one.length_mm,
    }
}

pub fn cylinder_set_out(one: &core::CylinderSet) -> wire::CylinderSet {
    wire::CylinderSet {
        set: one.set.clone(),
        purpose: match one.purpose {
            core::SetPurpose::Release => wire::SetPurpose::Release,
            core::SetPurpose::Later => wire::SetPurpose::Later,
        },
        specimens: one.specimens.clone(),
        storage: match one.storage {
            core::SetStorage::UnderTarp => wire::SetStorage::UnderTarp,
            core::SetStorage::MatchCured => wire::SetStorage::MatchCured,
            core::SetStorage::Standard => wire::SetStorage::Standard,
        },
        follows_position: one.follows_position.clone(),
        loads: one.loads.clone(),
        diameter_mm: one.diameter_mm,
        length_mm: one.length_mm,
    }
}

pub fn section(one: &wire::Section) -> core::Section {
    core::Section {
        name: one.name.clone(),
        thickness_mm: one.thickness_mm,
    }
}

pub fn section_out(one: &core::Section) -> wire::Section {
    wire::Section {
        name: one.name.clone(),
        thickness_mm: one.thickness_mm,
    }
}

pub fn fresh(one: &wire::FreshConcrete) -> core::FreshConcrete {
    core::FreshConcrete {
        temperature_c: one.temperature_c,
        slump_mm: one.slump_mm,
        slump_flow_mm: one.slump_flow_mm,
        visual_stability_index: one.visual_stability_index,
        air_percent: one.air_percent,
    }
}

pub fn heat_plan(one: &wire::HeatPlan) -> core::HeatPlan {
    core::HeatPlan {
        on_at: one.on_at.map(Into::into),
        rise_c_per_h: one.rise_c_per_h,
        soak_c: one.soak_c,
        off_at: one.off_at.map(Into::into),
    }
}

pub fn heat_plan_out(one: &core::HeatPlan) -> wire::HeatPlan {
    wire::HeatPlan {
        on_at: utc_option(one.on_at),
        rise_c_per_h: one.rise_c_per_h,
        soak_c: one.soak_c,
        off_at: utc_option(one.off_at),
    }
}
