//! What every command shares: the client, the plant's clock and zone, sending an act, printing.

use std::io::Write;

use anyhow::{Context as _, bail};
use chrono::{DateTime, Utc};
use daemon_api::act::{ACT_VERSION, Act, ActBody};
use daemon_api::bed::PlantSnapshot;
use daemon_api::client::{Client, ClientError};
use daemon_api::pour::PourView;
use units::UnitSystem;
use uuid::Uuid;

use super::{ActArgs, effect};
use crate::names;
use crate::state::is_open;
use crate::times::Zone;
use crate::when::{self, Beginning};

/// A person at the command line.
#[derive(Debug)]
pub struct Desk {
    pub client: Client,
    units: Option<UnitSystem>,
    by: Option<String>,
}

impl Desk {
    pub fn open(
        daemon: &str,
        units: Option<UnitSystem>,
        by: Option<String>,
    ) -> anyhow::Result<Self> {
        Ok(Self {
            client: Client::new(daemon)?,
            units,
            by,
        })
    }

    pub async fn plant(&self) -> anyhow::Result<Plant> {
        Ok(Plant::of(self.client.snapshot().await?, self.units))
    }

    /// The same desk, with a name for acts where the command line gave none.
    pub fn with_default_by(&self, by: Option<&str>) -> Self {
        let by = self.by.clone().or_else(|| by.map(str::to_owned));
        Self {
            client: self.client.clone(),
            units: self.units,
            by,
        }
    }

    pub fn by(&self) -> anyhow::Result<String> {
        self.by
            .clone()
            .filter(|by| !by.trim().is_empty())
            .context("every act says who did it: give --by \"YOUR NAME\" or set TARPLIGHT_BY")
    }

    /// What the plant makes of an act that is recorded: the verdict on a break, the curve of a new pour.
    async fn what_came_of(&self, act: &Act) -> String {
        let is_told = matches!(act.body, ActBody::BreakRecorded(_) | ActBody::PourOpened(_));
        if !is_told {
            return String::new();
        }
        // The act is recorded whether or not this answer comes.
        let Ok(pour) = self.client.pour(&act.pour).await else {
            return String::new();
        };
        match act.body {
            ActBody::BreakRecorded(_) => {
                let sets = pour.cylinder_sets.iter();
                let mut breaks = sets.flat_map(|set| &set.breaks);
                let judged = breaks.find(|judged| judged.id == act.id);
                judged.map_or_else(String::new, |judged| format!("  {}\n", judged.words))
            }
            _ => format!("  {}\n", pour.curve.note),
        }
    }

    /// Sends an act and prints its answer; of a dry run, what it would change.
    pub async fn send(&self, act: &Act, args: &ActArgs) -> anyhow::Result<()> {
        if args.dry_run {
            let answer = match self.client.dry_run(act).await {
                Ok(answer) => answer,
                Err(ClientError::Problem(problem)) => bail!("it would be refused: {problem}"),
                Err(other) => return Err(other.into()),
            };
            if args.json {
                return Ok(print(&(serde_json::to_string(&answer)? + "\n"))?);
            }
            let units = self.plant().await?.units;
            return Ok(print(&effect::dry_run(&answer, units))?);
        }
        match self.client.act(act).await {
            Ok(answer) => {
                if args.json {
                    print(&(serde_json::to_string(&answer)? + "\n"))?;
                } else {
                    print(&effect::recorded(&answer))?;
                    for caution in &answer.cautions {
                        talk(&format!("caution: {caution}"));
                    }
                }
                // So that a script's next command already sees it. The act is recorded: whether the wait
                // succeeds changes nothing of that.
                let _ = self.client.looked_at(answer.sequence).await;
                if !args.json {
                    print(&self.what_came_of(act).await)?;
                }
                Ok(())
            }
            Err(ClientError::Problem(problem)) if !problem.odd.is_empty() => bail!(
                "not recorded, because something is odd:\n{}",
                effect::odd(&problem.odd).join("\n")
            ),
            Err(ClientError::Problem(problem)) => bail!("refused, nothing was recorded: {problem}"),
            Err(other) => {
                let at = act
                    .happened_at
                    .to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
                Err(anyhow::Error::from(other).context(format!(
                    "it is not known whether this was recorded; repeat the command with --id {} --at \
                     {at} and it counts once",
                    act.id
                )))
            }
        }
    }
}

/// The plant as it was when the command began.
#[derive(Debug)]
pub struct Plant {
    pub snapshot: PlantSnapshot,
    pub now: DateTime<Utc>,
    pub zone: Zone,
    pub units: UnitSystem,
}

impl Plant {
    /// The plant of a snapshot, in its own units where none are asked for.
    pub fn of(snapshot: PlantSnapshot, units: Option<UnitSystem>) -> Self {
        let own = match snapshot.plant.units.as_str() {
            "us" => UnitSystem::Us,
            _ => UnitSystem::Si,
        };
        Self {
            now: snapshot.plant.now,
            zone: Zone::named(&snapshot.plant.zone),
            units: units.unwrap_or(own),
            snapshot,
        }
    }

    /// A time of something done, which cannot have been before `beginning`.
    pub fn past(
        &self,
        option: &str,
        typed: &str,
        beginning: Option<&Beginning>,
    ) -> anyhow::Result<DateTime<Utc>> {
        when::done(self.zone, typed, self.now, beginning).with_context(|| format!("--{option}"))
    }

    /// A time of something planned.
    pub fn future(&self, option: &str, typed: &str) -> anyhow::Result<DateTime<Utc>> {
        when::planned(self.zone, typed, self.now, self.now).with_context(|| format!("--{option}"))
    }

    /// The pour that a person names by its id or by its bed.
    pub fn pour(&self, named: &str) -> anyhow::Result<&PourView> {
        let pours: Vec<&PourView> = self
            .snapshot
            .beds
            .iter()
            .flat_map(|bed| &bed.pours)
            .collect();
        if let Some(pour) = names::find(&pours, named, |pour| &pour.pour) {
            return Ok(pour);
        }
        let Some(bed) = names::find(&self.snapshot.beds, named, |bed| &bed.bed) else {
            let beds: Vec<&str> = self
                .snapshot
                .beds
                .iter()
                .map(|bed| bed.bed.as_str())
                .collect();
            bail!(
                "there is no bed or pour {named}; the beds are {}",
                beds.join(", ")
            );
        };
        let named = &bed.bed;
        let open: Vec<&PourView> = bed.pours.iter().filter(|pour| is_open(pour)).collect();
        match open[..] {
            [pour] => Ok(pour),
            [] => bail!("bed {named} has no open pour: open one with \"tarplight pour open\""),
            _ => {
                let ids: Vec<&str> = open.iter().map(|pour| pour.pour.as_str()).collect();
                bail!(
                    "bed {named} has several pours: name one of {}",
                    ids.join(", ")
                )
            }
        }
    }

    /// What nothing done to the pour can have been before, where the pour is on a bed.
    pub fn beginning(&self, pour: &str) -> Option<Beginning> {
        let mut pours = self.snapshot.beds.iter().flat_map(|bed| &bed.pours);
        pours
            .find(|known| known.pour == pour)
            .and_then(Beginning::of)
    }

    /// An act as typed on the command line.
    pub fn act(
        &self,
        desk: &Desk,
        pour: &str,
        args: &ActArgs,
        body: ActBody,
    ) -> anyhow::Result<Act> {
        Ok(Act {
            id: args.id.unwrap_or_else(Uuid::now_v7),
            version: ACT_VERSION,
            recorded_at: None,
            happened_at: self.past("at", &args.at, self.beginning(pour).as_ref())?,
            by: desk.by()?,
            why: args.why.clone(),
            accept: args.accept.clone(),
            pour: pour.to_owned(),
            body,
        })
    }
}

/// Data, on stdout.
pub fn print(text: &str) -> std::io::Result<()> {
    std::io::stdout().write_all(text.as_bytes())
}

/// Talk, on stderr; where that is closed there is nobody to tell.
pub fn talk(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}
