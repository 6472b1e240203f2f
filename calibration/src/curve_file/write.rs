//! Writes a curve file as text; reading that text gives the same curve back.

use std::fmt::{self, Write as _};

use chrono::{SecondsFormat, Timelike as _};

use super::{Cured, CurveFile, DataRow, DataSource, TimeZero};
use crate::document::quoted;
use crate::fit::ResidualScatter;
use crate::maturity::MaturityFunction;

impl CurveFile {
    /// The text of the curve file. Its [`digest`](crate::digest) is the curve's name, so not a byte
    /// of it may be changed afterwards.
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        self.write(&mut text)
            .expect("writing to a string cannot fail");
        text
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(
            out,
            "# An immutable curve file, named by the SHA-256 of its bytes: never edit it, make a \
             new one.\n# An estimate from it says when to break a cylinder; the broken cylinder \
             decides.\nschema = 1"
        )?;
        writeln!(out, "name = {}", quoted(&self.name))?;
        writeln!(out, "mix = {}", quoted(&self.mix))?;
        writeln!(out, "author = {}", quoted(&self.author))?;
        let midnight = self.made_at.num_seconds_from_midnight() == 0
            && self.made_at.timestamp_subsec_nanos() == 0;
        let made_at = if midnight {
            self.made_at.format("%Y-%m-%d").to_string()
        } else {
            self.made_at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
        };
        writeln!(out, "made_at = {made_at}")?;
        if let Some(notes) = &self.notes {
            writeln!(out, "notes = {}", quoted(notes))?;
        }
        let time_zero = match self.time_zero {
            TimeZero::Batched => "batched",
            TimeZero::Placed => "placed",
        };
        writeln!(out, "time_zero = \"{time_zero}\"")?;
        if !self.warnings.is_empty() {
            let names: Vec<String> = self.warnings.iter().map(|name| quoted(name)).collect();
            writeln!(out, "warnings = [{}]", names.join(", "))?;
        }
        self.write_maturity(out)?;
        self.write_curve(out)?;
        self.write_cover(out)?;
        self.data.iter().try_for_each(|row| write_row(out, row))
    }

    fn write_maturity(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "\n[maturity]\nfunction = \"{}\"", self.maturity.name())?;
        match self.maturity {
            MaturityFunction::TemperatureTimeFactor { datum_c } => {
                writeln!(out, "datum_c = {datum_c}")
            }
            MaturityFunction::EquivalentAge {
                activation_energy_j_mol,
                reference_c,
            } => writeln!(
                out,
                "activation_energy_j_mol = {activation_energy_j_mol}\nreference_c = {reference_c}"
            ),
            MaturityFunction::WeightedMaturity { c_value } => writeln!(out, "c_value = {c_value}"),
            MaturityFunction::En1992Age => Ok(()),
        }
    }

    fn write_curve(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "\n[curve]\nform = \"{}\"", self.curve.form())?;
        let coefficients = self.curve.coefficients();
        for (name, value) in &coefficients {
            writeln!(out, "{name} = {value}")?;
        }
        match &self.covariance {
            None => writeln!(out, "covariance_known = false")?,
            Some(matrix) => {
                let size = coefficients.len();
                let rows: Vec<String> = matrix[..size]
                    .iter()
                    .map(|row| {
                        let cells: Vec<String> =
                            row[..size].iter().map(|cell| format!("{cell:e}")).collect();
                        format!("[{}]", cells.join(", "))
                    })
                    .collect();
                writeln!(out, "covariance = [{}]", rows.join(", "))?;
            }
        }
        match self.residual {
            ResidualScatter::Constant { sd_mpa } => writeln!(out, "residual_sd_mpa = {sd_mpa}")?,
            ResidualScatter::Proportional { cv } => writeln!(out, "residual_cv = {cv}")?,
        }
        writeln!(
            out,
            "residual_degrees_of_freedom = {}",
            self.residual_degrees_of_freedom
        )
    }

    fn write_cover(&self, out: &mut String) -> fmt::Result {
        let range = &self.range;
        writeln!(
            out,
            "\n[range]\nmaturity_min = {}\nmaturity_max = {}\ntemperature_min_c = {}\n\
             temperature_max_c = {}",
            range.maturity_min,
            range.maturity_max,
            range.temperature_min_c,
            range.temperature_max_c
        )?;
        for (name, count) in [
            ("group_count", range.group_count),
            ("specimen_count", range.specimen_count),
        ] {
            if let Some(count) = count {
                writeln!(out, "{name} = {count}")?;
            }
        }
        let specimens = &self.specimens;
        let cured = match specimens.cured {
            Cured::Standard => "standard",
            Cured::HeatCured => "heat-cured",
            Cured::MatchCured => "match-cured",
        };
        writeln!(out, "\n[specimens]\ncured = \"{cured}\"")?;
        if let Some(peak_c) = specimens.peak_c {
            writeln!(out, "peak_c = {peak_c}")?;
        }
        if let Some(cycle) = &specimens.cycle {
            writeln!(out, "cycle = {}", quoted(cycle))?;
        }
        writeln!(
            out,
            "shape = \"cylinder\"\ndiameter_mm = {}\nlength_mm = {}",
            specimens.diameter_mm, specimens.length_mm
        )?;
        if !self.materials.is_empty() {
            writeln!(out, "\n[materials]")?;
            for (name, material) in &self.materials {
                writeln!(out, "{} = {}", quoted(name), quoted(material))?;
            }
        }
        Ok(())
    }
}

fn write_row(out: &mut String, row: &DataRow) -> fmt::Result {
    writeln!(
        out,
        "\n[[data]]\nspecimen = {}\ngroup = {}\nage_h = {}\nmaturity = {}\nstrength_mpa = {}\n\
         temperature_min_c = {}\ntemperature_max_c = {}",
        quoted(&row.specimen),
        quoted(&row.group),
        row.age_h,
        row.maturity,
        row.strength_mpa,
        row.temperature_min_c,
        row.temperature_max_c
    )?;
    if row.source == DataSource::Pour {
        writeln!(out, "source = \"pour\"")?;
    }
    for (key, text) in [("fracture", &row.fracture), ("notes", &row.notes)] {
        if let Some(text) = text {
            writeln!(out, "{key} = {}", quoted(text))?;
        }
    }
    if let Some(excluded) = &row.excluded {
        writeln!(
            out,
            "excluded_because = {}\nexcluded_by = {}",
            quoted(&excluded.because),
            quoted(&excluded.by)
        )?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::curve_file::Exclusion;

    /// An invented curve with everything that a file can hold.
    const BARE: &str = "schema = 1\nname = \"M45\"\nmix = \"M45\"\nauthor = \"lab\"\n\
        made_at = 2026-03-14T09:30:00Z\ntime_zero = \"batched\"\nwarnings = [\"negative-offset\"]\n\
        [maturity]\nfunction = \"equivalent-age\"\nactivation_energy_j_mol = 41570\n\
        reference_c = 20\n[curve]\nform = \"hyperbolic\"\nultimate_mpa = 52.25\n\
        rate_per_unit = 0.0213\noffset = -0.75\nresidual_cv = 0.031\n\
        covariance = [[4, -3e-4, 0.1], [-3e-4, 4e-8, 0], [0.1, 0, 2]]\n\
        residual_degrees_of_freedom = 14\n[range]\nmaturity_min = 8.125\nmaturity_max = 340\n\
        temperature_min_c = 20\ntemperature_max_c = 62\ngroup_count = 6\nspecimen_count = 17\n\
        [specimens]\ncured = \"heat-cured\"\npeak_c = 62\ncycle = \"3 h preset, then 62 °C\"\n\
        shape = \"cylinder\"\ndiameter_mm = 101.6\nlength_mm = 203.2\n\
        [materials]\n\"cement source\" = \"invented works\"\n";

    #[test]
    fn what_is_written_reads_back_the_same() {
        let mut curve = CurveFile::parse(BARE).expect("a good file");
        curve.data.push(DataRow {
            specimen: "A1 \"left\"".to_owned(),
            group: "8 h".to_owned(),
            age_h: 8.0,
            maturity: 8.125,
            strength_mpa: 7.3,
            temperature_min_c: 20.0,
            temperature_max_c: 20.5,
            fracture: Some("cone".to_owned()),
            notes: Some("two\nlines".to_owned()),
            source: DataSource::Pour,
            excluded: Some(Exclusion {
                because: "cap broke".to_owned(),
                by: "lab lead".to_owned(),
            }),
        });
        let text = curve.to_toml();
        assert_eq!(CurveFile::parse(&text).expect("its own text"), curve);
        assert_eq!(CurveFile::parse(&text).expect("again").to_toml(), text);
    }

    #[test]
    fn a_curve_names_what_its_approval_must_accept() {
        let curve = CurveFile::parse(BARE).expect("a good file");
        assert_eq!(curve.to_accept(), ["negative-offset", "no-data-behind-it"]);
        let accepts = ["negative-offset".to_owned()];
        assert_eq!(crate::unaccepted(&curve, &accepts), ["no-data-behind-it"]);
    }

    #[test]
    fn a_coefficient_that_lost_a_digit_is_not_its_datas_and_must_be_accepted_by_name() {
        let mut curve = CurveFile::parse(BARE).expect("a good file");
        let row = |maturity: f64, strength_mpa: f64| DataRow {
            specimen: format!("{maturity}"),
            group: "1".to_owned(),
            age_h: maturity,
            maturity,
            strength_mpa,
            temperature_min_c: 20.0,
            temperature_max_c: 20.5,
            fracture: None,
            notes: None,
            source: DataSource::Series,
            excluded: None,
        };
        let told: Vec<(f64, f64)> = [8.0, 16.0, 24.0, 48.0]
            .map(|maturity| (maturity, curve.curve.strength_mpa(maturity)))
            .to_vec();
        curve.data = told
            .iter()
            .zip([1.03, 0.97, 1.03, 0.97])
            .map(|((maturity, mpa), off)| row(*maturity, mpa * off))
            .collect();
        assert!(!curve.to_accept().contains(&crate::NOT_ITS_DATA.to_owned()));
        for row in &mut curve.data {
            // Its ultimate strength was raised by hand, by a third.
            row.strength_mpa /= 1.33;
        }
        assert!(curve.to_accept().contains(&crate::NOT_ITS_DATA.to_owned()));
        assert!(
            !curve
                .serious_warnings()
                .contains(&crate::NOT_ITS_DATA.to_owned())
        );
    }

    #[test]
    fn scatter_in_two_ways_at_once_is_refused() {
        let text = BARE.replace(
            "residual_cv = 0.031",
            "residual_cv = 0.031\nresidual_sd_mpa = 1",
        );
        let error = CurveFile::parse(&text).expect_err("two scatters");
        assert_eq!(error.key, "curve.residual_cv");
    }
}
