//! Every external figure that this package is held against, with its source and how sure it is.
//!
//! One table of rows; each row is run, counted by its mark, and either reproduced to its tolerance
//! or, for figures known to be wrong, shown *not* to be.

mod cycle;
mod maturity;
mod row;
mod strength;

use std::collections::BTreeMap;

use row::{Mark, Row};

#[test]
#[expect(
    clippy::print_stdout,
    reason = "the counts per mark are read in the test's output"
)]
fn every_published_and_computed_figure_is_held() {
    let sections: [(&str, Vec<Row>, usize); 7] = [
        ("maturity", maturity::maturity_rows(), 12),
        ("below the datum", maturity::below_datum_rows(), 4),
        ("reference cycle", cycle::cycle_rows(), 2 * (9 * 5 + 11)),
        ("rates", cycle::rate_rows(), 13 + 14 * 7 + 1),
        ("curves", strength::curve_rows(), 13),
        ("cylinders", strength::cylinder_rows(), 10 + 5 + 4),
        ("release", strength::release_rows(), 8),
    ];
    let mut counts: BTreeMap<Mark, usize> = BTreeMap::new();
    let mut faults = Vec::new();
    for (name, rows, row_count) in &sections {
        assert_eq!(rows.len(), *row_count, "rows of section {name}");
        for row in rows {
            *counts.entry(row.mark).or_default() += 1;
            faults.extend(row.fault());
        }
    }
    let report: Vec<String> = counts
        .iter()
        .map(|(mark, row_count)| format!("{mark:?} {row_count}"))
        .collect();
    println!("check rows per mark: {}", report.join(", "));
    assert!(
        faults.is_empty(),
        "{} rows failed:\n{}",
        faults.len(),
        faults.join("\n")
    );
    let expected = [
        (Mark::Seen, 9),
        (Mark::FromMemory, 10),
        (Mark::OurComputation, 261),
    ];
    assert_eq!(counts.into_iter().collect::<Vec<_>>(), expected);
}
