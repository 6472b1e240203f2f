//! Forms on the screen: what a person must know first, then the fields, then the record button.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use units::UnitSystem;

use super::text::wrap;
use super::{cylinders, paint, text};
use crate::form::{self, Control, Field, FieldKey, Form, FormKind};
use crate::state::State;
use crate::theme::Theme;
use crate::words;

/// Draws the form over the whole body, so that nothing else is read by mistake.
pub fn draw(buf: &mut Buffer, area: Rect, state: &State, form: &Form, theme: Theme) {
    paint::put(
        buf,
        area.x,
        area.y,
        area.width,
        &format!(" {}", form.title),
        theme.strong(),
    );
    let width = usize::from(area.width) - 4;
    let problem = form
        .problem
        .as_ref()
        .map_or_else(Vec::new, |problem| wrap(problem, width));
    let cautions: Vec<String> = match form.kind {
        FormKind::Release { .. } => words::RELEASE_CAUTIONS.map(str::to_owned).to_vec(),
        FormKind::Switch(form::Switch::TarpLifted) => {
            vec!["Concrete, forms and steam under the tarp are hot: lift it with care.".to_owned()]
        }
        _ => Vec::new(),
    };
    let fixed = form.fields.len() + 2 + problem.len() + cautions.len() + 1;
    let information_height = area
        .height
        .saturating_sub(u16::try_from(fixed).unwrap_or(area.height) + 1);
    let information = Rect {
        y: area.y + 1,
        height: information_height,
        ..area
    };
    draw_information(buf, information, state, form, theme);
    let mut y = information.bottom();
    for caution in &cautions {
        paint::put(
            buf,
            area.x,
            y,
            area.width,
            &format!(" ▪ {caution}"),
            theme.doubt(),
        );
        y += 1;
    }
    let label_width = form
        .fields
        .iter()
        .filter(|field| !matches!(field.control, Control::Check(_)))
        .map(|field| text::width_of(&field.label))
        .max()
        .unwrap_or(0);
    let label_width = u16::try_from(label_width.clamp(10, 60)).unwrap_or(10);
    // Where there are more fields than rows, those around the focus are shown.
    let field_rows = usize::from(area.bottom().saturating_sub(y + 2)).saturating_sub(problem.len());
    let first = (form.focus + 1)
        .saturating_sub(field_rows)
        .min(form.fields.len().saturating_sub(field_rows));
    for (at, field) in form.fields.iter().enumerate().skip(first).take(field_rows) {
        draw_field(
            buf,
            Rect {
                y,
                height: 1,
                ..area
            },
            field,
            at == form.focus,
            label_width,
            theme,
        );
        y += 1;
    }
    if let Some(field) = form.fields.get(form.focus) {
        let hint = match field.control {
            Control::Check(_) => format!("  {}", field.hint),
            Control::Text(_) | Control::Choice { .. } => {
                format!("  {}: {}", field.label, field.hint)
            }
        };
        paint::put(buf, area.x, y, area.width, &hint, theme.quiet());
    }
    y += 1;
    for line in &problem {
        paint::put(buf, area.x, y, area.width, &format!(" {line}"), theme.bad());
        y += 1;
    }
    let button = if form.is_sending {
        " [ sent, waiting for the answer ]"
    } else if form.is_checking() {
        " [ asking what the cylinders say by it ]"
    } else {
        " [ Record ]"
    };
    let style = if form.focus == form.fields.len() {
        theme.chosen()
    } else {
        theme.strong()
    };
    paint::put(buf, area.x, y, area.width, button, style);
}

fn draw_field(
    buf: &mut Buffer,
    area: Rect,
    field: &Field,
    is_focused: bool,
    label_width: u16,
    theme: Theme,
) {
    let (pointer, label_style) = if is_focused {
        (">", theme.strong())
    } else {
        (" ", theme.normal())
    };
    paint::put(buf, area.x, area.y, 1, pointer, label_style);
    if !matches!(field.control, Control::Check(_)) {
        paint::put(
            buf,
            area.x + 1,
            area.y,
            label_width,
            &field.label,
            label_style,
        );
    }
    let x = area.x + label_width + 2;
    let width = area.right().saturating_sub(x);
    match &field.control {
        Control::Text(input) => {
            let entry_width = width.min(28);
            let style = Style::new().add_modifier(ratatui::style::Modifier::UNDERLINED);
            let skip = input.visual_scroll(usize::from(entry_width) - 1);
            let shown: String = input.value().chars().skip(skip).collect();
            buf.set_style(
                Rect {
                    x,
                    y: area.y,
                    width: entry_width,
                    height: 1,
                },
                style,
            );
            buf.set_stringn(
                x,
                area.y,
                shown,
                entry_width.into(),
                theme.normal().patch(style),
            );
            if is_focused {
                let column = u16::try_from(input.visual_cursor().saturating_sub(skip)).unwrap_or(0);
                buf[(x + column.min(entry_width - 1), area.y)].set_style(theme.chosen());
            }
            let hint_x = x + entry_width + 1;
            let hint_width = area.right().saturating_sub(hint_x);
            // A hint that does not fit here stands whole below the fields once this one is focused.
            if text::width_of(field.hint) <= usize::from(hint_width) {
                paint::put(buf, hint_x, area.y, hint_width, field.hint, theme.quiet());
            }
        }
        Control::Choice { options, chosen } => {
            let text = format!(
                "‹ {} ›  {} of {}; {}",
                options[*chosen],
                chosen + 1,
                options.len(),
                field.hint
            );
            paint::put(buf, x, area.y, width, &text, label_style);
        }
        Control::Check(is_checked) => {
            let mark = if *is_checked { "x" } else { " " };
            let text = format!("[{mark}] {}", field.label);
            paint::put(buf, area.x + 1, area.y, area.width - 1, &text, label_style);
        }
    }
}

fn draw_information(buf: &mut Buffer, area: Rect, state: &State, form: &Form, theme: Theme) {
    let width = usize::from(area.width) - 2;
    let lines: Vec<(String, Style)> = information(state, form, theme)
        .into_iter()
        .flat_map(|(text, style)| {
            wrap(&text, width)
                .into_iter()
                .map(move |line| (line, style))
        })
        .collect();
    let rows = usize::from(area.height);
    let scroll = form.scroll.min(lines.len().saturating_sub(rows));
    for (y, (line, style)) in (area.y..area.bottom()).zip(&lines[scroll..]) {
        paint::put(buf, area.x, y, area.width, &format!(" {line}"), *style);
    }
    if lines.len() > rows + scroll && rows > 0 {
        let more = format!(" {} lines more, PgDn ", lines.len() - rows - scroll);
        paint::put_right(
            buf,
            area.x + area.width / 2,
            area.bottom() - 1,
            area.width / 2,
            &more,
            theme.chosen(),
        );
    }
}

/// What a person must know before recording this act.
fn information(state: &State, form: &Form, theme: Theme) -> Vec<(String, Style)> {
    match &form.kind {
        FormKind::Alarm { word, alarm } => return alarm_information(state, *word, alarm, theme),
        FormKind::HandOver => return shift_information(state, theme),
        FormKind::Note => {
            let line =
                "It stands in the shift log under your name; nothing in it can be changed later.";
            return vec![(line.to_owned(), theme.normal())];
        }
        FormKind::Break
        | FormKind::Release { .. }
        | FormKind::CylindersPulled
        | FormKind::Exclude
        | FormKind::Switch(_) => {}
    }
    let Some(pour) = state.pour(&form.pour) else {
        return Vec::new();
    };
    let units = state.units();
    match &form.kind {
        FormKind::Alarm { .. } | FormKind::HandOver | FormKind::Note => Vec::new(),
        FormKind::Release { needs_reason, .. } => {
            release_information(state, pour, *needs_reason, theme)
        }
        FormKind::Break | FormKind::CylindersPulled => {
            let chosen = form.value(&FieldKey::Set);
            let set = pour.cylinder_sets.iter().find(|set| set.made.set == chosen);
            let mut lines = vec![(pour.confirmation.words.clone(), theme.strong())];
            if let Some(set) = set {
                lines.push((words::set_words(set, units), theme.normal()));
                let breaks = set
                    .breaks
                    .iter()
                    .map(|result| cylinders::break_words(state, result));
                lines.extend(breaks.map(|text| (text, theme.normal())));
            }
            lines.extend(would(form, units, theme));
            lines
        }
        FormKind::Exclude => position_information(form, pour, units, theme),
        FormKind::Switch(switch) => vec![
            (
                format!(
                    "Record \"{}\" for bed {}, pour {}?",
                    switch.words(),
                    pour.bed,
                    pour.pour
                ),
                theme.strong(),
            ),
            (
                format!(
                    "Until now: {}.",
                    words::heat_and_tarp(pour, state.zone, state.plant_now())
                ),
                theme.normal(),
            ),
            (
                "This is a record of what was done; nothing is switched by it.".to_owned(),
                theme.normal(),
            ),
        ],
    }
}

/// What the break would say, and what is odd about it, before anything is recorded.
fn would(form: &Form, units: UnitSystem, theme: Theme) -> Vec<(String, Style)> {
    let Some(answer) = form.checked() else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    let effect = answer.effect.as_ref();
    if let Some(broken) = effect.and_then(|effect| effect.broken.as_ref()) {
        let specimens = broken.specimens.iter().zip(&broken.judged.strengths_mpa);
        let specimens: Vec<String> = specimens
            .map(|(name, mpa)| format!("{name} {}", words::strength(Some(*mpa), units)))
            .collect();
        lines.push((
            format!(
                "Not recorded yet. Set {}: {}",
                broken.set,
                specimens.join(", ")
            ),
            theme.normal(),
        ));
        lines.push((format!("By it: {}", broken.verdict), theme.strong()));
        let notes = broken.judged.notes.iter();
        lines.extend(notes.map(|note| (note.clone(), theme.doubt())));
    }
    let odd = answer.odd.iter();
    lines.extend(odd.map(|odd| (format!("ODD, {}: {}", odd.name, odd.text), theme.bad())));
    let cautions = answer.cautions.iter();
    lines.extend(cautions.map(|text| (format!("caution: {text}"), theme.doubt())));
    lines
}

/// What the chosen position says, and what recording would do to it.
fn position_information(
    form: &Form,
    pour: &daemon_api::PourView,
    units: UnitSystem,
    theme: Theme,
) -> Vec<(String, Style)> {
    let chosen = form.value(&FieldKey::Position);
    let mut positions = pour.positions.iter();
    let Some(position) = positions.find(|one| one.position == chosen) else {
        return Vec::new();
    };
    let says = format!(
        "{chosen}: {}, {}, {}",
        words::temperature(position.temperature_c, units),
        words::trust(&position.trust),
        words::estimate_at(pour, &position.estimate, units)
    );
    let does = match &position.excluded {
        Some(reason) => format!("It is left out ({reason}). Record takes it back."),
        None => "Record leaves it out: the release then rests on the other positions alone. Its concrete \
                 is no stronger for it: leave out only what reads wrong."
            .to_owned(),
    };
    vec![
        (pour.confirmation.words.clone(), theme.strong()),
        (says, theme.normal()),
        (does, theme.doubt()),
    ]
}

fn alarm_information(
    state: &State,
    word: form::AlarmWord,
    alarm: &str,
    theme: Theme,
) -> Vec<(String, Style)> {
    let mut lines = Vec::new();
    let alarms = state.alarms();
    let known = alarms.into_iter().chain(state.troubles());
    match known.into_iter().find(|one| one.id == alarm) {
        Some(trouble) => {
            let bed = trouble.bed.as_deref().unwrap_or("plant");
            let urgency = words::urgency(trouble.urgency);
            let what = format!("{urgency} {bed}: {}", words::trouble(trouble));
            lines.push((what, theme.urgency(trouble.urgency)));
            lines.push((format!("First: {}", trouble.first_act), theme.strong()));
            let said = super::troubles::said(state, trouble);
            lines.extend(said.map(|said| (said, theme.normal())));
        }
        None => {
            let line = "It is over meanwhile, and nothing more is to be said of it.";
            lines.push((line.to_owned(), theme.doubt()));
        }
    }
    lines.push((word.meaning().to_owned(), theme.normal()));
    lines
}

/// What the next shift takes over.
fn shift_information(state: &State, theme: Theme) -> Vec<(String, Style)> {
    let Some(log) = &state.pages.log.answer else {
        return vec![(state.pages.log.wanting("The shift log"), theme.normal())];
    };
    let mut lines = vec![("What stands".to_owned(), theme.heading())];
    for trouble in &log.stands {
        let bed = trouble.bed.as_deref().unwrap_or("plant");
        let urgency = words::urgency(trouble.urgency);
        let line = format!("{urgency} {bed}: {}", words::trouble(trouble));
        lines.push((line, theme.urgency(trouble.urgency)));
    }
    if log.stands.is_empty() {
        lines.push(("Nothing needs a person.".to_owned(), theme.normal()));
    }
    lines.push(("What is next".to_owned(), theme.heading()));
    for item in &log.next {
        let clock = state.zone.clock_near(item.at, state.plant_now());
        let overdue = if item.overdue { "OVERDUE " } else { "" };
        lines.push((format!("{clock} {overdue}{}", item.text), theme.normal()));
    }
    if log.next.is_empty() {
        lines.push(("Nothing is due.".to_owned(), theme.normal()));
    }
    lines
}

fn release_information(
    state: &State,
    pour: &daemon_api::PourView,
    needs_reason: bool,
    theme: Theme,
) -> Vec<(String, Style)> {
    let units = state.units();
    let mut lines = Vec::new();
    for one in state.line_pours(pour) {
        let pour_words = format!("{}: {}", one.pour, one.status_words);
        lines.push((pour_words, theme.strong()));
        // The sentence has a line of its own, so that it is read whole.
        lines.push((
            one.confirmation.words.clone(),
            super::yard::cylinder_style(one, theme).patch(theme.strong()),
        ));
        lines.push((
            format!(
                "{}, required {}",
                words::estimate_of(one, units),
                words::strength(one.release_strength_mpa, units)
            ),
            theme.normal(),
        ));
        for hold in &one.release_holds {
            lines.push((format!("RELEASE HOLD: {}", hold.text), theme.bad()));
        }
        for position in &one.positions {
            if let Some(reason) = &position.excluded {
                lines.push((
                    format!("EXCLUDED {}: {reason}", position.position),
                    theme.doubt(),
                ));
            }
        }
        if !one.confirmation.waiting_for.is_empty() {
            let waiting = one.confirmation.waiting_for.join(", ");
            lines.push((format!("not confirmed yet: {waiting}"), theme.doubt()));
        }
        for caution in &one.cautions {
            lines.push((format!("caution: {}", caution.text), theme.normal()));
        }
        for hold in &one.piece_holds {
            lines.push((
                format!(
                    "piece hold (do not ship until the engineer decides): {}",
                    hold.text
                ),
                theme.normal(),
            ));
        }
    }
    if needs_reason {
        lines.push((
            "No estimate supports this release: a reason is needed.".to_owned(),
            theme.doubt(),
        ));
    }
    lines
}
