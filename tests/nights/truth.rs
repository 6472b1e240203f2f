//! What was true of each pour: when the curve and when the concrete reached what is required.

use std::collections::{BTreeMap, HashMap};
use std::fs;
use std::path::Path;

use calibration::CurveFile;
use chrono::{DateTime, Utc};
use serde_json::Value;

/// One pour of the simulated past.
#[derive(Debug)]
pub struct Pour {
    pub id: String,
    pub mix: String,
    /// What befell it, for tables by kind of night.
    pub kind: &'static str,
    /// When the curve on the true temperatures of the slowest position reaches what is required.
    pub curve_at: Option<DateTime<Utc>>,
    /// When the concrete of the slowest position itself does.
    pub concrete_at: Option<DateTime<Utc>>,
}

/// True temperature and strength of a position over time.
type Course = Vec<(DateTime<Utc>, f64, f64)>;

/// Reads a folder that `tarplight-sim history` wrote; pours in order of time.
pub fn read(dir: &Path) -> Result<Vec<Pour>, String> {
    let courses = courses(&text(dir, "truth.csv")?)?;
    let starts = position_starts(&text(dir, "pours.jsonl")?)?;
    let mut curves: HashMap<String, CurveFile> = HashMap::new();
    let mut pours = Vec::new();
    for line in text(dir, "nights.jsonl")?.lines() {
        let night: Value = serde_json::from_str(line).map_err(|error| error.to_string())?;
        let said = |key: &str| night[key].as_str().unwrap_or_default().to_owned();
        let (id, mix) = (said("pour"), said("mix"));
        let required_mpa = night["required_mpa"]
            .as_f64()
            .ok_or("a night without a required strength")?;
        if !curves.contains_key(&mix) {
            let file = CurveFile::parse(&text(dir, &format!("curves/{mix}.toml"))?)
                .map_err(|error| format!("{mix}: {error}"))?;
            curves.insert(mix.clone(), file);
        }
        let curve = &curves[&mix];
        let needed = curve
            .curve
            .maturity_at(required_mpa)
            .ok_or_else(|| format!("{mix}: the curve does not reach {required_mpa} MPa"))?;
        let positions = courses.get(&id).ok_or_else(|| format!("{id}: no truth"))?;
        let curve_at = slowest(positions.iter().map(|(position, course)| {
            let started_at = starts.get(&(id.clone(), position.clone()))?;
            let rates = course
                .iter()
                .map(|(at, temperature_c, _)| (*at, *temperature_c));
            let aged = aged(*started_at, rates, |from_c, to_c, hours| {
                curve.maturity.over_segment(from_c, to_c, hours)
            });
            crossing(aged, needed)
        }));
        let concrete_at = slowest(positions.values().map(|course| {
            let strengths = course
                .iter()
                .map(|(at, _, strength_mpa)| (*at, *strength_mpa));
            crossing(strengths, required_mpa)
        }));
        pours.push(Pour {
            kind: kind(&night),
            id,
            mix,
            curve_at,
            concrete_at,
        });
    }
    Ok(pours)
}

fn text(dir: &Path, name: &str) -> Result<String, String> {
    let path = dir.join(name);
    fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))
}

fn kind(night: &Value) -> &'static str {
    let faults: Vec<&str> = night["faults"]
        .as_array()
        .map(|faults| faults.iter().filter_map(Value::as_str).collect())
        .unwrap_or_default();
    let has = |names: &[&str]| faults.iter().any(|fault| names.contains(fault));
    if night["is_retarded"] == true {
        "retarded batch"
    } else if has(&["tarp-off", "boiler-trip"]) {
        "heat trouble"
    } else if has(&["stuck", "spike", "reads-air", "reads-steam", "cut-wire"]) {
        "sensor trouble"
    } else if faults.is_empty() {
        "ordinary"
    } else {
        "logger trouble"
    }
}

fn courses(text: &str) -> Result<HashMap<String, BTreeMap<String, Course>>, String> {
    let mut courses: HashMap<String, BTreeMap<String, Course>> = HashMap::new();
    for line in text.lines().skip(1) {
        let wrong = || format!("truth.csv: `{line}`");
        let cells: Vec<&str> = line.split(',').collect();
        let [at, pour, position, temperature_c, strength_mpa] = cells[..] else {
            return Err(wrong());
        };
        let row = (
            at.parse().map_err(|_| wrong())?,
            temperature_c.parse().map_err(|_| wrong())?,
            strength_mpa.parse().map_err(|_| wrong())?,
        );
        courses
            .entry(pour.to_owned())
            .or_default()
            .entry(position.to_owned())
            .or_default()
            .push(row);
    }
    Ok(courses)
}

/// When the concrete around each position was batched: the event the curves start from.
fn position_starts(acts: &str) -> Result<HashMap<(String, String), DateTime<Utc>>, String> {
    let acts: Vec<Value> = acts
        .lines()
        .map(|line| serde_json::from_str(line).map_err(|error| error.to_string()))
        .collect::<Result<_, String>>()?;
    let of = |act: &'static str| acts.iter().filter(move |one| one["act"] == act);
    let mut starts = HashMap::new();
    for opened in of("pour-opened") {
        let pour = opened["pour"].as_str().unwrap_or_default();
        let loads: Vec<&Value> = of("load-placed")
            .filter(|load| load["pour"] == pour)
            .collect();
        for position in opened["positions"].as_array().into_iter().flatten() {
            let station_m = position["station_m"].as_f64().unwrap_or_default();
            let around =
                |load: &&&Value| load["to_station_m"].as_f64().unwrap_or_default() > station_m;
            let load = loads.iter().find(around).or(loads.last());
            let batched_at = load
                .and_then(|load| load["batched_at"].as_str()?.parse().ok())
                .ok_or_else(|| format!("{pour}: no load at {station_m} m"))?;
            let id = position["id"].as_str().unwrap_or_default().to_owned();
            starts.insert((pour.to_owned(), id), batched_at);
        }
    }
    Ok(starts)
}

/// Maturity over time; before the first true temperature the concrete is as warm as then.
fn aged(
    started_at: DateTime<Utc>,
    mut temperatures: impl Iterator<Item = (DateTime<Utc>, f64)>,
    over_segment: impl Fn(f64, f64, f64) -> f64,
) -> impl Iterator<Item = (DateTime<Utc>, f64)> {
    let hours = |from: DateTime<Utc>, to: DateTime<Utc>| {
        (to - from).num_milliseconds() as f64 / 3_600_000.0
    };
    let mut age = 0.0;
    let mut last: Option<(DateTime<Utc>, f64)> = None;
    std::iter::from_fn(move || {
        let (at, temperature_c) = temperatures.next()?;
        let (from_at, from_c) = last.unwrap_or((started_at, temperature_c));
        age += over_segment(from_c, temperature_c, hours(from_at, at));
        last = Some((at, temperature_c));
        Some((at, age))
    })
}

/// When a growing value first reaches `needed`, between two rows by a straight line.
fn crossing(
    values: impl Iterator<Item = (DateTime<Utc>, f64)>,
    needed: f64,
) -> Option<DateTime<Utc>> {
    let mut last: Option<(DateTime<Utc>, f64)> = None;
    for (at, value) in values {
        if value >= needed {
            let Some((from_at, from)) = last else {
                return Some(at);
            };
            let share = (needed - from) / (value - from);
            let span_ms = (at - from_at).num_milliseconds() as f64 * share;
            return Some(from_at + chrono::TimeDelta::milliseconds(span_ms.round() as i64));
        }
        last = Some((at, value));
    }
    None
}

/// The latest of all; none when one never gets there.
fn slowest(crossings: impl Iterator<Item = Option<DateTime<Utc>>>) -> Option<DateTime<Utc>> {
    crossings.collect::<Option<Vec<_>>>()?.into_iter().max()
}
