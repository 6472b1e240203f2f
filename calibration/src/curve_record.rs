//! The records beside a curve file: who approved it, when it expires, why it was withdrawn.
//!
//! ```toml
//! [[record]]
//! digest = "sha256:…"                     # the curve file's name, 64 hexadecimal digits
//! act = "approved"                         # or "expires", "superseded", "withdrawn"
//! by = "lab lead"
//! recorded_at = 2026-03-20T14:00:00Z
//! happened_at = 2026-03-20T13:30:00Z       # optional: recorded_at when absent
//! why = "checked against three pours"      # required for "withdrawn"
//! # accepts = ["negative-offset"]          # warnings that the approval takes on, by name
//! # effective_at = 2026-09-20T00:00:00Z    # required for "expires", and only there
//! ```
//!
//! The standing of a curve is a function of the set of records known at a time, never of their
//! order.

use chrono::{DateTime, SecondsFormat, Utc};

use crate::curve_file::CurveFile;
use crate::document::{CurveFileError, Section, quoted, read_document};

/// What a record does to a curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CurveAct {
    /// The curve may be used from now on.
    Approved,
    /// Its approval ends at an instant.
    Expires {
        /// When the approval ends.
        effective_at: DateTime<Utc>,
    },
    /// Another curve replaced it; pours that began with it keep it.
    Superseded,
    /// It must not be used any more, for the reason recorded. Final.
    Withdrawn,
}

/// One record about one curve file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CurveRecord {
    /// The curve file's name, from [`crate::digest`].
    pub digest: String,
    /// What was done.
    pub act: CurveAct,
    /// Who did it, as written; not verified.
    pub by: String,
    /// When it was recorded: before this instant nobody could know.
    pub recorded_at: DateTime<Utc>,
    /// When it happened.
    pub happened_at: DateTime<Utc>,
    /// The reason.
    pub why: Option<String>,
    /// Warnings that an approval takes on, by name.
    pub accepts: Vec<String>,
}

/// Whether a curve may be used, at one instant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CurveStanding {
    /// Nobody has approved it yet.
    Unapproved,
    /// It was approved without accepting warnings that an approval must accept by name: it may not be
    /// used.
    NotAccepted {
        /// Who approved it.
        by: String,
        /// When.
        at: DateTime<Utc>,
        /// The warnings that were not accepted.
        warnings: Vec<String>,
    },
    /// It may be used.
    Approved {
        /// Who approved it.
        by: String,
        /// When.
        at: DateTime<Utc>,
    },
    /// Its approval has ended.
    Expired {
        /// When it ended.
        at: DateTime<Utc>,
    },
    /// Another curve replaced it.
    Superseded {
        /// When.
        at: DateTime<Utc>,
    },
    /// It must not be used any more.
    Withdrawn {
        /// When.
        at: DateTime<Utc>,
        /// The reason, as recorded.
        why: String,
    },
}

/// Reads the records beside a curve file.
///
/// # Errors
/// The first fault, with its line, key and what to write instead.
pub fn parse_records(text: &str) -> Result<Vec<CurveRecord>, CurveFileError> {
    read_document(text, |root| {
        root.allow_only(&["record"])?;
        root.sections("record")?.iter().map(read_record).collect()
    })
}

fn read_record(section: &Section) -> Result<CurveRecord, CurveFileError> {
    #[derive(Clone, Copy, PartialEq)]
    enum Act {
        Approved,
        Expires,
        Superseded,
        Withdrawn,
    }
    section.allow_only(&[
        "digest",
        "act",
        "by",
        "recorded_at",
        "happened_at",
        "why",
        "effective_at",
        "accepts",
    ])?;
    let digest = read_digest(section)?;
    let act = section.choice(
        "act",
        &[
            ("approved", Act::Approved),
            ("expires", Act::Expires),
            ("superseded", Act::Superseded),
            ("withdrawn", Act::Withdrawn),
        ],
    )?;
    let by = section.text("by", "who did it")?;
    let recorded_at =
        section.instant("recorded_at", "when it was recorded, with Z or an offset")?;
    let happened_at = section
        .optional_instant("happened_at")?
        .unwrap_or(recorded_at);
    if happened_at > recorded_at {
        let recorded = recorded_at.to_rfc3339_opts(SecondsFormat::AutoSi, true);
        let problem = format!("must not be later than recorded_at = {recorded}");
        return Err(section.error("happened_at", problem));
    }
    let why = section.optional_text("why")?;
    if act == Act::Withdrawn && why.is_none() {
        return Err(section.error("why", "is missing: say why the curve is withdrawn"));
    }
    if act != Act::Expires && section.has("effective_at") {
        let problem = "belongs to \"expires\" only: take it out, or write happened_at";
        return Err(section.error("effective_at", problem));
    }
    let accepts = section.optional_texts("accepts")?;
    if act != Act::Approved && section.has("accepts") {
        return Err(section.error("accepts", "belongs to \"approved\" only: take it out"));
    }
    let act = match act {
        Act::Approved => CurveAct::Approved,
        Act::Expires => CurveAct::Expires {
            effective_at: section.instant("effective_at", "when the approval ends")?,
        },
        Act::Superseded => CurveAct::Superseded,
        Act::Withdrawn => CurveAct::Withdrawn,
    };
    Ok(CurveRecord {
        digest,
        act,
        by,
        recorded_at,
        happened_at,
        why,
        accepts,
    })
}

impl CurveRecord {
    /// The record as one `[[record]]` section of a records file.
    pub fn to_toml(&self) -> String {
        let act = match self.act {
            CurveAct::Approved => "approved",
            CurveAct::Expires { .. } => "expires",
            CurveAct::Superseded => "superseded",
            CurveAct::Withdrawn => "withdrawn",
        };
        let instant = |at: DateTime<Utc>| at.to_rfc3339_opts(SecondsFormat::Millis, true);
        let mut text = format!(
            "[[record]]\ndigest = {}\nact = \"{act}\"\nby = {}\nrecorded_at = {}\n",
            quoted(&self.digest),
            quoted(&self.by),
            instant(self.recorded_at)
        );
        let mut line = |line: String| text.push_str(&line);
        if self.happened_at != self.recorded_at {
            line(format!("happened_at = {}\n", instant(self.happened_at)));
        }
        if let CurveAct::Expires { effective_at } = self.act {
            line(format!("effective_at = {}\n", instant(effective_at)));
        }
        if let Some(why) = &self.why {
            line(format!("why = {}\n", quoted(why)));
        }
        if !self.accepts.is_empty() {
            let names: Vec<String> = self.accepts.iter().map(|name| quoted(name)).collect();
            line(format!("accepts = [{}]\n", names.join(", ")));
        }
        text
    }
}

/// What an approval of a curve would have to accept by name and does not.
pub fn unaccepted(file: &CurveFile, accepts: &[String]) -> Vec<String> {
    let mut names = file.to_accept();
    names.retain(|name| !accepts.contains(name));
    names
}

fn read_digest(section: &Section) -> Result<String, CurveFileError> {
    const EXPECTED: &str =
        "the curve file's name, \"sha256:\" and 64 lower-case hexadecimal digits";
    let digest = section.text("digest", EXPECTED)?;
    let is_digest = digest.strip_prefix("sha256:").is_some_and(|digits| {
        digits.len() == 64
            && digits
                .bytes()
                .all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
    });
    if is_digest {
        Ok(digest)
    } else {
        Err(section.error("digest", format!("must be {EXPECTED}, not \"{digest}\"")))
    }
}

/// Whether a record approves a curve: with each of its serious warnings accepted by name.
pub fn is_approval(file: &CurveFile, record: &CurveRecord) -> bool {
    record.act == CurveAct::Approved && not_accepted(file, record).is_empty()
}

fn not_accepted(file: &CurveFile, record: &CurveRecord) -> Vec<String> {
    let mut names = file.serious_warnings();
    names.retain(|name| !record.accepts.contains(name));
    names
}

/// The standing of the curve `file`, named `digest`, at `now`, from the records made by then.
///
/// A withdrawal is final. Otherwise the latest recorded of approval and superseding decides,
/// superseding when both were recorded at one instant; an expiry counts when it was recorded no
/// earlier than that approval, so that a new approval renews an expired curve. An approval that does
/// not accept what it must is none, and neither ends nor renews an earlier one.
pub fn standing_at(
    file: &CurveFile,
    digest: &str,
    records: &[CurveRecord],
    now: DateTime<Utc>,
) -> CurveStanding {
    let standing = standing_by_what_counts(file, digest, records, now);
    if !matches!(
        standing,
        CurveStanding::Unapproved | CurveStanding::Expired { .. }
    ) {
        return standing;
    }
    let void = records
        .iter()
        .filter(|record| record.digest == digest && record.recorded_at <= now)
        .filter(|record| record.act == CurveAct::Approved)
        .max_by_key(|record| (record.recorded_at, record.happened_at, &record.by))
        .filter(|record| !is_approval(file, record));
    match void {
        Some(record) => CurveStanding::NotAccepted {
            by: record.by.clone(),
            at: record.happened_at,
            warnings: not_accepted(file, record),
        },
        None => standing,
    }
}

fn standing_by_what_counts(
    file: &CurveFile,
    digest: &str,
    records: &[CurveRecord],
    now: DateTime<Utc>,
) -> CurveStanding {
    let known = || {
        records
            .iter()
            .filter(|record| record.digest == digest && record.recorded_at <= now)
    };
    let withdrawal = known()
        .filter(|record| record.act == CurveAct::Withdrawn)
        .min_by_key(|record| (record.recorded_at, record.happened_at, &record.why));
    if let Some(record) = withdrawal {
        let why = record
            .why
            .clone()
            .unwrap_or_else(|| "no reason recorded".to_owned());
        return CurveStanding::Withdrawn {
            at: record.happened_at,
            why,
        };
    }
    let latest = known()
        .filter(|record| record.act == CurveAct::Superseded || is_approval(file, record))
        .max_by_key(|record| {
            (
                record.recorded_at,
                record.act == CurveAct::Superseded,
                record.happened_at,
                &record.by,
            )
        });
    let Some(latest) = latest else {
        return CurveStanding::Unapproved;
    };
    if latest.act == CurveAct::Superseded {
        return CurveStanding::Superseded {
            at: latest.happened_at,
        };
    }
    let expiry_at = known()
        .filter(|record| record.recorded_at >= latest.recorded_at)
        .filter_map(|record| match record.act {
            CurveAct::Expires { effective_at } => Some((record.recorded_at, effective_at)),
            CurveAct::Approved | CurveAct::Superseded | CurveAct::Withdrawn => None,
        })
        // The latest record decides; of two at one instant the earlier end.
        .max_by_key(|(recorded_at, effective_at)| (*recorded_at, std::cmp::Reverse(*effective_at)))
        .map(|(_, effective_at)| effective_at);
    match expiry_at {
        Some(at) if at <= now => CurveStanding::Expired { at },
        _ => CurveStanding::Approved {
            by: latest.by.clone(),
            at: latest.happened_at,
        },
    }
}

#[cfg(test)]
mod tests;
