//! Charts over time in braille with their own axes: a run without gaps is a line, a gap is empty.

use chrono::{DateTime, TimeDelta, Utc};
use daemon_api::act::ChannelRole;
use daemon_api::ahead::{AheadPoint, SpreadView};
use daemon_api::pour::PourView;
use daemon_api::series::{SeriesAnswer, SeriesPoint};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Style};
use ratatui::symbols::Marker;
use ratatui::widgets::Widget;
use ratatui::widgets::canvas::{Canvas, Line as Stroke};
use units::{Celsius, Megapascal, Show, UnitSystem};

use super::paint;
use crate::theme::Theme;
use crate::times::Zone;
use crate::words;

/// Dots of a fan's line over a whole chart.
const FAN_DOTS: f64 = 60.0;
/// Cells for the numbers at the left.
const SCALE_WIDTH: u16 = 6;
/// Cells for the names at the right.
const NAMES_WIDTH: u16 = 14;

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pen {
    Solid,
    /// For what is not the concrete itself.
    Dotted,
    /// For limits and required strengths.
    Dashed,
}

/// One gap-free run in shown units: seconds since the chart's start, lowest, highest.
struct Run {
    points: Vec<(f64, f64, f64)>,
    pen: Pen,
    style: Style,
}

/// How one fan is drawn.
struct Fan<'a> {
    spread: fn(&AheadPoint) -> SpreadView,
    shown: &'a dyn Fn(f64) -> f64,
    middle: Style,
    edge: Style,
}

/// A name at the right end of a line.
struct Label {
    value: f64,
    text: String,
    style: Style,
}

/// Everything on one chart.
struct Plot {
    title: String,
    from_at: DateTime<Utc>,
    span_s: f64,
    runs: Vec<Run>,
    labels: Vec<Label>,
}

impl Plot {
    /// From the answer's start to now, and on to where its fans end.
    fn new(title: String, answer: &SeriesAnswer) -> Self {
        let to_at = answer
            .ahead
            .last()
            .map_or(answer.to_at, |last| last.at.max(answer.to_at));
        Self {
            title,
            from_at: answer.from_at,
            span_s: seconds(to_at - answer.from_at).max(1.0),
            runs: Vec::new(),
            labels: Vec::new(),
        }
    }

    /// A fan from now on: low, middle and high as sparse dots, because none of it has been measured.
    fn fan(&mut self, answer: &SeriesAnswer, look: &Fan<'_>) {
        for (pick, style) in [
            ((|spread| spread.low) as fn(&SpreadView) -> f64, look.edge),
            (|spread| spread.middle, look.middle),
            (|spread| spread.high, look.edge),
        ] {
            let points: Vec<_> = answer
                .ahead
                .iter()
                .filter_map(|point| {
                    let value = (look.shown)(pick(&(look.spread)(point)));
                    value
                        .is_finite()
                        .then(|| (seconds(point.at - answer.from_at), value, value))
                })
                .collect();
            let points = filled_in(&points, self.span_s / FAN_DOTS);
            let pen = Pen::Dotted;
            self.runs.push(Run { points, pen, style });
        }
    }

    fn level(&mut self, value: f64, pen: Pen, text: String, style: Style) {
        let points = vec![(0.0, value, value), (self.span_s, value, value)];
        self.runs.push(Run { points, pen, style });
        self.labels.push(Label { value, text, style });
    }
}

/// Temperatures of every position and the enclosure, with the limits.
pub fn temperatures(
    buf: &mut Buffer,
    area: Rect,
    answer: &SeriesAnswer,
    pour: &PourView,
    zone: Zone,
    units: UnitSystem,
    theme: Theme,
) {
    let title = if answer.ahead.is_empty() {
        format!("temperature {}", Celsius::unit(units))
    } else {
        format!(
            "temperature {}, dotted ahead: coolest and hottest, 10 to 90 %",
            Celsius::unit(units)
        )
    };
    let mut plot = Plot::new(title, answer);
    let shown = |c: f64| Celsius(c).number(units);
    for spread in [
        (|point| point.coolest_c) as fn(&AheadPoint) -> SpreadView,
        |point| point.hottest_c,
    ] {
        let (middle, edge) = (theme.normal(), theme.quiet());
        let shown = &shown;
        plot.fan(
            answer,
            &Fan {
                spread,
                shown,
                middle,
                edge,
            },
        );
    }
    for series in &answer.series {
        let (pen, style, text) = temperature_look(series.role, &series.name, pour, theme);
        for run in &series.runs {
            let points: Vec<_> = run
                .iter()
                .filter(|point| point.low_c.is_finite() && point.high_c.is_finite())
                .map(|point| shown_point(point, answer.from_at, units))
                .collect();
            plot.runs.push(Run { points, pen, style });
        }
        let last = series.runs.iter().rev().find_map(|run| run.last());
        if let Some(last) = last {
            let value = Celsius(last.high_c).number(units);
            plot.labels.push(Label { value, text, style });
        }
    }
    let hottest = answer
        .series
        .iter()
        .filter(|series| series.role == ChannelRole::Concrete)
        .flat_map(|series| series.runs.iter().flatten())
        .map(|point| point.high_c)
        .fold(f64::NEG_INFINITY, f64::max);
    if let Some(limit_c) = pour.limits.concrete_c_max {
        let style = if hottest > limit_c {
            theme.bad()
        } else {
            theme.quiet()
        };
        let text = if hottest > limit_c {
            "max: EXCEEDED"
        } else {
            "max"
        };
        plot.level(
            Celsius(limit_c).number(units),
            Pen::Dashed,
            text.to_owned(),
            style,
        );
    }
    if let Some(limit_c) = pour.limits.concrete_c_min {
        plot.level(
            Celsius(limit_c).number(units),
            Pen::Dashed,
            "min".to_owned(),
            theme.quiet(),
        );
    }
    draw(buf, area, &plot, zone, theme);
}

fn temperature_look(
    role: ChannelRole,
    name: &str,
    pour: &PourView,
    theme: Theme,
) -> (Pen, Style, String) {
    match role {
        ChannelRole::Enclosure | ChannelRole::Ambient | ChannelRole::Specimen => {
            (Pen::Dotted, theme.quiet(), words::role(role).to_owned())
        }
        ChannelRole::Concrete => {
            let position = pour
                .positions
                .iter()
                .find(|position| position.position == name);
            if position.is_some_and(|position| !words::is_trusted(&position.trust)) {
                let verdict = position.map_or("", |position| position.trust.verdict.as_str());
                (
                    Pen::Solid,
                    theme.doubt(),
                    format!("{name} {}", verdict.replace('-', " ")),
                )
            } else if pour.governing_position.as_deref() == Some(name) {
                (Pen::Solid, theme.strong(), format!("{name} governs"))
            } else {
                (Pen::Solid, theme.normal(), name.to_owned())
            }
        }
    }
}

fn shown_point(point: &SeriesPoint, from_at: DateTime<Utc>, units: UnitSystem) -> (f64, f64, f64) {
    (
        seconds(point.at - from_at),
        Celsius(point.low_c).number(units),
        Celsius(point.high_c).number(units),
    )
}

/// Estimate and lower bound at the governing position against the required strength.
pub fn strength(
    buf: &mut Buffer,
    area: Rect,
    answer: &SeriesAnswer,
    pour: &PourView,
    zone: Zone,
    units: UnitSystem,
    theme: Theme,
) {
    let ahead = if answer.ahead.is_empty() {
        ""
    } else {
        ", dotted ahead"
    };
    let title = format!(
        "strength {}{ahead}: an estimate, only cylinders confirm",
        Megapascal::unit(units)
    );
    let mut plot = Plot::new(title, answer);
    plot.fan(
        answer,
        &Fan {
            spread: |point| point.strength_mpa,
            shown: &|mpa| Megapascal(mpa).number(units),
            middle: theme.normal(),
            edge: theme.quiet(),
        },
    );
    for (pick, pen, style, text) in [
        (
            (|point| point.estimate_mpa) as fn(&daemon_api::series::StrengthPoint) -> f64,
            Pen::Solid,
            theme.strong(),
            "estimate",
        ),
        (
            |point| point.lower_90_mpa,
            Pen::Dotted,
            theme.normal(),
            "lower bound",
        ),
    ] {
        let points: Vec<_> = answer
            .strength
            .iter()
            .filter(|point| pick(point).is_finite())
            .map(|point| {
                let value = Megapascal(pick(point)).number(units);
                (seconds(point.at - answer.from_at), value, value)
            })
            .collect();
        if let Some(&(_, value, _)) = points.last() {
            plot.labels.push(Label {
                value,
                text: text.to_owned(),
                style,
            });
        }
        plot.runs.push(Run { points, pen, style });
    }
    if let Some(required_mpa) = pour.release_strength_mpa {
        let value = Megapascal(required_mpa).number(units);
        plot.level(value, Pen::Dashed, "required".to_owned(), theme.quiet());
    }
    draw(buf, area, &plot, zone, theme);
}

/// The points with more between them, a step apart, so that sparse ones make a line of dots.
fn filled_in(points: &[(f64, f64, f64)], step_s: f64) -> Vec<(f64, f64, f64)> {
    let mut all = Vec::new();
    for pair in points.windows(2) {
        let [(from_s, from, _), (to_s, to, _)] = [pair[0], pair[1]];
        let mut at_s = from_s;
        while at_s < to_s {
            let value = from + (to - from) * (at_s - from_s) / (to_s - from_s);
            all.push((at_s, value, value));
            at_s += step_s;
        }
    }
    all.extend(points.last());
    all
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a night has few milliseconds beside 2^53"
)]
fn seconds(span: TimeDelta) -> f64 {
    span.num_milliseconds() as f64 / 1000.0
}

fn draw(buf: &mut Buffer, area: Rect, plot: &Plot, zone: Zone, theme: Theme) {
    if area.height < 5 || area.width < SCALE_WIDTH + NAMES_WIDTH + 10 {
        return;
    }
    paint::put(
        buf,
        area.x + 1,
        area.y,
        area.width - 1,
        &plot.title,
        theme.heading(),
    );
    let inner = Rect {
        x: area.x + SCALE_WIDTH,
        y: area.y + 1,
        width: area.width - SCALE_WIDTH - NAMES_WIDTH,
        height: area.height - 2,
    };
    let values = || {
        plot.runs
            .iter()
            .flat_map(|run| &run.points)
            .flat_map(|&(_, low, high)| [low, high])
    };
    let lowest = values().fold(f64::INFINITY, f64::min);
    let highest = values().fold(f64::NEG_INFINITY, f64::max);
    if !(lowest.is_finite() && highest.is_finite()) {
        paint::put(
            buf,
            inner.x,
            inner.y,
            inner.width,
            "nothing measured yet",
            theme.quiet(),
        );
        return;
    }
    let scale = Scale::around(lowest, highest, inner.height);
    draw_runs(buf, inner, plot, &scale);
    draw_values(buf, area, inner, &scale, theme);
    draw_times(buf, inner, plot, zone, theme);
    draw_labels(buf, inner, plot, &scale);
}

/// The value axis: round ends, a round step.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    fn around(lowest: f64, highest: f64, rows: u16) -> Self {
        let ticks = f64::from((rows / 3).max(2));
        let rough = ((highest - lowest) / ticks).max(1e-9);
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 2.5, 5.0, 10.0]
            .into_iter()
            // Labels are whole numbers, so a step of 2.5 itself would read wrong.
            .filter(|factor| power >= 10.0 || (factor - 2.5_f64).abs() > 0.1)
            .map(|factor| factor * power)
            .find(|step| *step >= rough)
            .unwrap_or(10.0 * power)
            .max(1.0);
        let low = (lowest / step).floor() * step;
        let high = (highest / step).ceil() * step;
        Self {
            low,
            high: if high > low { high } else { low + step },
            step,
        }
    }

    /// The row of a value, counted from the top of `inner`.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a fraction of a screen's height"
    )]
    fn row(&self, value: f64, inner: Rect) -> u16 {
        let fraction = ((self.high - value) / (self.high - self.low)).clamp(0.0, 1.0);
        inner.y + (fraction * f64::from(inner.height - 1)).round() as u16
    }
}

fn draw_runs(buf: &mut Buffer, inner: Rect, plot: &Plot, scale: &Scale) {
    let canvas = Canvas::default()
        .marker(Marker::Braille)
        .x_bounds([0.0, plot.span_s])
        .y_bounds([scale.low, scale.high])
        .paint(|context| {
            for run in &plot.runs {
                let color = run.style.fg.unwrap_or(Color::Reset);
                let dot_s = plot.span_s / f64::from(inner.width);
                for (x1, y1, x2, y2) in strokes(run, dot_s) {
                    context.draw(&Stroke {
                        x1,
                        y1,
                        x2,
                        y2,
                        color,
                    });
                }
            }
        });
    canvas.render(inner, buf);
}

/// The strokes of a run: from bucket to bucket, and from the lowest to the highest within one.
fn strokes(run: &Run, dot_s: f64) -> Vec<(f64, f64, f64, f64)> {
    let mut strokes = Vec::new();
    match run.pen {
        Pen::Solid => {
            for &(at, low, high) in &run.points {
                strokes.push((at, low, at, high));
            }
            for pair in run.points.windows(2) {
                let middle = |point: (f64, f64, f64)| f64::midpoint(point.1, point.2);
                strokes.push((pair[0].0, middle(pair[0]), pair[1].0, middle(pair[1])));
            }
        }
        Pen::Dotted => {
            let mut drawn_at = f64::NEG_INFINITY;
            for &(at, low, high) in &run.points {
                if at - drawn_at >= dot_s {
                    let value = f64::midpoint(low, high);
                    strokes.push((at, value, at, value));
                    drawn_at = at;
                }
            }
        }
        Pen::Dashed => {
            if let [(from, value, _), .., (to, ..)] = run.points[..] {
                let mut at = from;
                while at < to {
                    strokes.push((at, value, (at + 2.0 * dot_s).min(to), value));
                    at += 4.0 * dot_s;
                }
            }
        }
    }
    strokes
}

fn draw_values(buf: &mut Buffer, area: Rect, inner: Rect, scale: &Scale, theme: Theme) {
    let mut value = scale.low;
    while value <= scale.high + scale.step / 2.0 {
        let row = scale.row(value, inner);
        paint::put_right(
            buf,
            area.x,
            row,
            SCALE_WIDTH - 1,
            &format!("{value:.0}"),
            theme.quiet(),
        );
        value += scale.step;
    }
}

/// Times under the chart, at whole hours of the plant's clock.
fn draw_times(buf: &mut Buffer, inner: Rect, plot: &Plot, zone: Zone, theme: Theme) {
    let hours = plot.span_s / 3600.0;
    let labels_max = f64::from(inner.width / 12).max(1.0);
    let step_h = [1, 2, 3, 4, 6, 12, 24, 48]
        .into_iter()
        .find(|step_h| hours / f64::from(*step_h) <= labels_max)
        .unwrap_or(96);
    let first_s = plot.from_at.timestamp().div_euclid(3600) * 3600;
    let mut free_from = inner.x;
    for hour in 0..=600 {
        let Some(at) = DateTime::from_timestamp(first_s + hour * 3600, 0) else {
            return;
        };
        let offset_s = seconds(at - plot.from_at);
        if offset_s > plot.span_s {
            return;
        }
        let clock_s = at.timestamp() + zone.offset_s(at);
        if offset_s < 0.0 || clock_s.rem_euclid(i64::from(step_h) * 3600) != 0 {
            continue;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a fraction of a screen's width"
        )]
        let x = inner.x + (offset_s / plot.span_s * f64::from(inner.width - 1)).round() as u16;
        let text = format!("╵{}", zone.clock(at));
        let width = u16::try_from(text.chars().count()).unwrap_or(6);
        if x >= free_from && x + width <= inner.right() + NAMES_WIDTH {
            paint::put(buf, x, inner.bottom(), width, &text, theme.quiet());
            free_from = x + width + 1;
        }
    }
}

/// Names beside the ends of the lines, moved apart where they would cover each other.
fn draw_labels(buf: &mut Buffer, inner: Rect, plot: &Plot, scale: &Scale) {
    let mut labels: Vec<(u16, &Label)> = plot
        .labels
        .iter()
        .map(|label| (scale.row(label.value, inner), label))
        .collect();
    labels.sort_by(|left, right| right.1.value.total_cmp(&left.1.value));
    let count = u16::try_from(labels.len()).unwrap_or(u16::MAX);
    let mut free_from = inner.y;
    for (at, (row, label)) in (0..count).zip(labels) {
        // Each name keeps a row for every one still to come below it.
        let last = inner.bottom().saturating_sub(count - at);
        let row = row.max(free_from).min(last.max(free_from));
        if row >= inner.bottom() {
            return;
        }
        paint::put(
            buf,
            inner.right() + 1,
            row,
            NAMES_WIDTH - 1,
            &label.text,
            label.style,
        );
        free_from = row + 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_has_round_ends_and_no_step_below_one() {
        let scale = Scale::around(17.3, 61.2, 12);
        assert!((scale.low - 0.0).abs() < 1e-9 && (scale.high - 80.0).abs() < 1e-9);
        let flat = Scale::around(20.0, 20.0, 12);
        assert!(flat.high > flat.low);
    }

    #[test]
    fn a_dashed_line_leaves_gaps_and_ends_where_it_should() {
        let run = Run {
            points: vec![(0.0, 5.0, 5.0), (10.0, 5.0, 5.0)],
            pen: Pen::Dashed,
            style: Style::new(),
        };
        assert_eq!(
            strokes(&run, 1.0),
            [
                (0.0, 5.0, 2.0, 5.0),
                (4.0, 5.0, 6.0, 5.0),
                (8.0, 5.0, 10.0, 5.0)
            ]
        );
    }
}
