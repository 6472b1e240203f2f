//! Checks of a scenario beyond its syntax: names resolve, numbers are physically possible.

use std::collections::HashSet;

use super::{Bed, Mix, Scenario};
use crate::fault::{self, FaultWritten};

/// Everything that is wrong, each as a phrase that names its place.
pub fn problems(scenario: &Scenario) -> Vec<String> {
    let mut found = Vec::new();
    if scenario.plant.sample_period_s == 0 || scenario.plant.sample_period_s > 3600 {
        found.push("plant: sample_period_s must lie between 1 and 3600".to_owned());
    }
    for (kind, ids) in [
        ("boiler", ids(&scenario.boilers, |boiler| &boiler.id)),
        ("mix", ids(&scenario.mixes, |mix| &mix.id)),
        ("product", ids(&scenario.products, |product| &product.id)),
        ("logger", ids(&scenario.loggers, |logger| &logger.id)),
        ("bed", ids(&scenario.beds, |bed| &bed.id)),
        (
            "channel",
            scenario.channels().map(|(channel, _)| channel).collect(),
        ),
    ] {
        let mut seen = HashSet::new();
        found.extend(
            ids.into_iter()
                .filter(|id| !seen.insert(*id))
                .map(|id| format!("{kind} {id} is used twice")),
        );
    }
    positive(&mut found, "enclosure", &enclosure_numbers(scenario));
    not_negative(&mut found, "scatter", &scatter_numbers(scenario));
    let weather = &scenario.weather;
    not_negative(
        &mut found,
        "weather",
        &[
            ("daily_amplitude_c", weather.daily_amplitude_c),
            ("between_nights_c", weather.between_nights_c),
            ("wander_c", weather.wander_c),
        ],
    );
    if !(-60.0..=50.0).contains(&weather.mean_c) {
        found.push("weather: mean_c must lie between -60 and 50".to_owned());
    }
    for boiler in &scenario.boilers {
        let place = format!("boiler {}", boiler.id);
        positive(&mut found, &place, &[("capacity_kw", boiler.capacity_kw)]);
    }
    for mix in &scenario.mixes {
        check_mix(&mut found, mix);
    }
    for product in &scenario.products {
        let place = format!("product {}", product.id);
        positive(&mut found, &place, &[("width_m", product.width_m)]);
        for part in &product.places {
            let place = format!("product {}, place {}", product.id, part.name);
            let numbers = [("thickness_m", part.thickness_m), ("girth_m", part.girth_m)];
            positive(&mut found, &place, &numbers);
        }
    }
    for bed in &scenario.beds {
        check_bed(&mut found, scenario, bed);
    }
    let ambient = &scenario.plant.ambient;
    if scenario.logger(&ambient.logger).is_none() {
        found.push(format!("plant: no logger {}", ambient.logger));
    }
    for written in &scenario.faults {
        let FaultWritten {
            kind,
            target,
            offset_s,
            span_m,
            ..
        } = written;
        found.extend(fault::problem(scenario, *kind, target, *offset_s, *span_m));
    }
    found
}

fn ids<T>(items: &[T], id: impl Fn(&T) -> &String) -> Vec<&str> {
    items.iter().map(|item| id(item).as_str()).collect()
}

fn positive(found: &mut Vec<String>, place: &str, numbers: &[(&str, f64)]) {
    let wrong = numbers
        .iter()
        .filter(|(_, value)| !(value.is_finite() && *value > 0.0));
    found.extend(wrong.map(|(name, value)| format!("{place}: {name} = {value} must be above 0")));
}

fn not_negative(found: &mut Vec<String>, place: &str, numbers: &[(&str, f64)]) {
    let wrong = numbers
        .iter()
        .filter(|(_, value)| !(value.is_finite() && *value >= 0.0));
    found.extend(wrong.map(|(name, value)| format!("{place}: {name} = {value} is below 0")));
}

fn enclosure_numbers(scenario: &Scenario) -> [(&'static str, f64); 11] {
    let spec = &scenario.enclosure;
    [
        ("air_j_m2_k", spec.air_j_m2_k),
        ("form_j_m2_k", spec.form_j_m2_k),
        ("tarp_loss_w_m2_k", spec.tarp_loss_w_m2_k),
        ("open_loss_w_m2_k", spec.open_loss_w_m2_k),
        ("form_loss_w_m2_k", spec.form_loss_w_m2_k),
        ("end_loss_w_k", spec.end_loss_w_k),
        ("across_w_m_k", spec.across_w_m_k),
        ("stirring_w_m_k", spec.stirring_w_m_k),
        ("top_film_w_m2_k", spec.top_film_w_m2_k),
        ("untarped_film_w_m2_k", spec.untarped_film_w_m2_k),
        ("bottom_film_w_m2_k", spec.bottom_film_w_m2_k),
    ]
}

fn scatter_numbers(scenario: &Scenario) -> [(&'static str, f64); 9] {
    let scatter = &scenario.scatter;
    [
        ("pour_strength", scatter.pour_strength),
        ("load_strength", scatter.load_strength),
        ("specimen_strength", scatter.specimen_strength),
        ("pour_pace", scatter.pour_pace),
        ("load_pace", scatter.load_pace),
        ("fresh_c", scatter.fresh_c),
        ("heat_on_min", scatter.heat_on_min),
        ("sensor_bias_c", scatter.sensor_bias_c),
        ("sensor_noise_c", scatter.sensor_noise_c),
    ]
}

fn check_mix(found: &mut Vec<String>, mix: &Mix) {
    let place = format!("mix {}", mix.id);
    positive(
        found,
        &place,
        &[
            ("cementitious_kg_m3", mix.cementitious_kg_m3),
            ("heat_kj_kg", mix.heat_kj_kg),
            ("tau_h", mix.tau_h),
            ("beta", mix.beta),
            ("activation_kj_mol", mix.activation_kj_mol),
            ("conductivity_w_m_k", mix.conductivity_w_m_k),
            ("heat_capacity_mj_m3_k", mix.heat_capacity_mj_m3_k),
            ("final_mpa", mix.final_mpa),
            ("alpha_set", mix.alpha_set),
            ("exponent", mix.exponent),
        ],
    );
    not_negative(found, &place, &[("heat_toll_per_k", mix.heat_toll_per_k)]);
    if !(mix.alpha_set < mix.alpha_ultimate && mix.alpha_ultimate <= 1.0) {
        found.push(format!(
            "{place}: alpha_ultimate must lie between alpha_set and 1"
        ));
    }
}

fn check_bed(found: &mut Vec<String>, scenario: &Scenario, bed: &Bed) {
    let place = format!("bed {}", bed.id);
    for (kind, id, is_known) in [
        ("mix", &bed.mix, scenario.mix(&bed.mix).is_some()),
        (
            "product",
            &bed.product,
            scenario.product(&bed.product).is_some(),
        ),
        (
            "logger",
            &bed.logger,
            scenario.logger(&bed.logger).is_some(),
        ),
        (
            "boiler",
            &bed.boiler,
            scenario
                .boilers
                .iter()
                .any(|boiler| boiler.id == bed.boiler),
        ),
    ] {
        if !is_known {
            found.push(format!("{place}: no {kind} {id}"));
        }
    }
    positive(
        found,
        &place,
        &[
            ("length_m", bed.length_m),
            ("loss_factor", bed.loss_factor),
            ("heat_kw", bed.heat_kw),
            ("dead_band_c", bed.heat.dead_band_c),
            ("rise_c_per_h", bed.heat.rise_c_per_h),
            ("required_release_mpa", bed.required_release_mpa),
        ],
    );
    not_negative(found, &place, &[("preset_h", bed.heat.preset_h)]);
    if !(0.0..=1.0).contains(&bed.form_heat_share) {
        found.push(format!("{place}: form_heat_share must lie between 0 and 1"));
    }
    let noon = [
        scenario.plant.night_starts,
        bed.first_placed,
        bed.last_placed,
        bed.heat.off,
    ]
    .map(super::LocalTime::minutes_after_noon);
    for (pair, (earlier, later)) in noon.windows(2).zip([
        ("night_starts", "first_placed"),
        ("first_placed", "last_placed"),
        ("last_placed", "heat off"),
    ]) {
        if pair[0] >= pair[1] {
            found.push(format!("{place}: {later} must come after {earlier}"));
        }
    }
    if bed.load_count == 0 || bed.positions.is_empty() {
        found.push(format!("{place}: needs at least one load and one position"));
    }
    let loads = bed
        .cylinders
        .sampled_loads
        .iter()
        .chain([&bed.companion.load]);
    for load in loads.filter(|load| !(1..=bed.load_count).contains(*load)) {
        found.push(format!(
            "{place}: no load {load}, loads run from 1 to {}",
            bed.load_count
        ));
    }
    if bed.cylinders.sampled_loads.is_empty() || bed.cylinders.set_count > 26 {
        found.push(format!(
            "{place}: cylinders need a sampled load, and at most 26 sets"
        ));
    }
    check_stations(found, scenario, bed, &place);
}

fn check_stations(found: &mut Vec<String>, scenario: &Scenario, bed: &Bed, place: &str) {
    let positions = bed.positions.iter().map(|position| position.station_m);
    let others = [
        bed.enclosure.station_m,
        bed.companion.station_m,
        bed.cylinders.station_m,
    ];
    for station_m in positions.chain(others) {
        if !(0.0..=bed.length_m).contains(&station_m) {
            found.push(format!(
                "{place}: station_m = {station_m} is not on the bed"
            ));
        }
    }
    let Some(product) = scenario.product(&bed.product) else {
        return;
    };
    for position in &bed.positions {
        match product.place(&position.place) {
            None => found.push(format!(
                "{place}, {}: product {} has no place {}",
                position.channel, product.id, position.place
            )),
            Some(part) if !(0.0..=part.thickness_m).contains(&position.depth_m) => {
                found.push(format!(
                    "{place}, {}: depth_m = {} is not within the {} m of the {}",
                    position.channel, position.depth_m, part.thickness_m, part.name
                ));
            }
            Some(_) => {}
        }
    }
}
