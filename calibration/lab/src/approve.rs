//! `tarplight-lab approve`: the records beside a curve file, appended one by one.

use std::fs::{self, OpenOptions};
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow, bail};
use calibration::{
    CurveAct, CurveFile, CurveRecord, CurveStanding, digest, parse_records, standing_at, unaccepted,
};
use chrono::{DateTime, SubsecRound as _, Utc};
use clap::ValueEnum;
use serde::Serialize;

use crate::options;
use crate::report::Standing;

pub const EXAMPLES: &str = "\
Examples:
  tarplight-lab approve curves/m45.toml --by \"lab lead\" --why \"checked against three pours\"
  tarplight-lab approve curves/m45.toml --by \"lab lead\" --accept negative-offset \\
      --until 2026-09-20T00:00:00Z
  tarplight-lab approve curves/m45.toml --by \"lab lead\" --act withdrawn --why \"cement changed\"
  tarplight-lab approve curves/m45.toml --by \"lab lead\" --act superseded --why \"M45-2 replaces it\"

The curve file is never touched: records stand in FILE.records.toml, which only grows. A withdrawal
is final. The name is recorded as typed and is not verified.
Exit codes: 0 recorded, 1 not recorded, 2 the command line is wrong.";

#[derive(clap::Args)]
pub struct ApproveArguments {
    /// The curve file.
    file: PathBuf,
    /// Who decides, as it shall be recorded.
    #[arg(long, value_name = "NAME")]
    by: String,
    /// What is decided.
    #[arg(long, value_enum, default_value_t = Act::Approved)]
    act: Act,
    /// Why; a withdrawal needs it.
    #[arg(long, value_name = "TEXT")]
    why: Option<String>,
    /// A warning of the curve that the approval takes on, by name. May be repeated.
    #[arg(long, value_name = "WARNING")]
    accept: Vec<String>,
    /// When the approval ends (RFC 3339); needed by --act expires.
    #[arg(long, value_name = "TIME")]
    until: Option<DateTime<Utc>>,
    /// When it was decided (RFC 3339) [default: now].
    #[arg(long, value_name = "TIME")]
    happened_at: Option<DateTime<Utc>>,
    /// The records [default: FILE with .toml replaced by .records.toml].
    #[arg(long, value_name = "FILE")]
    records: Option<PathBuf>,
    /// Print the curve's standing as one JSON object.
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Act {
    /// The curve may be used from now on.
    Approved,
    /// Its approval ends at an instant.
    Expires,
    /// Another curve replaced it; pours that began with it keep it.
    Superseded,
    /// It must not be used any more. Final.
    Withdrawn,
}

#[derive(Serialize)]
struct Report {
    file: String,
    records: String,
    digest: String,
    standing: Standing,
    accepted: Vec<String>,
}

/// Runs the command and gives the text for standard output.
pub fn run(arguments: &ApproveArguments, now: DateTime<Utc>) -> anyhow::Result<String> {
    let path = &arguments.file;
    let text = options::read_text(path)?;
    let curve = CurveFile::parse(&text).map_err(|error| anyhow!("{}: {error}", path.display()))?;
    let digest = digest(text.as_bytes());
    let beside = path.with_extension("records.toml");
    let records_path = arguments.records.as_deref().unwrap_or(&beside);
    let old_text = match fs::read_to_string(records_path) {
        Ok(text) => text,
        Err(error) if error.kind() == ErrorKind::NotFound => String::new(),
        Err(error) => {
            return Err(error).with_context(|| format!("cannot read {}", records_path.display()));
        }
    };
    let old =
        parse_records(&old_text).map_err(|error| anyhow!("{}: {error}", records_path.display()))?;
    let recorded_at = now.trunc_subsecs(3);
    check(
        arguments,
        &curve,
        standing_at(&curve, &digest, &old, now),
        recorded_at,
    )?;
    let new = new_records(arguments, &digest, recorded_at)?;
    let mut added = String::new();
    for record in &new {
        if !(old_text.is_empty() && added.is_empty()) {
            added.push('\n');
        }
        added.push_str(&record.to_toml());
    }
    // A last line without an end must not run into the first of the new ones.
    let joined = if old_text.is_empty() || old_text.ends_with('\n') {
        added
    } else {
        format!("\n{added}")
    };
    let all = parse_records(&format!("{old_text}{joined}"))
        .map_err(|error| anyhow!("the new record would not be readable: {error}"))?;
    append(records_path, &joined)?;
    let report = Report {
        file: path.display().to_string(),
        records: records_path.display().to_string(),
        standing: Standing::from(standing_at(&curve, &digest, &all, recorded_at)),
        digest,
        accepted: arguments.accept.clone(),
    };
    if arguments.json {
        return Ok(serde_json::to_string_pretty(&report)? + "\n");
    }
    Ok(format!(
        "Recorded in {}: {} by {} (name not verified).\nCurve {} for mix {}: {}.\n{}\n",
        records_path.display(),
        arguments
            .act
            .to_possible_value()
            .map_or(String::new(), |value| value.get_name().to_owned()),
        arguments.by,
        curve.name,
        curve.mix,
        report.standing.word(),
        crate::report::CAUTION
    ))
}

/// Refuses what must not be recorded.
fn check(
    arguments: &ApproveArguments,
    curve: &CurveFile,
    standing: CurveStanding,
    recorded_at: DateTime<Utc>,
) -> anyhow::Result<()> {
    if arguments.by.trim().is_empty() {
        bail!("--by is empty: say who decides");
    }
    if let CurveStanding::Withdrawn { why, .. } = standing {
        bail!("the curve was withdrawn ({why}), which is final: make a new curve");
    }
    if arguments.happened_at.is_some_and(|at| at > recorded_at) {
        bail!("--happened-at lies in the future: give when it was decided");
    }
    if arguments.until.is_some_and(|until| until <= recorded_at) {
        bail!("--until lies in the past: give when the approval ends");
    }
    let known = curve.to_accept();
    if let Some(name) = arguments.accept.iter().find(|name| !known.contains(name)) {
        let known = if known.is_empty() {
            "it has none to accept".to_owned()
        } else {
            format!("it has {}", known.join(", "))
        };
        bail!("--accept {name}: the curve has no such warning; {known}");
    }
    let missing = unaccepted(curve, &arguments.accept);
    match arguments.act {
        Act::Approved if !missing.is_empty() => bail!(
            "the curve has warnings that an approval must take on by name: {}; read them with \
             `tarplight-lab show`, and give {}",
            missing.join(", "),
            missing
                .iter()
                .map(|name| format!("--accept {name}"))
                .collect::<Vec<_>>()
                .join(" ")
        ),
        Act::Expires if arguments.until.is_none() => {
            bail!("--act expires needs --until: when does the approval end?")
        }
        Act::Superseded | Act::Withdrawn if arguments.until.is_some() => {
            bail!("--until belongs to an approval or its expiry")
        }
        Act::Withdrawn if arguments.why.is_none() => {
            bail!("a withdrawal needs --why: pours under cure are told the reason")
        }
        Act::Approved | Act::Expires | Act::Superseded | Act::Withdrawn => {}
    }
    if arguments.act != Act::Approved && !arguments.accept.is_empty() {
        bail!("--accept belongs to an approval");
    }
    Ok(())
}

fn new_records(
    arguments: &ApproveArguments,
    digest: &str,
    recorded_at: DateTime<Utc>,
) -> anyhow::Result<Vec<CurveRecord>> {
    let record = |act: CurveAct, accepts: Vec<String>| CurveRecord {
        digest: digest.to_owned(),
        act,
        by: arguments.by.clone(),
        recorded_at,
        happened_at: arguments
            .happened_at
            .map_or(recorded_at, |at| at.trunc_subsecs(3)),
        why: arguments.why.clone(),
        accepts,
    };
    let expiry = arguments.until.map(|effective_at| {
        let effective_at = effective_at.trunc_subsecs(3);
        record(CurveAct::Expires { effective_at }, Vec::new())
    });
    Ok(match arguments.act {
        Act::Approved => {
            let mut records = vec![record(CurveAct::Approved, arguments.accept.clone())];
            records.extend(expiry);
            records
        }
        Act::Expires => vec![expiry.context("--act expires needs --until")?],
        Act::Superseded => vec![record(CurveAct::Superseded, Vec::new())],
        Act::Withdrawn => vec![record(CurveAct::Withdrawn, Vec::new())],
    })
}

fn append(path: &Path, text: &str) -> anyhow::Result<()> {
    let mut file = OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .with_context(|| format!("cannot open {}", path.display()))?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .with_context(|| format!("cannot write {}", path.display()))
}
