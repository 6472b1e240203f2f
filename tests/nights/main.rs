//! Judges the forecast: simulated nights against what replay said of them, hour by hour before.
//!
//! ```sh
//! cargo build --release
//! cargo run --release -p integration-tests --example judge-nights -- --seeds 11,12
//! ```
//!
//! Each seed is a plant's past of some hundred pours whose true temperatures and strengths are known.
//! `tarplightd replay` is asked every ten minutes and sees only what had arrived. Its answers are
//! compared with two truths: when the mix's curve on the true temperatures of the slowest position
//! reaches the required strength, and when the concrete itself does. The last line says what is left of the
//! second where the first is known, and each mix's median difference from it: no temperature and no other
//! pour's break can tell more, only the pour's own pace and breaks. `--without` takes something away
//! first: `breaks`, `enclosure`, `learning`, `trust`.

mod answers;
mod score;
mod truth;
mod without;

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use score::Table;
use without::Without;

const USAGE: &str = "judge-nights [--seeds N,N,…] [--nights N] [--history-pours N] [--changed-by F] \
     [--break-at F] [--keep DIR] [--without breaks|enclosure|learning|trust]";

/// What is asked for.
struct Options {
    seeds: Vec<u64>,
    nights: u32,
    /// Pours that only teach: they are not judged.
    history_pours: usize,
    changed_by: f64,
    /// The share of the required strength at which people think a set worth breaking.
    break_at: f64,
    /// Folder for pasts and answers; what is there already is used again.
    keep: Option<PathBuf>,
    without: Option<Without>,
}

impl Options {
    fn read(mut words: impl Iterator<Item = String>) -> Result<Self, String> {
        let mut options = Self {
            seeds: vec![11, 12, 13, 14],
            nights: 25,
            history_pours: 50,
            changed_by: 1.0,
            break_at: 1.03,
            keep: None,
            without: None,
        };
        while let Some(word) = words.next() {
            let value = words
                .next()
                .ok_or_else(|| format!("{word} needs a value; {USAGE}"))?;
            let wrong = |error: &dyn std::fmt::Display| format!("{word} {value}: {error}");
            match word.as_str() {
                "--seeds" => {
                    let seeds: Result<_, _> = value.split(',').map(str::parse).collect();
                    options.seeds =
                        seeds.map_err(|error: std::num::ParseIntError| wrong(&error))?;
                }
                "--nights" => options.nights = value.parse().map_err(|error| wrong(&error))?,
                "--history-pours" => {
                    options.history_pours = value.parse().map_err(|error| wrong(&error))?;
                }
                "--changed-by" => {
                    options.changed_by = value.parse().map_err(|error| wrong(&error))?;
                }
                "--break-at" => {
                    options.break_at = value.parse().map_err(|error| wrong(&error))?;
                }
                "--without" => {
                    let found = Without::of(&value);
                    options.without =
                        Some(found.ok_or_else(|| format!("{word} {value}: {USAGE}"))?);
                }
                "--keep" => options.keep = Some(PathBuf::from(value)),
                _ => return Err(format!("{word} is not known; {USAGE}")),
            }
        }
        Ok(options)
    }
}

#[expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "it is a program whose result is a table"
)]
fn main() -> Result<(), String> {
    let options = Options::read(std::env::args().skip(1))?;
    let temporary = tempfile::tempdir().map_err(|error| error.to_string())?;
    let root = options.keep.as_deref().unwrap_or(temporary.path());
    let mut table = Table::default();
    for seed in &options.seeds {
        let dir = root.join(seed.to_string());
        make_history(&dir, *seed, &options)?;
        let answers = ask(&dir, options.without)?;
        let pours = truth::read(&dir)?;
        eprintln!("seed {seed}: {} pours", pours.len());
        for pour in pours.iter().skip(options.history_pours) {
            let said = answers.get(&pour.id).map_or(&[][..], Vec::as_slice);
            table.add(*seed, pour, said);
        }
    }
    println!("{}", table.report());
    Ok(())
}

/// A program of this workspace, built in the same profile.
fn program(name: &str) -> Result<PathBuf, String> {
    let this = std::env::current_exe().map_err(|error| error.to_string())?;
    let path = this
        .ancestors()
        .nth(2)
        .map(|folder| folder.join(name))
        .unwrap_or_default();
    if path.exists() {
        return Ok(path);
    }
    Err(format!(
        "{} is not built: run `cargo build` with the same profile first",
        path.display()
    ))
}

fn make_history(dir: &Path, seed: u64, options: &Options) -> Result<(), String> {
    if dir.join("nights.jsonl").exists() {
        return Ok(());
    }
    let mut command = Command::new(program("tarplight-sim")?);
    command
        .arg("history")
        .args(["--seed", &seed.to_string()])
        .args(["--nights", &options.nights.to_string()])
        .args(["--changed-by", &options.changed_by.to_string()])
        .args(["--break-at", &options.break_at.to_string()])
        .arg("--out")
        .arg(dir);
    succeed(&mut command)
}

fn ask(dir: &Path, without: Option<Without>) -> Result<answers::Answers, String> {
    let name = without.map_or_else(String::new, |one| format!("-without-{}", one.name()));
    let path = dir.join(format!("answers{name}.jsonl"));
    if !path.exists() {
        let folders = match without {
            Some(without) => without.folders(dir, &dir.join(without.name()))?,
            None => vec![dir.to_owned()],
        };
        replay(&folders, &path)?;
    }
    let text = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
    answers::read(&text)
}

/// Asks every ten minutes; the answers have their name only once they are whole.
fn replay(dirs: &[PathBuf], path: &Path) -> Result<(), String> {
    let unfinished = path.with_extension("unfinished");
    let file =
        File::create(&unfinished).map_err(|error| format!("{}: {error}", unfinished.display()))?;
    for dir in dirs {
        let mut command = Command::new(program("tarplightd")?);
        command.arg("replay").args(["--every", "10m"]);
        for (option, name) in [
            ("--plant", "plant.toml"),
            ("--pours", "pours.jsonl"),
            ("--readings", "readings.csv"),
        ] {
            command.arg(option).arg(dir.join(name));
        }
        let out = file
            .try_clone()
            .map_err(|error| format!("{}: {error}", unfinished.display()))?;
        succeed(command.stdout(Stdio::from(out)))?;
    }
    fs::rename(&unfinished, path).map_err(|error| format!("{}: {error}", path.display()))
}

fn succeed(command: &mut Command) -> Result<(), String> {
    let status = command
        .status()
        .map_err(|error| format!("{command:?}: {error}"))?;
    if status.success() {
        Ok(())
    } else {
        Err(format!("{command:?} ended with {status}"))
    }
}
