//! A chart as plain SVG, without scripts or fonts of its own, readable in black and white.

use std::fmt::{self, Write as _};

use crate::scale::label;
use crate::{Chart, Mark};

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 480.0;
const LEFT: f64 = 70.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 46.0;
const BOTTOM: f64 = 84.0;
/// Letters that fit into a line of the note.
const NOTE_LETTERS: usize = 112;
/// Drawn under a name, keeps it readable where it stands over a line or a mark.
const HALO: &str = "stroke=\"white\" stroke-width=\"4\" stroke-linejoin=\"round\"";

/// The chart as an SVG document.
pub fn svg(chart: &Chart) -> String {
    let mut text = String::new();
    write(&mut text, chart).expect("writing to a string cannot fail");
    text
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

fn write(out: &mut String, chart: &Chart) -> fmt::Result {
    let (x_scale, y_scale) = chart.scales();
    let x = |value: f64| LEFT + x_scale.share(value) * (WIDTH - LEFT - RIGHT);
    let y = |value: f64| HEIGHT - BOTTOM - y_scale.share(value) * (HEIGHT - TOP - BOTTOM);
    let (floor, ceiling) = (HEIGHT - BOTTOM, TOP);
    let right = WIDTH - RIGHT;
    writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" \
         width=\"{WIDTH}\" height=\"{HEIGHT}\" font-family=\"sans-serif\" font-size=\"13\">\n\
         <title>{0}</title>\n<rect width=\"100%\" height=\"100%\" fill=\"white\"/>\n\
         <text x=\"{LEFT}\" y=\"24\" font-size=\"16\">{0}</text>",
        escaped(&chart.title)
    )?;
    for tick in x_scale.ticks() {
        let at = x(tick);
        writeln!(
            out,
            "<line x1=\"{at:.1}\" y1=\"{floor}\" x2=\"{at:.1}\" y2=\"{:.1}\" stroke=\"#444\"/>\
             <text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
            floor + 5.0,
            floor + 20.0,
            label(tick)
        )?;
    }
    for tick in y_scale.ticks() {
        let at = y(tick);
        writeln!(
            out,
            "<line x1=\"{LEFT}\" y1=\"{at:.1}\" x2=\"{right}\" y2=\"{at:.1}\" stroke=\"#e4e4e4\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
            LEFT - 8.0,
            at + 4.5,
            label(tick)
        )?;
    }
    if !chart.band.is_empty() {
        let high = chart.band.iter().map(|part| (x(part.0), y(part.2)));
        let low = chart.band.iter().rev().map(|part| (x(part.0), y(part.1)));
        let points = path_points(high.chain(low));
        writeln!(
            out,
            "<polygon points=\"{points}\" fill=\"#c9d7e4\" stroke=\"none\"/>"
        )?;
    }
    for line in &chart.lines {
        let points = path_points(line.iter().map(|point| (x(point.0), y(point.1))));
        writeln!(
            out,
            "<polyline points=\"{points}\" fill=\"none\" stroke=\"#1c3d5a\" stroke-width=\"2\"/>"
        )?;
    }
    for (at_x, at_y, mark) in &chart.marks {
        let fill = match mark {
            Mark::Filled => "#222",
            Mark::Open => "white",
        };
        writeln!(
            out,
            "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"4\" fill=\"{fill}\" stroke=\"#222\" \
             stroke-width=\"1.5\"/>",
            x(*at_x),
            y(*at_y)
        )?;
    }
    for (level, name) in &chart.levels {
        let at = y(*level);
        writeln!(
            out,
            "<line x1=\"{LEFT}\" y1=\"{at:.1}\" x2=\"{right}\" y2=\"{at:.1}\" stroke=\"#222\" \
             stroke-dasharray=\"7 4\"/>"
        )?;
        name_over(out, (right, at - 5.0), "end", name)?;
    }
    // Names of places stand one below the other beside the last of them, so that near ones can be
    // read.
    let last = chart.places.iter().map(|(place, _)| x(*place));
    let last = last.fold(LEFT, f64::max);
    let (anchor, beside) = if last > 0.75 * WIDTH {
        ("end", right - 6.0)
    } else {
        ("start", last + 6.0)
    };
    for (index, (place, name)) in chart.places.iter().enumerate() {
        let at = x(*place);
        let below = (chart.places.len() - 1 - index) as f64;
        writeln!(
            out,
            "<line x1=\"{at:.1}\" y1=\"{floor}\" x2=\"{at:.1}\" y2=\"{ceiling}\" stroke=\"#222\" \
             stroke-dasharray=\"2 3\"/>"
        )?;
        name_over(out, (beside, floor - 10.0 - 17.0 * below), anchor, name)?;
    }
    let middle = 0.5 * (LEFT + right);
    let half = 0.5 * (floor + ceiling);
    writeln!(
        out,
        "<path d=\"M{LEFT} {ceiling}V{floor}H{right}\" fill=\"none\" stroke=\"#444\"/>\n\
         <text x=\"{middle}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\n\
         <text transform=\"translate(20 {half}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
        floor + 42.0,
        escaped(&chart.x_label),
        escaped(&chart.y_label)
    )?;
    for (line, at) in note_lines(&chart.note).iter().zip([62.0, 76.0]) {
        writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"{:.1}\" font-size=\"11\" fill=\"#333\">{}</text>",
            floor + at,
            escaped(line)
        )?;
    }
    writeln!(out, "</svg>")
}

/// A name over what is drawn already. Its halo is a text of its own: not every reader of SVG knows how to
/// paint an outline first.
fn name_over(out: &mut String, (x, y): (f64, f64), anchor: &str, name: &str) -> fmt::Result {
    if name.is_empty() {
        return Ok(());
    }
    let name = escaped(name);
    for halo in [HALO, ""] {
        writeln!(
            out,
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" {halo}>{name}</text>"
        )?;
    }
    Ok(())
}

/// The note in two lines, broken between words, or in one.
fn note_lines(note: &str) -> Vec<&str> {
    if note.chars().count() <= NOTE_LETTERS {
        return vec![note];
    }
    let end = note
        .char_indices()
        .nth(NOTE_LETTERS)
        .map_or(note.len(), |(at, _)| at);
    match note[..end].rsplit_once(' ') {
        Some((first, _)) => vec![first, note[first.len()..].trim_start()],
        None => vec![note],
    }
}

fn path_points(points: impl Iterator<Item = (f64, f64)>) -> String {
    let points: Vec<String> = points.map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
    points.join(" ")
}
