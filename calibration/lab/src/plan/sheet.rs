//! The plan as a page to print: what is known is printed, what is measured has an empty box.

use std::fmt::{self, Write as _};

use units::{Celsius, Hours, Show as _, UnitSystem};

use super::Report;

const WIDTH_MM: f64 = 210.0;
const HEIGHT_MM: f64 = 297.0;
const MARGIN_MM: f64 = 12.0;
const TOP_MM: f64 = 50.0;
const ROW_MM: f64 = 8.2;

/// Columns with their widths, mm; together the page less its margins.
const COLUMNS: [(&str, f64); 9] = [
    ("cylinder", 17.0),
    ("break at", 18.0),
    ("clock (UTC)", 27.0),
    ("real time", 20.0),
    ("diameters", 24.0),
    ("length", 17.0),
    ("load", 20.0),
    ("fracture", 18.0),
    ("notes", 25.0),
];

/// The sheet as an SVG page.
pub(super) fn svg(report: &Report, system: UnitSystem) -> String {
    let mut text = String::new();
    write(&mut text, report, system).expect("writing to a string cannot fail");
    text
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;")
}

fn line(out: &mut String, x: f64, y: f64, size_mm: f64, text: &str) -> fmt::Result {
    writeln!(
        out,
        "<text x=\"{x:.1}\" y=\"{y:.1}\" font-size=\"{size_mm}\">{}</text>",
        escaped(text)
    )
}

fn write(out: &mut String, report: &Report, system: UnitSystem) -> fmt::Result {
    writeln!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH_MM}mm\" height=\"{HEIGHT_MM}mm\" \
         viewBox=\"0 0 {WIDTH_MM} {HEIGHT_MM}\" font-family=\"sans-serif\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"white\"/>"
    )?;
    let units = match system {
        UnitSystem::Si => "mm and kN",
        UnitSystem::Us => "in and lbf",
    };
    line(
        out,
        MARGIN_MM,
        18.0,
        6.0,
        &format!("Calibration series, mix {}", report.mix),
    )?;
    line(
        out,
        MARGIN_MM,
        26.0,
        3.6,
        &format!(
            "{} cylinders, {} spare. Release wanted at {}; the cycle's peak is {}. Write {units}.",
            report.cylinder_count,
            report.spare_count,
            Hours(report.release_h).show(system),
            Celsius(report.peak_c).show(system)
        ),
    )?;
    for (index, blank) in [
        "Placed (date, time): ____________________   Batch ticket: ______________   Made by: ______________",
        "Testing machine: ____________________   Caps: ______________   Sensors, channels: ______________",
    ]
    .iter()
    .enumerate()
    {
        line(out, MARGIN_MM, 34.0 + 7.0 * index as f64, 3.6, blank)?;
    }
    let rows: Vec<Vec<String>> = report
        .groups
        .iter()
        .flat_map(|group| {
            group.specimens.iter().map(|specimen| {
                let sensor = if specimen.has_sensor { " S" } else { "" };
                vec![
                    format!("{}{sensor}", specimen.specimen),
                    format!("{:.2} h", group.age_h),
                    group
                        .break_at
                        .map_or(String::new(), |at| at.format("%m-%d %H:%M").to_string()),
                ]
            })
        })
        .chain((0..report.spare_count).map(|_| vec!["spare".to_owned()]))
        .collect();
    let bottom = TOP_MM + ROW_MM * (rows.len() + 1) as f64;
    let mut x = MARGIN_MM;
    for (column, (name, width)) in COLUMNS.iter().enumerate() {
        writeln!(
            out,
            "<path d=\"M{x:.1} {TOP_MM}V{bottom:.1}\" stroke=\"black\" stroke-width=\"0.2\"/>"
        )?;
        line(out, x + 1.2, TOP_MM + ROW_MM - 2.8, 3.2, name)?;
        for (index, row) in rows.iter().enumerate() {
            if let Some(cell) = row.get(column) {
                let y = TOP_MM + ROW_MM * (index + 2) as f64 - 2.8;
                line(out, x + 1.2, y, 3.6, cell)?;
            }
        }
        x += width;
    }
    writeln!(
        out,
        "<path d=\"M{x:.1} {TOP_MM}V{bottom:.1}\" stroke=\"black\" stroke-width=\"0.2\"/>"
    )?;
    for index in 0..=rows.len() + 1 {
        let y = TOP_MM + ROW_MM * index as f64;
        writeln!(
            out,
            "<path d=\"M{MARGIN_MM} {y:.1}H{x:.1}\" stroke=\"black\" stroke-width=\"0.2\"/>"
        )?;
    }
    let mut y = bottom + 8.0;
    line(out, MARGIN_MM, y, 3.2, "S: a sensor is cast into it.")?;
    for sentence in &report.advice {
        for part in wrapped(sentence, 108) {
            y += 4.6;
            line(out, MARGIN_MM, y, 3.2, &part)?;
        }
    }
    line(
        out,
        MARGIN_MM,
        HEIGHT_MM - 10.0,
        3.2,
        "Tested by (name, date): ______________________     Checked by: ______________________",
    )?;
    writeln!(out, "</svg>")
}

/// A sentence in lines of at most this many characters.
fn wrapped(sentence: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in sentence.split_whitespace() {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + word.chars().count() >= width {
            lines.push(word.to_owned());
        } else {
            if !lines[last].is_empty() {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        }
    }
    lines
}
