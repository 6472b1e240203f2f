//! Names as people type them: `n1` is N1 where no other name is meant by it.

use daemon_api::act::{ActBody, BreakResult};
use daemon_api::pour::PourView;

/// The one that a person names: by its own name, else without regard to case where only one fits.
pub fn find<'a, T>(all: &'a [T], typed: &str, name: impl Fn(&T) -> &str) -> Option<&'a T> {
    if let Some(one) = all.iter().find(|one| name(one) == typed) {
        return Some(one);
    }
    let mut alike = all
        .iter()
        .filter(|one| name(one).eq_ignore_ascii_case(typed.trim()));
    let first = alike.next();
    first.filter(|_| alike.next().is_none())
}

/// Writes the names in an act as the pour has them; a name it does not have stays for the daemon to judge.
pub fn as_the_pour_has_them(pour: &PourView, body: &mut ActBody) {
    match body {
        ActBody::PositionExcluded { position }
        | ActBody::PositionRestored { position }
        | ActBody::GapsAccepted { position }
        | ActBody::HandProbed { position, .. } => as_position(pour, position),
        ActBody::PlugMoved(binding) => {
            if let Some(position) = &mut binding.position {
                as_position(pour, position);
            }
            if let Some(set) = &mut binding.set {
                as_set(pour, set);
            }
        }
        ActBody::CylindersMade(made) => {
            if let Some(position) = &mut made.follows_position {
                as_position(pour, position);
            }
        }
        ActBody::CylindersPulled { set, specimens } => {
            as_set(pour, set);
            for specimen in specimens {
                as_specimen(pour, set, specimen);
            }
        }
        ActBody::BreakRecorded(BreakResult { set, specimens, .. }) => {
            as_set(pour, set);
            for result in specimens {
                as_specimen(pour, set, &mut result.specimen);
            }
        }
        _ => {}
    }
}

fn as_position(pour: &PourView, typed: &mut String) {
    if let Some(position) = find(&pour.positions, typed, |position| &position.position) {
        typed.clone_from(&position.position);
    }
}

fn as_set(pour: &PourView, typed: &mut String) {
    if let Some(set) = find(&pour.cylinder_sets, typed, |set| &set.made.set) {
        typed.clone_from(&set.made.set);
    }
}

fn as_specimen(pour: &PourView, set: &str, typed: &mut String) {
    let sets = pour.cylinder_sets.iter();
    let specimens = sets
        .filter(|known| known.made.set == set)
        .flat_map(|set| set.made.specimens.clone())
        .collect::<Vec<String>>();
    if let Some(specimen) = find(&specimens, typed, |specimen| specimen) {
        typed.clone_from(specimen);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_found_in_another_case_only_where_one_fits() {
        let beds = ["N1", "n1", "S3"];
        let found = |typed| find(&beds, typed, |bed| bed).copied();
        assert_eq!(found("n1"), Some("n1"));
        assert_eq!(found("N1"), Some("N1"));
        assert_eq!(found("s3"), Some("S3"));
        assert_eq!(found("s4"), None);
        let twins = ["Ab", "aB"];
        assert_eq!(find(&twins, "ab", |bed| bed), None);
    }
}
