//! One bed in depth: the decision pinned at the top, everything it rests on in a page below.

use daemon_api::pour::PourView;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use units::{Metre, Show};

use super::page::{self, Band, Block};
use super::text::wrap;
use super::{ahead, chart, cylinders, notes, paint, positions, yard};
use crate::state::{Drawn, Row, State};
use crate::theme::Theme;
use crate::times::span_text;
use crate::words;

/// From this width on charts and notes stand side by side.
const WIDE_WIDTH: u16 = 120;

/// Draws the chosen bed.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, theme: Theme) -> Drawn {
    let Some(row) = state.chosen_row() else {
        return Drawn::default();
    };
    let Some(pour) = row.pour else {
        let sentence = format!(
            " Bed {}, {}: no pour. Open one with \"tarplight pour open\".",
            row.bed.bed,
            Metre(row.bed.length_m).show(state.units())
        );
        paint::put(buf, area.x, area.y, area.width, &sentence, theme.normal());
        return Drawn::default();
    };
    let pinned = pinned(state, &row, pour, area.width, theme);
    for (y, (line, style)) in (area.y..area.bottom()).zip(&pinned) {
        paint::put(buf, area.x, y, area.width, line, *style);
    }
    let height = u16::try_from(pinned.len()).unwrap_or(0);
    let window = paint::below(area, height);
    page::draw(
        buf,
        window,
        state.scroll,
        &bands(state, &row, pour, area.width, theme),
    )
}

/// Status, troubles, the estimate and beside it always what the cylinders have said.
fn pinned(
    state: &State,
    row: &Row<'_>,
    pour: &PourView,
    width: u16,
    theme: Theme,
) -> Vec<(String, Style)> {
    let units = state.units();
    let width = usize::from(width) - 2;
    let mut lines = Vec::new();
    let mut add = |text: &str, style: Style| {
        lines.extend(
            wrap(text, width)
                .into_iter()
                .map(|line| (format!(" {line}"), style)),
        );
    };
    let layer = pour
        .layer
        .as_ref()
        .map_or_else(String::new, |layer| format!(", layer {layer}"));
    add(
        &format!(
            "{}  {}  (pour {}, line {}{layer}, mix {}, {} to {})",
            pour.bed,
            pour.status_words,
            pour.pour,
            pour.line,
            pour.mix,
            Metre(pour.from_station_m).show_number(units),
            Metre(pour.to_station_m).show(units),
        ),
        theme.strong(),
    );
    for trouble in row.bed.troubles.iter().take(2) {
        let age = span_text(state.plant_now() - trouble.since);
        let text = format!(
            "{} {} For {age}. First: {}",
            words::urgency(trouble.urgency),
            words::trouble(trouble),
            trouble.first_act
        );
        add(&text, theme.urgency(trouble.urgency));
    }
    let governs = pour
        .governing_position
        .as_ref()
        .map_or_else(String::new, |position| {
            format!(" (at {position}, which governs)")
        });
    add(
        &format!(
            "{}, required {}{governs}",
            words::estimate_of(pour, units),
            words::strength(pour.release_strength_mpa, units),
        ),
        theme.normal(),
    );
    for doubt in words::curve_doubts(pour) {
        add(&doubt, theme.doubt());
    }
    add(
        &pour.confirmation.words,
        yard::cylinder_style(pour, theme).patch(theme.strong()),
    );
    add(
        &words::forecast(&pour.forecast, state.zone, state.plant_now()),
        theme.normal(),
    );
    lines
}

fn bands<'a>(
    state: &'a State,
    row: &Row<'_>,
    pour: &'a PourView,
    width: u16,
    theme: Theme,
) -> Vec<Band<'a>> {
    let troubles = more_troubles(row, state, theme);
    if width < WIDE_WIDTH {
        let column = vec![
            temperature_chart(state, pour, 12, theme),
            Block::Lines(positions::lines(state, pour, width, theme)),
            Block::Lines(cylinders::lines(state, pour, width, theme)),
            Block::Lines(ahead::lines(state, pour, width, theme)),
            Block::Lines(notes::lines(state, pour, width, theme)),
            strength_chart(state, pour, 10, theme),
            Block::Lines(notes::background(state, pour, width, theme)),
            Block::Lines(troubles),
        ];
        return vec![vec![(width, column)]];
    }
    let left_width = width * 3 / 5;
    let right_width = width - left_width;
    let left = vec![
        temperature_chart(state, pour, 15, theme),
        strength_chart(state, pour, 10, theme),
    ];
    let right = vec![
        Block::Lines(cylinders::lines(state, pour, right_width, theme)),
        Block::Lines(ahead::lines(state, pour, right_width, theme)),
        Block::Lines(notes::lines(state, pour, right_width, theme)),
        Block::Lines(notes::background(state, pour, right_width, theme)),
    ];
    vec![
        vec![(left_width, left), (right_width, right)],
        vec![(
            width,
            vec![
                Block::Lines(positions::lines(state, pour, width, theme)),
                Block::Lines(troubles),
            ],
        )],
    ]
}

/// Troubles of the bed beyond the two that are pinned.
fn more_troubles(row: &Row<'_>, state: &State, theme: Theme) -> Vec<ratatui::text::Line<'static>> {
    row.bed
        .troubles
        .iter()
        .skip(2)
        .map(|trouble| {
            let age = span_text(state.plant_now() - trouble.since);
            let text = format!(
                " {} {} For {age}.",
                words::urgency(trouble.urgency),
                words::trouble(trouble)
            );
            ratatui::text::Line::styled(text, theme.urgency(trouble.urgency))
        })
        .collect()
}

type ChartDrawing = fn(
    &mut Buffer,
    Rect,
    &daemon_api::series::SeriesAnswer,
    &PourView,
    crate::times::Zone,
    units::UnitSystem,
    Theme,
);

fn temperature_chart<'a>(
    state: &'a State,
    pour: &'a PourView,
    height: u16,
    theme: Theme,
) -> Block<'a> {
    chart_block(state, pour, height, theme, chart::temperatures)
}

fn strength_chart<'a>(
    state: &'a State,
    pour: &'a PourView,
    height: u16,
    theme: Theme,
) -> Block<'a> {
    chart_block(state, pour, height, theme, chart::strength)
}

fn chart_block<'a>(
    state: &'a State,
    pour: &'a PourView,
    height: u16,
    theme: Theme,
    drawing: ChartDrawing,
) -> Block<'a> {
    let charted = &state.charted;
    let draw = move |buf: &mut Buffer, area: Rect| match (&charted.answer, &charted.problem) {
        (Some(answer), _) if charted.pour == pour.pour => {
            drawing(buf, area, answer, pour, state.zone, state.units(), theme);
        }
        (_, Some(problem)) => {
            let text = format!(" no chart: {problem}");
            paint::put(buf, area.x, area.y, area.width, &text, theme.doubt());
        }
        _ => paint::put(
            buf,
            area.x,
            area.y,
            area.width,
            " the chart is being fetched",
            theme.quiet(),
        ),
    };
    Block::Drawing {
        height,
        draw: Box::new(draw),
    }
}
