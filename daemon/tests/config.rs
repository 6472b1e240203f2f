//! The example plant file is read, and each invalid one is refused with the sentence it states.

use std::path::{Path, PathBuf};

use daemon::config::PlantFile;

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_example_plant_file_is_valid_and_states_the_defaults() {
    let text = std::fs::read_to_string(folder().join("plant.example.toml")).expect("the example");
    let plant = PlantFile::load(&folder().join("plant.example.toml"), &[]).expect("valid");
    assert_eq!(
        plant.core.trust,
        daemon_core::config::TrustSettings::default()
    );
    assert_eq!(
        plant.core.estimate,
        daemon_core::config::EstimateSettings::default()
    );
    assert_eq!(
        plant.listen.to_string(),
        daemon_api::routes::DEFAULT_ADDRESS
    );
    assert!(plant.warnings.is_empty(), "{:?}", plant.warnings);

    // Without what it calls defaults it says the same.
    let defaults = [
        "listen =",
        "pooled_within_h",
        "disagreement_fraction",
        "break_probability",
    ];
    let short: String = text
        .lines()
        .filter(|line| !defaults.iter().any(|key| line.starts_with(key)))
        .map(|line| format!("{line}\n"))
        .collect();
    let short = short.replace(
        "example/curves",
        &format!("{}/example/curves", folder().display()),
    );
    let file = tempfile::NamedTempFile::new().expect("a file");
    std::fs::write(file.path(), short).expect("written");
    let again = PlantFile::load(file.path(), &[]).expect("valid");
    assert_eq!(again.core.release, plant.core.release);
    assert_eq!(again.listen, plant.listen);
}

/// The sentence that an invalid file states in its first line.
fn expected(file: &Path) -> String {
    let text = std::fs::read_to_string(file).expect("an invalid case");
    let first = text.lines().next().unwrap_or_default();
    first
        .strip_prefix("# expected: ")
        .expect("the first line says what is expected")
        .to_owned()
}

#[test]
fn each_invalid_plant_file_is_refused_with_its_line_its_key_and_what_to_write() {
    let cases = std::fs::read_dir(folder().join("tests/invalid")).expect("the cases");
    let mut wrong = Vec::new();
    let mut case_count = 0;
    for case in cases {
        let file = case.expect("a case").path();
        case_count += 1;
        let error = PlantFile::load(&file, &[]).expect_err(&file.display().to_string());
        let said = error.to_string();
        let said = said.replace(
            &format!("{}/", folder().join("tests/invalid").display()),
            "",
        );
        let name = file
            .file_name()
            .expect("a name")
            .to_string_lossy()
            .into_owned();
        let expected = format!("{name}{}", expected(&file));
        // An error of a curve file names that file, not the plant file.
        if said != expected && said != expected[name.len()..] {
            wrong.push(format!("{said}\n  instead of\n{expected}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
    assert!(case_count >= 30, "only {case_count} cases were found");
}

#[test]
fn every_mistake_of_a_plant_file_is_told_in_one_run_in_the_order_of_its_lines() {
    let text = r#"[plant]
name = " "
zone = "Europe/Berlim"
data_dir = "data"
colour = "blue"
limit_set = "absent"

[[bed]]
id = "B1"
length_m = 0

[[bed]]
id = "B1"
length_m = "long"

[[mix]]
id = "M45"

[trust]
silent_min = 0.5
stuck_min = 1

[release]
basis = "average"
single_min_fraction = 90
specimen_count_min = 0
count_specimens_without_history = true
"#;
    let file = tempfile::NamedTempFile::new().expect("a file");
    let lines_of = |text: &str| {
        std::fs::write(file.path(), text).expect("written");
        let errors = PlantFile::load(file.path(), &[])
            .expect_err("it has mistakes")
            .0;
        errors.iter().filter_map(|one| one.line).collect::<Vec<_>>()
    };
    // What is no plant file at all: both keys at once.
    assert_eq!(lines_of(text), [5, 14]);
    let text = text
        .replace("colour = \"blue\"\n", "")
        .replace("\"long\"", "60");
    let lines = lines_of(&text);
    assert_eq!(
        lines,
        [2, 3, 5, 9, 12, 19, 20, 22, 24, 25],
        "each at its line"
    );
}
