//! Mixes: each curve with its version and state, and the plant's last breaks held against it.

use daemon_api::mix::{CurvePointView, MixCurveView, VerificationView};
use ratatui::style::Style;
use ratatui::text::{Line, Span};
use units::UnitSystem;

use super::text::{fit, wrap};
use crate::state::State;
use crate::theme::Theme;
use crate::words;

/// Columns of a version that people compare: `sha256:` and eight digits.
const DIGEST_WIDTH: usize = 15;
/// The chart shows differences up to this on either side, a fraction …
const CHART_END: f64 = 0.2;
/// … in so many columns on either side of the middle; half way is the tolerance of ten per cent.
const CHART_HALF: usize = 8;

pub fn lines(state: &State, width: u16, theme: Theme) -> Vec<Line<'static>> {
    let mut lines = vec![Line::styled(" Mixes and their curves", theme.strong())];
    let width = usize::from(width);
    if let Some(problem) = &state.pages.mixes.problem {
        let text = format!("What is shown may be old: {problem}");
        paragraph(&mut lines, &text, 1, width, theme.bad());
    }
    let Some(answer) = &state.pages.mixes.answer else {
        if state.pages.mixes.problem.is_none() {
            lines.push(Line::styled(" Asking the daemon.", theme.normal()));
        }
        return lines;
    };
    for trouble in &answer.troubles {
        let text = format!(
            "{} {} First: {}",
            words::urgency(trouble.urgency),
            words::trouble(trouble),
            trouble.first_act
        );
        paragraph(&mut lines, &text, 1, width, theme.urgency(trouble.urgency));
    }
    for mix in &answer.mixes {
        lines.push(Line::styled(format!(" {}", mix.mix), theme.strong()));
        if mix.curves.is_empty() {
            let text = "no curve: cylinders alone";
            paragraph(&mut lines, text, 3, width, theme.normal());
        }
        for curve in &mix.curves {
            lines.extend(curve_lines(state, curve, width, theme));
        }
    }
    let text = "The first break of each pour against the curve at its specimens' own maturity. \
                Estimates confirm nothing; a new curve is made and approved by the lab.";
    paragraph(&mut lines, text, 1, width, theme.quiet());
    lines
}

fn curve_lines(
    state: &State,
    curve: &MixCurveView,
    width: usize,
    theme: Theme,
) -> Vec<Line<'static>> {
    let mut lines = Vec::new();
    let is_usable = matches!(curve.standing.as_str(), "approved" | "superseded");
    let name = format!(
        "{}  {}  {}, {} specimens",
        curve.name,
        fit(&curve.digest, DIGEST_WIDTH),
        curve.standing.replace('-', " "),
        curve.cured
    );
    let style = if is_usable {
        theme.normal()
    } else {
        theme.doubt()
    };
    paragraph(&mut lines, &name, 3, width, style);
    if !is_usable {
        paragraph(&mut lines, &curve.note, 5, width, theme.doubt());
    }
    let verification = &curve.verification;
    if curve.advises_only {
        let text = format!(
            "only advises on heated beds, with a lower bound that is lower: {} of {} pours there \
             have verified it",
            curve.heated_pour_count, verification.needed_count
        );
        paragraph(&mut lines, &text, 5, width, theme.doubt());
    }
    let style = if verification.state == "drifts" {
        theme.doubt()
    } else {
        theme.normal()
    };
    paragraph(&mut lines, &summary(verification), 5, width, style);
    if let Some(sign) = verification.signs.last() {
        paragraph(&mut lines, sign, 5, width, style);
    }
    if !verification.points.is_empty() {
        let heading = format!(
            "     {:<10} {:<13} {:>9} {:>9} {:>8}  -20 %  curve  +20 %",
            "pour", "broken", "measured", "curve", "off by"
        );
        lines.push(Line::styled(heading, theme.heading()));
    }
    for point in &verification.points {
        lines.push(point_line(state, point, theme));
    }
    for apart in &verification.apart {
        let text = format!(
            "apart: {} of {}, {}: {}",
            apart.pour,
            state.zone.clock_near(apart.broken_at, state.plant_now()),
            words::strength(Some(apart.measured_mpa), state.units()),
            apart.why
        );
        paragraph(&mut lines, &text, 5, width, theme.quiet());
    }
    lines
}

/// State, bias and scatter in one sentence.
fn summary(verification: &VerificationView) -> String {
    let count = verification.pour_count;
    let pours = match verification.state.as_str() {
        "holds" => format!("holds by {}", words::plural(count, "pour")),
        "drifts" => format!("DRIFTS by {}", words::plural(count, "pour")),
        _ => format!(
            "not verified: {count} of {} pours",
            verification.needed_count
        ),
    };
    let Some(bias) = verification.bias else {
        return format!("{pours}; no break has its specimens' own temperatures yet");
    };
    let doubt = verification
        .bias_half_width
        .map_or_else(String::new, |half| format!(" ± {:.1} %", 100.0 * half));
    let scatter = verification
        .scatter_cv
        .map_or_else(String::new, |cv| format!(", scatter {:.1} %", 100.0 * cv));
    format!("{pours}; bias {:+.1} %{doubt}{scatter}", 100.0 * bias)
}

fn point_line(state: &State, point: &CurvePointView, theme: Theme) -> Line<'static> {
    let units: UnitSystem = state.units();
    let style: Style = if point.difference.abs() > CHART_END / 2.0 {
        theme.doubt()
    } else {
        theme.normal()
    };
    let text = format!(
        "     {:<10} {:<13} {:>9} {:>9} {:>+6.1} %  ",
        fit(&point.pour, 10),
        state.zone.clock_near(point.broken_at, state.plant_now()),
        words::strength(Some(point.measured_mpa), units),
        words::strength(Some(point.estimated_mpa), units),
        100.0 * point.difference,
    );
    Line::from(vec![
        Span::styled(text, theme.normal()),
        Span::styled(chart(point.difference), style),
    ])
}

/// A point between −20 and +20 % of the curve, with the tolerance marked; beyond, at the end.
fn chart(difference: f64) -> String {
    let share = (difference / CHART_END).clamp(-1.0, 1.0);
    let middle = CHART_HALF as f64;
    let at = (middle + share * middle).round() as usize;
    let cell = |column: usize| match column {
        _ if column == at => '●',
        _ if column == CHART_HALF => '│',
        _ if column == CHART_HALF / 2 || column == CHART_HALF * 3 / 2 => '┊',
        _ => '·',
    };
    (0..=2 * CHART_HALF).map(cell).collect()
}

fn paragraph(
    lines: &mut Vec<Line<'static>>,
    text: &str,
    indent: usize,
    width: usize,
    style: Style,
) {
    for line in wrap(text, width.saturating_sub(indent + 1)) {
        lines.push(Line::styled(format!("{:indent$}{line}", ""), style));
    }
}
