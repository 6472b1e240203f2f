//! The daemon behind its HTTP door: reads answer from what is known, acts go through the loop.

use std::io::{self, Write};
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::alarm::{AlarmHistory, AlarmsAnswer};
use daemon_api::channel::ChannelsAnswer;
use daemon_api::effect::RecordEntry;
use daemon_api::event::PlantEvent;
use daemon_api::mix::{BreaksAnswer, MixesAnswer};
use daemon_api::plan::PlanAnswer;
use daemon_api::reading::{Backfill, BackfillAnswer};
use daemon_api::series::SeriesAnswer;
use daemon_api::shift::ShiftLog;
use daemon_api::{Act, ActAnswer, BedView, PlantSnapshot, PourView, Problem, ProblemKind};
use daemon_core::plant::Plant;
use daemon_core::say;
use daemon_core::time::UtcMs;
use daemon_http::{Answer, Door, TextPieces, one_piece};
use daemon_store::{Reader, TIME_MS_MAX, TIME_MS_MIN};
use futures_util::StreamExt;
use tokio::sync::{broadcast, mpsc, oneshot};

use crate::act_text::Said;
use crate::channels::channels;
use crate::config::nearest_hint;
use crate::convert;
use crate::convert::mix::mixes;
use crate::convert::watch::recorded;
use crate::convert::{utc, view};
use crate::event_loop::{Request, finished_view};
use crate::history::{plant_at, plant_for_pour};
use crate::live::Live;
use crate::mix_breaks::mix_breaks;
use crate::series::series;
use crate::state_line::state_lines;
use crate::watch::{plan, shift_log};

/// A shift is asked back over and planned ahead for this long, h.
const SHIFT_H: i64 = 12;
/// Movements of channels are counted over this long unless a moment is given, h.
const MOVED_WITHIN_H: f64 = 10.0 / 60.0;
/// Bytes of an export handed on at a time …
const PIECE_BYTES: usize = 64 * 1024;
/// … and pieces that wait for a slow client.
const PIECES_WAITING_MAX: usize = 8;

/// The daemon as HTTP sees it.
pub struct LiveDoor {
    live: Arc<Live>,
    requests: mpsc::UnboundedSender<Request>,
}

impl LiveDoor {
    #[must_use]
    pub fn new(live: Arc<Live>, requests: mpsc::UnboundedSender<Request>) -> Self {
        Self { live, requests }
    }

    /// Runs a computation beside the workers that serve other requests.
    async fn compute<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Live) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let live = Arc::clone(&self.live);
        let done = tokio::task::spawn_blocking(move || work(&live)).await;
        done.unwrap_or_else(|error| {
            tracing::error!("an answer failed: {error}");
            let detail = "The answer failed inside the daemon; its log says why.";
            Err(Problem::new(
                ProblemKind::StoreUnavailable,
                "answer-failed",
                detail,
            ))
        })
    }

    async fn ask<T>(
        &self,
        request: impl FnOnce(oneshot::Sender<Result<T, Problem>>) -> Request,
    ) -> Result<T, Problem> {
        let (answer, answered) = oneshot::channel();
        let stopping = || {
            let detail =
                "The daemon is stopping and may not have recorded it; send the same again.";
            Problem::new(ProblemKind::Stopping, "stopping", detail)
        };
        self.requests
            .send(request(answer))
            .map_err(|_| stopping())?;
        answered.await.map_err(|_| stopping())?
    }
}

impl Door for LiveDoor {
    fn snapshot(&self) -> Answer<'_, PlantSnapshot> {
        Box::pin(async { Ok(self.live.snapshot()) })
    }

    fn bed(&self, bed: String) -> Answer<'_, BedView> {
        Box::pin(async move {
            let published = self.live.published();
            let known: Vec<&str> = published
                .beds
                .iter()
                .map(|view| view.bed.as_str())
                .collect();
            match published.beds.iter().find(|view| view.bed == bed) {
                Some(view) => Ok(view.clone()),
                None => Err(not_found("bed", &bed, &known)),
            }
        })
    }

    fn pour(&self, pour: String) -> Answer<'_, PourView> {
        Box::pin(self.compute(move |live| {
            let now = live.clock.now();
            {
                let plant = live.plant();
                let record = plant
                    .pours()
                    .get(&pour)
                    .ok_or_else(|| no_pour(&plant, &pour))?;
                if record.is_on_bed() {
                    let judged = plant.assess_pour(&pour, now);
                    let judged = judged.ok_or_else(|| no_pour(&plant, &pour))?;
                    return Ok(view::pour(&plant, &judged));
                }
            }
            finished_view(live, &pour, now).ok_or_else(unreadable)
        }))
    }

    fn series(&self, pour: String, points: usize) -> Answer<'_, SeriesAnswer> {
        Box::pin(self.compute(move |live| {
            let now = live.clock.now();
            {
                let plant = live.plant();
                let record = plant
                    .pours()
                    .get(&pour)
                    .ok_or_else(|| no_pour(&plant, &pour))?;
                if record.is_on_bed() {
                    let answer = series(&plant, &pour, now, points);
                    return answer.ok_or_else(|| no_pour(&plant, &pour));
                }
            }
            let plant = plant_for_pour(&live.data_dir, live.config_now(), live.learned(), &pour);
            let plant = plant.map_err(|error| logged(&error.into()))?;
            series(&plant, &pour, now, points).ok_or_else(unreadable)
        }))
    }

    fn acts(&self, pour: Option<String>) -> Answer<'_, Vec<Act>> {
        Box::pin(async move {
            let acts = self.live.acts();
            let all = acts.in_order().iter().map(|act| &act.wire);
            let Some(pour) = pour else {
                return Ok(all.cloned().collect());
            };
            let plant = self.live.plant();
            if !plant.pours().contains_key(&pour) {
                return Err(no_pour(&plant, &pour));
            }
            Ok(all.filter(|act| act.pour == pour).cloned().collect())
        })
    }

    fn record(&self, pour: Option<String>) -> Answer<'_, Vec<RecordEntry>> {
        Box::pin(self.compute(move |live| {
            let plant = live.plant();
            if let Some(pour) = &pour
                && !plant.pours().contains_key(pour)
                && !live
                    .acts()
                    .in_order()
                    .iter()
                    .any(|act| act.wire.pour == *pour)
            {
                return Err(no_pour(&plant, pour));
            }
            let acts = live.acts();
            let said = Said::of(acts.in_order(), plant.config().units, live.zone());
            let asked = acts.in_order().iter().filter(|act| {
                let pour = pour.as_ref();
                pour.is_none_or(|pour| act.wire.pour == *pour)
            });
            Ok(asked.map(|act| said.entry(act)).collect())
        }))
    }

    fn would(&self, act: Act) -> Answer<'_, ActAnswer> {
        Box::pin(self.compute(move |live| would(live, act)))
    }

    fn act(&self, act: Act) -> Answer<'_, ActAnswer> {
        let act = Box::new(act);
        Box::pin(self.ask(|answer| Request::Act { act, answer }))
    }

    fn backfill(&self, backfill: Backfill) -> Answer<'_, BackfillAnswer> {
        Box::pin(self.ask(|answer| Request::Backfill { backfill, answer }))
    }

    fn alarms(&self) -> Answer<'_, AlarmsAnswer> {
        Box::pin(async {
            let published = self.live.published();
            Ok(AlarmsAnswer {
                now: utc(self.live.clock.now()),
                alarms: published.alarms.clone(),
                rang_last_hour: published.rang_last_hour,
            })
        })
    }

    fn alarm_history(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, AlarmHistory> {
        Box::pin(self.compute(move |live| {
            let (from, to) = window(live, from, to)?;
            let reader = Reader::open(&live.data_dir).map_err(|error| logged(&error.into()))?;
            shift_log::alarm_history(&reader, from, to).map_err(|error| logged(&error.into()))
        }))
    }

    fn plan(&self) -> Answer<'_, PlanAnswer> {
        Box::pin(self.compute(|live| Ok(plan_now(live))))
    }

    fn channels(&self, since: Option<DateTime<Utc>>) -> Answer<'_, ChannelsAnswer> {
        Box::pin(self.compute(move |live| {
            let now = live.clock.now();
            let since = since.map_or_else(|| now.plus_hours(-MOVED_WITHIN_H), UtcMs::from);
            if since > now {
                let detail = "`since` is still to come: give a moment that has passed.";
                return Err(Problem::new(ProblemKind::Invalid, "since-to-come", detail));
            }
            Ok(channels(&live.plant(), since, now))
        }))
    }

    fn mixes(&self) -> Answer<'_, MixesAnswer> {
        Box::pin(self.compute(|live| {
            let troubles = live.published().troubles.clone();
            Ok(mixes(&live.plant(), &troubles, live.clock.now()))
        }))
    }

    fn mix_breaks(&self, mix: String, from: Option<DateTime<Utc>>) -> Answer<'_, BreaksAnswer> {
        Box::pin(self.compute(move |live| {
            {
                let plant = live.plant();
                let mixes = plant.config().mixes.iter();
                let known: Vec<&str> = mixes.map(|one| one.id.as_str()).collect();
                if !known.contains(&mix.as_str()) {
                    return Err(not_found("mix", &mix, &known));
                }
            }
            let breaks = mix_breaks(live, &mix, from.map(UtcMs::from));
            breaks.map_err(|error| logged(&error.into()))
        }))
    }

    fn shift_log(
        &self,
        from: Option<DateTime<Utc>>,
        to: Option<DateTime<Utc>>,
    ) -> Answer<'_, ShiftLog> {
        Box::pin(self.compute(move |live| {
            let (from, to) = window(live, from, to)?;
            let reader = Reader::open(&live.data_dir).map_err(|error| logged(&error.into()))?;
            let entries = {
                let (plant, acts) = (live.plant(), live.acts());
                let said = Said::of(acts.in_order(), plant.config().units, live.zone());
                shift_log::entries(&reader, &plant, &said, from, to)
            };
            let plan = plan_now(live);
            let shift_ends = plan.now + TimeDelta::hours(SHIFT_H);
            Ok(ShiftLog {
                from_at: utc(from),
                to_at: utc(to),
                entries: entries.map_err(|error| logged(&error.into()))?,
                stands: live.published().troubles.clone(),
                next: plan::due_before(&plan, shift_ends),
            })
        }))
    }

    fn state_lines(&self, at: Option<DateTime<Utc>>) -> Answer<'_, String> {
        Box::pin(self.compute(move |live| {
            let at = at.map_or_else(|| live.clock.now(), UtcMs::from);
            let plant = plant_at(&live.data_dir, live.config_now(), live.learned(), at);
            let plant = plant.map_err(|error| logged(&error.into()))?;
            state_lines(&plant, at).map_err(|error| logged(&error.into()))
        }))
    }

    fn readings_csv(&self) -> Answer<'_, TextPieces> {
        Box::pin(async {
            let (pieces, received) = mpsc::channel(PIECES_WAITING_MAX);
            let dir = self.live.data_dir.clone();
            tokio::task::spawn_blocking(move || {
                let mut writer = PieceWriter {
                    buffer: Vec::new(),
                    pieces: pieces.clone(),
                };
                let written = Reader::open(&dir)
                    .and_then(|reader| {
                        reader.export_readings_csv(&mut writer, TIME_MS_MIN..TIME_MS_MAX)
                    })
                    .map_err(io::Error::other)
                    .and_then(|_| writer.flush());
                if let Err(error) = written {
                    // A client that hung up is no fault; the send then fails too.
                    let _ = pieces.blocking_send(Err(error));
                }
            });
            let stream = futures_util::stream::unfold(received, |mut received| async {
                received.recv().await.map(|piece| (piece, received))
            });
            Ok(stream.boxed())
        })
    }

    fn acts_jsonl(&self) -> Answer<'_, TextPieces> {
        Box::pin(async {
            let acts = self.live.acts();
            let lines: String = acts
                .in_order()
                .iter()
                .flat_map(|act| [&act.json, "\n"])
                .collect();
            Ok(one_piece(lines))
        })
    }

    fn subscribe(&self) -> broadcast::Receiver<Arc<PlantEvent>> {
        self.live.subscribe()
    }

    fn heartbeat(&self) -> PlantEvent {
        self.live.heartbeat()
    }
}

/// What an act would change if it were recorded now.
fn would(live: &Live, mut act: Act) -> Result<ActAnswer, Problem> {
    let newest = live
        .acts()
        .in_order()
        .last()
        .map(|act| act.core.recorded_at);
    let now = live.clock.now();
    let recorded_at = newest.map_or(now, |newest| now.max(UtcMs(newest.0 + 1)));
    act.recorded_at = Some(utc(recorded_at));
    let core = convert::act::act(&act).map_err(|error| {
        Problem::new(ProblemKind::Invalid, "version-unknown", error.to_string())
    })?;
    // Before the plant is held: whoever reads it twice may wait for whoever writes between.
    let understood = live.understood(&act);
    let plant = live.plant();
    let weighed = plant.weigh(&core, recorded_at);
    let weighed = weighed.map_err(|refusal| convert::act::refusal(&refusal))?;
    let changes = plant.would(&core, recorded_at);
    Ok(ActAnswer {
        id: act.id,
        recorded_at: utc(recorded_at),
        understood,
        cautions: weighed.cautions,
        dry_run: true,
        odd: convert::act::odd(&weighed.odd),
        effect: Some(Box::new(convert::effect::effect(&core, &changes))),
        ..ActAnswer::default()
    })
}

/// From when to when is asked: the last hours where nothing is said.
fn window(
    live: &Live,
    from: Option<DateTime<Utc>>,
    to: Option<DateTime<Utc>>,
) -> Result<(UtcMs, UtcMs), Problem> {
    // What is said in this very millisecond belongs to the answer.
    let to = to.map_or_else(|| UtcMs(live.clock.now().0 + 1), UtcMs::from);
    let from = from.map_or_else(|| to.plus_hours(-(SHIFT_H as f64)), UtcMs::from);
    if from < to {
        return Ok((from, to));
    }
    let detail = "`from` is not before `to`: exchange them.";
    Err(Problem::new(
        ProblemKind::Invalid,
        "window-backwards",
        detail,
    ))
}

fn plan_now(live: &Live) -> PlanAnswer {
    let now = live.clock.now();
    let plant = live.plant();
    let assessment = plant.assess(now);
    let alarms = live.published().alarms.clone();
    let alarms: Vec<_> = alarms.into_iter().filter_map(recorded).collect();
    plan::plan(&plant, &assessment.pours, &alarms, now)
}

/// Hands text on in pieces of whole lines, as the export writes them.
struct PieceWriter {
    buffer: Vec<u8>,
    pieces: mpsc::Sender<io::Result<String>>,
}

impl Write for PieceWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= PIECE_BYTES {
            self.send_whole_lines()?;
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.send_whole_lines()
    }
}

impl PieceWriter {
    fn send_whole_lines(&mut self) -> io::Result<()> {
        let Some(end) = self.buffer.iter().rposition(|byte| *byte == b'\n') else {
            return Ok(());
        };
        let rest = self.buffer.split_off(end + 1);
        let lines = std::mem::replace(&mut self.buffer, rest);
        let text = String::from_utf8(lines).map_err(io::Error::other)?;
        let gone = || io::Error::new(io::ErrorKind::BrokenPipe, "the client has gone");
        self.pieces.blocking_send(Ok(text)).map_err(|_| gone())
    }
}

fn no_pour(plant: &Plant, pour: &str) -> Problem {
    let known: Vec<&str> = plant.pours().keys().map(String::as_str).collect();
    not_found("pour", pour, &known)
}

fn not_found(what: &str, name: &str, known: &[&str]) -> Problem {
    let hint = match known.len() {
        0..=20 => nearest_hint(name, known),
        _ => match nearest_hint(name, known) {
            hint if hint.starts_with("did") => hint,
            _ => "look at the plant for the names".to_owned(),
        },
    };
    let detail = say::ended(&format!("There is no {what} \"{name}\"; {hint}"));
    Problem::new(ProblemKind::NotFound, &format!("unknown-{what}"), detail)
}

fn unreadable() -> Problem {
    let detail = "The record of this pour cannot be read back now; the daemon's log says why.";
    Problem::new(ProblemKind::StoreUnavailable, "record-unreadable", detail)
}

fn logged(error: &anyhow::Error) -> Problem {
    tracing::error!("the record cannot be read back: {error:#}");
    unreadable()
}
