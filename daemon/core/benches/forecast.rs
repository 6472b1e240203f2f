//! How long a forecast takes: one pour of sixteen positions a day ahead, and forty beds of them.

mod measure;
#[path = "../tests/support/mod.rs"]
mod support;

use std::io::Write as _;
use std::time::Instant;

use daemon_core::act::{ActBody, HeatPlan, Position, Section};
use daemon_core::ahead::AheadLimits;
use daemon_core::estimate::ReadyCurve;
use daemon_core::forecast::{KnownAt, KnownCurveUse, KnownPosition, forecast, forecast_and_ahead};
use daemon_core::habits::Habits;
use daemon_core::pour::PourRecord;
use daemon_core::time::UtcMs;
use measure::{median_ms, ran};
use support::{act, at, config, opened};

const BED_COUNT: usize = 40;
const POSITION_COUNT: usize = 16;
/// Asked six hours into a cold night, so that most futures run for about a day.
const ASKED_MINUTE: i64 = 6 * 60;
const RUN_COUNT: usize = 15;
/// So many in a row are one time: a system may count a thread's time in steps of 4 ms.
const ROW_COUNT: usize = 20;

fn record() -> PourRecord {
    let mut facts = opened();
    facts.positions = (0..POSITION_COUNT)
        .map(|index| Position {
            id: format!("P{index}"),
            station_m: 5.0 * index as f64 + 2.0,
            place: "stem".to_owned(),
            depth_mm: Some(60.0),
        })
        .collect();
    facts.section = Some(Section {
        name: "stem".to_owned(),
        thickness_mm: Some(150.0),
    });
    facts.heat_plan = Some(HeatPlan {
        on_at: Some(at(4 * 60)),
        rise_c_per_h: Some(10.0),
        soak_c: Some(32.0),
        off_at: Some(at(20 * 60)),
    });
    facts.wanted_release_at = Some(at(32 * 60));
    let opening = act(1, 1, ActBody::PourOpened(Box::new(facts)));
    let pour = opening.pour.clone();
    let mut pours = PourRecord::fold([&opening]);
    pours
        .remove(&pour)
        .unwrap_or_else(|| unreachable!("the pour was opened"))
}

/// Readings each minute of concrete that slowly warms.
fn path(offset_c: f64, c_per_h: f64) -> Vec<(UtcMs, f64)> {
    (0..=ASKED_MINUTE)
        .map(|minute| {
            let ripple = 0.05 * ((minute * 7) % 5) as f64;
            (
                at(minute),
                18.0 + offset_c + c_per_h * minute as f64 / 60.0 + ripple,
            )
        })
        .collect()
}

fn main() -> std::io::Result<()> {
    let (record, config) = (record(), config());
    let curve = ReadyCurve::new(&config.curves[0], &config.estimate);
    let range = curve.prepared.range();
    // What this concrete has about a day later, at some 30 °C.
    let maturity = 22.0 * curve.maturity.rate(30.0);
    let required_mpa = curve
        .prepared
        .strength_at(maturity.clamp(range.maturity_min, range.maturity_max));
    let paths: Vec<_> = (0..POSITION_COUNT)
        .map(|index| path(0.1 * index as f64, 0.8))
        .collect();
    let enclosure = path(4.0, 1.2);
    let now = at(ASKED_MINUTE);
    let habits = Habits::of(&record, std::iter::empty(), now);
    let known = KnownAt {
        units: config.units,
        record: &record,
        curve: Some(KnownCurveUse {
            prepared: &curve.prepared,
            maturity: curve.maturity,
        }),
        position_count: POSITION_COUNT,
        positions: paths
            .iter()
            .enumerate()
            .map(|(index, path)| KnownPosition {
                index,
                required_mpa: Some(required_mpa),
                catches_up_at: None,
                time_zero_at: Some(at(0)),
                temperatures: path,
                believed: true,
                reads_air: false,
            })
            .collect(),
        enclosure: &enclosure,
        ambient: &[],
        breaks: &[],
        habits: &habits,
        pour_cv: config.estimate.pour_cv,
        load_cv: config.estimate.load_cv,
        break_probability: config.release.break_probability,
        limits: AheadLimits::default(),
    };
    let time = |count: usize, look: &dyn Fn()| {
        let times = (0..RUN_COUNT).map(|_| {
            let (began_at, ran_before) = (Instant::now(), ran());
            (0..count).for_each(|_| look());
            let on_core = ran().zip(ran_before).map(|(after, before)| after - before);
            on_core.unwrap_or_else(|| began_at.elapsed())
        });
        median_ms(times.collect())
    };
    let one = |look: &dyn Fn()| time(ROW_COUNT, look) / ROW_COUNT as f64;
    let release = || {
        std::hint::black_box(forecast(std::hint::black_box(&known), now));
    };
    let night = || {
        std::hint::black_box(forecast_and_ahead(std::hint::black_box(&known), now));
    };
    let told = forecast(&known, now);
    let ahead_h = told.likely_at.map_or(f64::NAN, |at| at.hours_since(now));
    let mut out = std::io::stdout();
    writeln!(
        out,
        "{POSITION_COUNT} positions, likely {ahead_h:.1} h ahead, medians of {RUN_COUNT}:"
    )?;
    writeln!(out, "one pour: {:.2} ms (aim 5)", one(&release))?;
    writeln!(out, "one pour with the night ahead: {:.2} ms", one(&night))?;
    let beds_ms = time(BED_COUNT, &release);
    writeln!(out, "{BED_COUNT} beds: {beds_ms:.1} ms (aim 200)")
}
