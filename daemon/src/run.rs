//! The daemon put together: store, sources, loop and HTTP, until it is told to stop.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::Context;
use daemon_http::serve;
use daemon_sources::{spawn_mqtt, spawn_serial};
use daemon_store::{OpenOptions, StoreHandle, Writer};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::clock::PlantClock;
use crate::config::PlantFile;
use crate::curve_watch::CurveWatch;
use crate::door::LiveDoor;
use crate::event_loop::{EventLoop, Inputs};
use crate::live::Live;
use crate::notify::spawn_status;
use crate::source_book::SourceBook;

/// What the caller brings.
pub struct Parts {
    pub plant: PlantFile,
    pub data_dir: PathBuf,
    pub listener: TcpListener,
    pub clock: PlantClock,
}

/// Runs the daemon until `stop` is cancelled.
///
/// # Errors
/// What keeps it from starting, or that its store or its listener died.
pub async fn run(parts: Parts, stop: CancellationToken) -> anyhow::Result<()> {
    let Parts {
        plant,
        data_dir,
        listener,
        clock,
    } = parts;
    let options = OpenOptions {
        simulated_clock: clock.is_simulated,
    };
    let writer = Writer::open(&data_dir, options)?;
    let store = StoreHandle::spawn(writer)?;
    let live = Arc::new(Live::new(&plant, data_dir, clock));
    let (requests_out, requests) = mpsc::unbounded_channel();
    let (sources_out, sources) = mpsc::unbounded_channel();
    let mut book = SourceBook::default();
    for source in &plant.serial {
        book.add(&source.name, "serial");
    }
    for source in &plant.mqtt {
        for name in source.source_names() {
            book.add(&name, "mqtt");
        }
    }
    let status = plant.notify.status.clone();
    let inputs = Inputs {
        sources,
        requests,
        stop: stop.clone(),
        notify: plant.notify,
        curves: CurveWatch::new(plant.curves_watched, plant.curves_read_every),
    };
    let mut event_loop = EventLoop::resume(Arc::clone(&live), store, book, inputs)?;
    event_loop.keep_documents(plant.documents);
    event_loop.look().await;

    let mut tasks = Vec::new();
    for source in plant.serial {
        let (events, stop) = (sources_out.clone(), stop.clone());
        tasks.push(spawn_serial(source, clock.for_sources(), events, stop));
    }
    for source in plant.mqtt {
        let (events, stop) = (sources_out.clone(), stop.clone());
        tasks.push(spawn_mqtt(source, clock.for_sources(), events, stop));
    }
    if let Some(status) = status {
        let live = Arc::clone(&live);
        tasks.push(spawn_status(status, live, stop.clone()));
    }
    let turning = tokio::spawn(event_loop.run());
    let door = Arc::new(LiveDoor::new(live, requests_out));
    let serving = tokio::spawn(serve(listener, door, stop.clone()));

    // Whichever ends first takes the others with it.
    let _end_all = stop.clone().drop_guard();
    let ended = turning.await;
    stop.cancel();
    for task in tasks {
        task.await.context("a source or the publisher failed")?;
    }
    let store = ended.context("the event loop failed")??;
    serving
        .await
        .context("the HTTP server failed")?
        .context("the HTTP server failed")?;
    tokio::task::spawn_blocking(move || store.finish())
        .await
        .context("the store failed")??;
    tracing::info!("stopped");
    Ok(())
}
