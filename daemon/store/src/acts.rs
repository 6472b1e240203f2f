//! The chain of acts: how each is hashed onto the one before, appended, and verified.

use rusqlite::{Connection, OptionalExtension, params};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::StoreError;
use crate::error::Doing;
use crate::rows::{ActRow, Appended};

/// The first act's previous hash.
const CHAIN_START: &str = "0000000000000000000000000000000000000000000000000000000000000000";

/// What a walk over the whole chain found.
///
/// A chain proves that no act was altered, inserted or taken out between two others. Acts cut off
/// its end leave a sound, shorter chain: compare `head` with one written down elsewhere.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ChainCheck {
    Sound { act_count: i64, head: String },
    Broken { seq: i64, reason: String },
}

/// An act as the database keeps it, with its place in the chain.
pub(crate) struct Link {
    pub seq: i64,
    pub id: String,
    pub recorded_ms: i64,
    pub body: String,
    pub body_digest: String,
    pub previous_hash: String,
    pub hash: String,
}

/// SHA-256 in lower-case hexadecimal, the name of a document.
pub fn digest_hex(bytes: &[u8]) -> String {
    to_hex(&Sha256::digest(bytes))
}

fn to_hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes
        .iter()
        .fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
            write!(text, "{byte:02x}").expect("writing to a String cannot fail");
            text
        })
}

/// `previous_hash ‖ length of id ‖ id ‖ recorded_ms ‖ body`; the length keeps the parts apart.
fn link_hash(previous_hash: &str, id: &str, recorded_ms: i64, body: &str) -> String {
    let mut sha = Sha256::new();
    sha.update(previous_hash.as_bytes());
    sha.update((id.len() as u64).to_be_bytes());
    sha.update(id.as_bytes());
    sha.update(recorded_ms.to_be_bytes());
    sha.update(body.as_bytes());
    to_hex(&sha.finalize())
}

/// Refuses an act whose id stands for another body, in the store or earlier among `acts`.
pub(crate) fn check_ids(connection: &Connection, acts: &[ActRow]) -> Result<(), StoreError> {
    let mut bodies = std::collections::HashMap::new();
    for act in acts {
        let stored = find(connection, act.id)?;
        let first = *bodies.entry(act.id).or_insert(act.body.as_str());
        if first != act.body || stored.is_some_and(|stored| stored.body != act.body) {
            return Err(StoreError::IdReused { id: act.id });
        }
    }
    Ok(())
}

/// Appends an act that passed [`check_ids`], inside the caller's transaction.
pub(crate) fn append(connection: &Connection, act: &ActRow) -> Result<Appended, StoreError> {
    if let Some(known) = find(connection, act.id)? {
        return Ok(Appended::AlreadyKnown {
            seq: known.seq,
            recorded_ms: known.recorded_ms,
        });
    }
    let head: Option<(i64, String)> = connection
        .prepare_cached("SELECT seq, hash FROM acts ORDER BY seq DESC LIMIT 1")
        .and_then(|mut statement| {
            statement
                .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()
        })
        .doing("reading the last act")?;
    let (last_seq, previous_hash) = head.unwrap_or_else(|| (0, CHAIN_START.to_owned()));
    let seq = last_seq + 1;
    let id = act.id.to_string();
    let hash = link_hash(&previous_hash, &id, act.recorded_ms, &act.body);
    connection
        .prepare_cached(
            "INSERT INTO acts (seq, id, recorded_ms, body, body_digest, previous_hash, hash)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
        )
        .and_then(|mut statement| {
            let digest = digest_hex(act.body.as_bytes());
            statement.execute(params![
                seq,
                id,
                act.recorded_ms,
                act.body,
                digest,
                previous_hash,
                hash
            ])
        })
        .doing("adding an act")?;
    Ok(Appended::New { seq, hash })
}

struct Known {
    seq: i64,
    recorded_ms: i64,
    body: String,
}

fn find(connection: &Connection, id: Uuid) -> Result<Option<Known>, StoreError> {
    connection
        .prepare_cached("SELECT seq, recorded_ms, body FROM acts WHERE id = ?1")
        .and_then(|mut statement| {
            statement
                .query_row([id.to_string()], |row| {
                    Ok(Known {
                        seq: row.get(0)?,
                        recorded_ms: row.get(1)?,
                        body: row.get(2)?,
                    })
                })
                .optional()
        })
        .doing("looking for an act's id")
}

/// Reads the acts after `seq`, oldest first and hands each on; an error from `visit` ends it.
pub(crate) fn visit_links(
    connection: &Connection,
    after_seq: i64,
    mut visit: impl FnMut(Link) -> Result<(), StoreError>,
) -> Result<(), StoreError> {
    const DOING: &str = "reading acts";
    let mut statement = connection
        .prepare_cached(
            "SELECT seq, id, recorded_ms, body, body_digest, previous_hash, hash
             FROM acts WHERE seq > ?1 ORDER BY seq",
        )
        .doing(DOING)?;
    let mut rows = statement.query([after_seq]).doing(DOING)?;
    while let Some(row) = rows.next().doing(DOING)? {
        let link = (|| {
            Ok(Link {
                seq: row.get(0)?,
                id: row.get(1)?,
                recorded_ms: row.get(2)?,
                body: row.get(3)?,
                body_digest: row.get(4)?,
                previous_hash: row.get(5)?,
                hash: row.get(6)?,
            })
        })()
        .doing(DOING)?;
        visit(link)?;
    }
    Ok(())
}

/// Walks the whole chain; only the first break is told, since everything after it is unproven.
pub(crate) fn verify_chain(connection: &Connection) -> Result<ChainCheck, StoreError> {
    let mut head = CHAIN_START.to_owned();
    let mut act_count = 0;
    let mut broken = None;
    visit_links(connection, 0, |link| {
        if broken.is_none() {
            match fault_of(&link, act_count + 1, &head) {
                Some(reason) => {
                    broken = Some(ChainCheck::Broken {
                        seq: link.seq,
                        reason,
                    })
                }
                None => {
                    act_count += 1;
                    head = link.hash;
                }
            }
        }
        Ok(())
    })?;
    Ok(broken.unwrap_or(ChainCheck::Sound { act_count, head }))
}

fn fault_of(link: &Link, expected_seq: i64, head: &str) -> Option<String> {
    if link.seq != expected_seq {
        return Some(format!("act {expected_seq} is missing before it"));
    }
    if link.previous_hash != head {
        return Some("it does not follow the act before it".to_owned());
    }
    if link.body_digest != digest_hex(link.body.as_bytes()) {
        return Some("its body was altered".to_owned());
    }
    if link.hash != link_hash(head, &link.id, link.recorded_ms, &link.body) {
        return Some("its id, time or body was altered".to_owned());
    }
    None
}
