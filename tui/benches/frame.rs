//! How long one frame takes: the yard and a bed at 140×45 with forty beds of sixteen positions.

#[path = "../tests/support/mod.rs"]
mod support;

use std::io::Write;
use std::time::{Duration, Instant};

use support::{Dashboard, LARGE, forty_beds};

const FRAME_COUNT: usize = 200;

fn median(dashboard: &mut Dashboard) -> Duration {
    let mut times: Vec<Duration> = (0..FRAME_COUNT)
        .map(|_| {
            let began_at = Instant::now();
            std::hint::black_box(dashboard.draw(LARGE));
            began_at.elapsed()
        })
        .collect();
    times.sort();
    times[FRAME_COUNT / 2]
}

fn main() -> std::io::Result<()> {
    let mut dashboard = Dashboard::of(forty_beds());
    let yard = median(&mut dashboard);
    dashboard.open_bed("B20");
    let bed = median(&mut dashboard);
    for (name, time) in [("yard", yard), ("bed", bed)] {
        writeln!(
            std::io::stdout(),
            "{name}: median of {FRAME_COUNT} frames at 140x45 with 40 beds: {:.3} ms",
            time.as_secs_f64() * 1000.0
        )?;
    }
    Ok(())
}
