//! The night so far on a grid that ends now: what was read at each position, of the air, of the yard.

use crate::forecast::concrete::SensorPlace;
use crate::grid::{Grid, STEP_H};
use crate::time::{MS_PER_H, UtcMs};

/// The fit looks back this far, h.
const LOOK_BACK_H: f64 = 40.0;
/// The model starts this long after placement, h: mixing and placing are over.
const START_H: f64 = 0.35;
/// Readings further apart than this are a gap that the heat balance bridges, h.
pub(crate) const GAP_H: f64 = 0.5;
/// Air must have been read in this share of the steps, and last within this time, h.
const AIR_SHARE_MIN: f64 = 0.6;
const STALE_H: f64 = 1.0;
/// The trend is taken over this many steps …
const TREND_STEP_COUNT: usize = 6;
/// … and needs means in this many of them.
const TREND_COUNT_MIN: usize = 4;
/// The yard where nothing reads it, °C, and how far that may be off.
const YARD_C: f64 = 12.0;
const YARD_SD_C: f64 = 6.0;
/// The air over a bed before its heat is on tells of the yard, °C above it, and how well.
const OPEN_BED_H: f64 = 1.0;
const OPEN_BED_ABOVE_C: f64 = 2.0;
const OPEN_BED_SD_C: f64 = 4.0;

pub(crate) type Path = [(UtcMs, f64)];

/// One position's part of the night.
pub(crate) struct Track {
    /// The point at which the model of its concrete starts.
    pub(crate) start: usize,
    /// Hours since its age began, there.
    pub(crate) elapsed_h: f64,
    /// Its temperature there, where it was read; else what the others read.
    pub(crate) start_c: f64,
    /// One per point from `start` on.
    pub(crate) read_c: Vec<Option<f64>>,
    pub(crate) place: SensorPlace,
}

/// The night so far, at points one step apart, the last of them now.
pub(crate) struct Past {
    pub(crate) grid: Grid,
    /// Empty where the air was not read well enough.
    pub(crate) air_c: Vec<f64>,
    pub(crate) yard_c: Vec<f64>,
    pub(crate) yard_sd_c: f64,
    pub(crate) tracks: Vec<Track>,
}

/// What a track is made from.
pub(crate) struct TrackSource<'a> {
    pub(crate) readings: &'a Path,
    pub(crate) zero_at: UtcMs,
    pub(crate) placed_at: UtcMs,
    pub(crate) place: SensorPlace,
}

impl Past {
    pub(crate) fn new(
        sources: &[TrackSource<'_>],
        (enclosure, ambient): (&Path, &Path),
        fresh_c: Option<f64>,
        now: UtcMs,
    ) -> Self {
        let first = sources.iter().map(|one| one.placed_at).min().unwrap_or(now);
        let back_h = now.hours_since(first).clamp(0.0, LOOK_BACK_H);
        let step_count = (back_h / STEP_H).floor() as usize;
        let from = now.plus_hours(-STEP_H * step_count as f64);
        let grid = Grid::new(from, step_count + 1);
        let (yard_c, yard_sd_c) = yard(ambient, enclosure, grid, now);
        let mut past = Self {
            grid,
            air_c: air(enclosure, grid, now),
            yard_c,
            yard_sd_c,
            tracks: Vec::new(),
        };
        past.tracks = sources.iter().map(|one| past.track(one, now)).collect();
        past.start_unread(fresh_c);
        past
    }

    fn track(&self, source: &TrackSource<'_>, now: UtcMs) -> Track {
        let begins_at = source.placed_at.max(source.zero_at).plus_hours(START_H);
        let place = (begins_at.hours_since(self.grid.from) / STEP_H)
            .ceil()
            .max(0.0) as usize;
        let start = place.min(self.grid.count - 1);
        let start_at = self.grid.at(start);
        let mut read_c = self.grid.means(source.readings).split_off(start);
        if let Some(last) = read_c.last_mut()
            && last.is_some()
        {
            *last = temperature_now_c(source.readings, now).or(*last);
        }
        let soon = (1.0 / STEP_H) as usize;
        let start_c = read_c.iter().take(soon).flatten().next().copied();
        Track {
            start,
            elapsed_h: start_at.hours_since(source.zero_at).max(0.0),
            start_c: start_c.unwrap_or(f64::NAN),
            read_c,
            place: source.place,
        }
    }

    /// Where nothing was read at the start, the concrete was as warm as the others', or as it came.
    fn start_unread(&mut self, fresh_c: Option<f64>) {
        let known: Vec<f64> = self
            .tracks
            .iter()
            .map(|one| one.start_c)
            .filter(|value| !value.is_nan())
            .collect();
        let mean_c = known.iter().sum::<f64>() / known.len() as f64;
        for track in self.tracks.iter_mut().filter(|one| one.start_c.is_nan()) {
            let first_read = track.read_c.iter().flatten().next().copied();
            let assumed = if known.is_empty() {
                fresh_c.or(first_read)
            } else {
                Some(mean_c)
            };
            track.start_c = assumed.unwrap_or(YARD_C + 8.0);
        }
    }

    pub(crate) fn has_air(&self) -> bool {
        !self.air_c.is_empty()
    }

    pub(crate) fn yard_now_c(&self) -> f64 {
        self.yard_c.last().copied().unwrap_or(YARD_C)
    }
}

/// The air at each point; nothing where it was read too little or too long ago.
fn air(enclosure: &Path, grid: Grid, now: UtcMs) -> Vec<f64> {
    if enclosure
        .last()
        .is_none_or(|last| now.hours_since(last.0) > STALE_H)
    {
        return Vec::new();
    }
    let means = grid.means(enclosure);
    if (means.iter().flatten().count() as f64) < AIR_SHARE_MIN * grid.count as f64 {
        return Vec::new();
    }
    filled(&means).unwrap_or_default()
}

/// The yard at each point, and how far its last value may be off.
fn yard(ambient: &Path, enclosure: &Path, grid: Grid, now: UtcMs) -> (Vec<f64>, f64) {
    if let (Some(last), Some(values)) = (ambient.last(), filled(&grid.means(ambient))) {
        return (values, 0.5 + 0.3 * now.hours_since(last.0).max(0.0).sqrt());
    }
    let open = enclosure
        .first()
        .map(|first| first.0.plus_hours(OPEN_BED_H));
    let coolest = open.and_then(|until| {
        let end = enclosure.partition_point(|one| one.0 <= until);
        enclosure[..end].iter().map(|one| one.1).reduce(f64::min)
    });
    match coolest {
        Some(coolest_c) => (
            vec![coolest_c - OPEN_BED_ABOVE_C; grid.count],
            OPEN_BED_SD_C,
        ),
        None => (vec![YARD_C; grid.count], YARD_SD_C),
    }
}

/// The means with what is missing put in: a straight line between neighbours, held at the ends.
pub(crate) fn filled(means: &[Option<f64>]) -> Option<Vec<f64>> {
    let known: Vec<(usize, f64)> = means
        .iter()
        .enumerate()
        .filter_map(|(index, mean)| mean.map(|value| (index, value)))
        .collect();
    let first = *known.first()?;
    let mut values = vec![first.1; means.len()];
    for pair in known.windows(2) {
        let [(from, from_c), (to, to_c)] = [pair[0], pair[1]];
        for (index, value) in values.iter_mut().enumerate().take(to + 1).skip(from) {
            *value = from_c + (to_c - from_c) * (index - from) as f64 / (to - from) as f64;
        }
    }
    let last = *known.last()?;
    values[last.0..].fill(last.1);
    Some(values)
}

/// The median of all slopes between the step means of the last hour, °C/h.
///
/// A median, because one bad reading must not bend the night.
pub(crate) fn trend_c_per_h(readings: &Path, now: UtcMs) -> Option<f64> {
    let from = now.plus_hours(-STEP_H * (TREND_STEP_COUNT as f64 - 0.5));
    let grid = Grid::new(from, TREND_STEP_COUNT);
    let means = grid.means(readings);
    let known: Vec<(usize, f64)> = means
        .iter()
        .enumerate()
        .filter_map(|(index, mean)| Some((index, (*mean)?)))
        .collect();
    if known.len() < TREND_COUNT_MIN {
        return None;
    }
    let mut slopes = Vec::new();
    for (index, early) in known.iter().enumerate() {
        for late in &known[index + 1..] {
            slopes.push((late.1 - early.1) / ((late.0 - early.0) as f64 * STEP_H));
        }
    }
    slopes.sort_by(f64::total_cmp);
    Some(slopes[slopes.len() / 2])
}

/// The temperature now: the mean of the last ten minutes read, carried on by the trend.
pub(crate) fn temperature_now_c(readings: &Path, now: UtcMs) -> Option<f64> {
    let last_at = readings.last()?.0;
    let begin = last_at.plus_hours(-STEP_H);
    let start = readings.partition_point(|one| one.0 < begin);
    let within = &readings[start..];
    let count = within.len() as f64;
    let mean_c = within.iter().map(|one| one.1).sum::<f64>() / count;
    let ago_h = within
        .iter()
        .map(|one| (now.0 - one.0.0) as f64)
        .sum::<f64>()
        / count
        / MS_PER_H;
    let trend = trend_c_per_h(readings, now).unwrap_or(0.0);
    // A trend is trusted for an hour at most.
    Some(mean_c + trend * ago_h.clamp(0.0, 1.0))
}
