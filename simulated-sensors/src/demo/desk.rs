//! The `tarplight` command as people of the demo use it, and the lines that tell what they did.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use chrono::{DateTime, Utc};
use serde::Deserialize;
use serde_json::Value;
use tokio::process::Command;

use super::paperwork::QUALITY;
use super::yard::Yard;
use crate::paperwork::stamp;

/// By definition: a pound-force is 4.4482216152605 N.
const KN_PER_LBF: f64 = 0.004_448_221_615_260_5;
const MM_PER_INCH: f64 = 25.4;

/// A person at the command line.
#[derive(Debug)]
pub struct Desk {
    program: PathBuf,
    daemon: String,
}

impl Desk {
    pub fn new(program: &Path, daemon: &str) -> Self {
        Self {
            program: program.to_owned(),
            daemon: daemon.to_owned(),
        }
    }

    /// What the dashboard on the terminal of the demo is told.
    pub fn dashboard_arguments(&self) -> [&str; 4] {
        ["--daemon", &self.daemon, "--by", QUALITY]
    }

    /// Enters an act; the error is what the command said.
    pub async fn enter(&self, arguments: &[String]) -> anyhow::Result<()> {
        self.call(arguments).await.map(drop)
    }

    /// The yard as the daemon shows it.
    pub async fn yard(&self) -> anyhow::Result<Yard> {
        let arguments = ["show", "--json"].map(str::to_owned);
        let printed = self.call(&arguments).await?;
        serde_json::from_slice(&printed).context("`tarplight show --json` cannot be understood")
    }

    /// Signs the release of a line.
    pub async fn sign(&self, bed: &str, line: &str) -> anyhow::Result<()> {
        let arguments = ["release", bed, "--line", line, "--by", QUALITY].map(str::to_owned);
        self.enter(&arguments).await
    }

    async fn call(&self, arguments: &[String]) -> anyhow::Result<Vec<u8>> {
        let output = Command::new(&self.program)
            .args(["--daemon", &self.daemon])
            .args(arguments)
            .stdin(std::process::Stdio::null())
            .kill_on_drop(true)
            .output()
            .await
            .with_context(|| format!("cannot start {}", self.program.display()))?;
        if !output.status.success() {
            let said = String::from_utf8_lossy(&output.stderr);
            // The last line is the refusal; what stands before it are cautions.
            bail!(
                "{}",
                said.trim().lines().last().unwrap_or("it said nothing")
            );
        }
        Ok(output.stdout)
    }
}

/// What the simulated testing machine prints.
#[derive(Debug, Deserialize)]
struct MachineAnswer {
    pulled_at: DateTime<Utc>,
    specimens: Vec<MachineSpecimen>,
}

#[derive(Debug, Deserialize)]
struct MachineSpecimen {
    specimen_id: String,
    breaking_load_kn: f64,
    diameter_mm: f64,
}

/// The command that enters a break, with loads and diameters as this plant reads them.
pub fn break_arguments(
    bed: &str,
    set: &str,
    tested_at: DateTime<Utc>,
    answer: &Value,
) -> anyhow::Result<Vec<String>> {
    let answer = MachineAnswer::deserialize(answer)
        .context("the testing machine's answer cannot be understood")?;
    let (pulled, tested) = (stamp(answer.pulled_at), stamp(tested_at));
    let fixed = [
        "break", bed, "--set", set, "--pulled", &pulled, "--at", &tested, "--by", QUALITY,
    ];
    let mut arguments: Vec<String> = fixed.map(str::to_owned).to_vec();
    // What the machine read is what the cylinders bore: whoever breaks them here means it.
    for odd in [
        "far-from-its-twins",
        "off-its-own-maturity",
        "off-the-positions",
    ] {
        arguments.extend(["--accept", odd].map(str::to_owned));
    }
    for specimen in answer.specimens {
        let load_lbf = specimen.breaking_load_kn / KN_PER_LBF;
        let diameter_inch = specimen.diameter_mm / MM_PER_INCH;
        arguments.push("--specimen".to_owned());
        arguments.push(format!(
            "{} {load_lbf:.0} lbf {diameter_inch:.3} in",
            specimen.specimen_id
        ));
    }
    // What the machine read is what the cylinders bore: whoever breaks them here means it.
    for odd in [
        "far-from-its-twins",
        "off-its-own-maturity",
        "off-the-positions",
    ] {
        arguments.extend(["--accept", odd].map(str::to_owned));
    }
    Ok(arguments)
}

/// One line for each event, in the plant's local time.
#[derive(Debug)]
pub struct Teller {
    zone: chrono_tz::Tz,
    /// Standard output where absent.
    file: Option<File>,
}

impl Teller {
    pub fn to_stdout(zone: chrono_tz::Tz) -> Self {
        Self { zone, file: None }
    }

    /// While the dashboard has the terminal, events go into a file.
    pub fn to_file(zone: chrono_tz::Tz, path: &Path) -> anyhow::Result<Self> {
        let file =
            File::create(path).with_context(|| format!("cannot write {}", path.display()))?;
        Ok(Self {
            zone,
            file: Some(file),
        })
    }

    pub fn tell(&mut self, at: DateTime<Utc>, bed: &str, what: &str) -> anyhow::Result<()> {
        let local = at.with_timezone(&self.zone).format("%H:%M");
        match &mut self.file {
            Some(file) => writeln!(file, "{local}  {bed}  {what}")?,
            None => writeln!(std::io::stdout().lock(), "{local}  {bed}  {what}")?,
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn a_break_is_entered_with_load_and_diameter_of_each_specimen() {
        let answer = json!({
            "bed": "N1", "pulled_at": "2026-11-25T10:00:00Z",
            "specimens": [
                { "specimen_id": "N1-A1", "set": "A", "load_id": "N1-4101", "diameter_mm": 100.1,
                  "breaking_load_kn": 200.0, "strength_mpa": 25.41 },
            ],
        });
        let tested_at = "2026-11-25T10:01:00Z".parse().expect("instant");
        let arguments = break_arguments("N1", "A", tested_at, &answer).expect("arguments");
        let line = arguments.join(" ");
        assert!(
            line.starts_with(
                "break N1 --set A --pulled 2026-11-25T10:00:00Z --at 2026-11-25T10:01:00Z --by "
            ),
            "{line}"
        );
        let given = |option: &str| {
            let after = arguments.windows(2).filter(|pair| pair[0] == option);
            after.map(|pair| pair[1].as_str()).collect::<Vec<_>>()
        };
        assert_eq!(given("--specimen"), ["N1-A1 44962 lbf 3.941 in"]);
        // Nobody is at the demo's desk to be asked back.
        assert!(!given("--accept").is_empty());
    }

    #[test]
    fn an_answer_without_loads_is_refused() {
        let answer = json!({ "pulled_at": "2026-11-25T10:00:00Z", "specimens": [{}] });
        assert!(break_arguments("N1", "A", Utc::now(), &answer).is_err());
    }

    #[test]
    fn events_are_told_in_the_plants_time() {
        let dir = tempfile::tempdir().expect("folder");
        let path = dir.path().join("events.log");
        let mut teller = Teller::to_file(chrono_tz::America::Chicago, &path).expect("file");
        let at = "2026-11-25T10:00:00Z".parse().expect("instant");
        teller.tell(at, "N1", "curing").expect("told");
        let text = std::fs::read_to_string(path).expect("text");
        assert_eq!(text, "04:00  N1  curing\n");
    }
}
