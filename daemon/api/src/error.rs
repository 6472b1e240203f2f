//! Refusals as RFC 9457 problem details, from one closed table.

use serde::{Deserialize, Serialize};

use crate::effect::Odd;

/// The media type of a problem.
pub const PROBLEM_MEDIA_TYPE: &str = "application/problem+json";

/// Why a request was refused. Each kind has one status and one person who can do something about it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProblemKind {
    /// The body is not JSON or lacks a field.
    Malformed,
    /// A value breaks a rule; the sentence says which and what to do.
    Invalid,
    /// No such pour, bed or route.
    NotFound,
    /// The act's id was used before with another body.
    IdReused,
    /// The act does not fit the pour's state (released already, not confirmed…).
    WrongState,
    /// A release hold stands.
    HoldStands,
    /// Something about the act is odd and was not accepted by its name.
    OddNotAccepted,
    /// The store cannot write; nothing was recorded.
    StoreUnavailable,
    /// The daemon is stopping.
    Stopping,
}

impl ProblemKind {
    /// The HTTP status.
    #[must_use]
    pub const fn status(self) -> u16 {
        match self {
            Self::Malformed => 400,
            Self::NotFound => 404,
            Self::IdReused | Self::WrongState | Self::HoldStands | Self::OddNotAccepted => 409,
            Self::Invalid => 422,
            Self::StoreUnavailable | Self::Stopping => 503,
        }
    }

    /// The name that ends the problem's `type`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Malformed => "malformed",
            Self::Invalid => "invalid",
            Self::NotFound => "not-found",
            Self::IdReused => "id-reused",
            Self::WrongState => "wrong-state",
            Self::HoldStands => "hold-stands",
            Self::OddNotAccepted => "odd-not-accepted",
            Self::StoreUnavailable => "store-unavailable",
            Self::Stopping => "stopping",
        }
    }
}

/// A problem as RFC 9457 writes it; `kind` and `code` are extension members.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, thiserror::Error)]
#[error("{detail}")]
pub struct Problem {
    /// `urn:tarplight:problem:` and the kind's name.
    #[serde(rename = "type")]
    pub type_uri: String,
    /// The HTTP status, again.
    pub status: u16,
    /// A short title.
    pub title: String,
    /// What was wrong and what to do.
    pub detail: String,
    /// The kind.
    pub kind: ProblemKind,
    /// The rule's own name in kebab case (`already-released`, `future-act`, `channel-bound-twice`…).
    pub code: String,
    /// What is odd about the act, where that is why it was refused.
    #[serde(default, skip_serializing_if = "<[Odd]>::is_empty")]
    pub odd: Box<[Odd]>,
}

impl Problem {
    /// A problem of a kind, with the broken rule's name and a sentence.
    #[must_use]
    pub fn new(kind: ProblemKind, code: &str, detail: impl Into<String>) -> Self {
        Self {
            type_uri: format!("urn:tarplight:problem:{}", kind.name()),
            status: kind.status(),
            title: kind.name().replace('-', " "),
            detail: detail.into(),
            kind,
            code: code.to_owned(),
            odd: Box::default(),
        }
    }
}
