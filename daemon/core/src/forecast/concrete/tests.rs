//! The slab against exact conduction, its own energy, and a finely stepped hydration.

use super::*;

fn section(cementitious_kg_m3: f64, thickness_mm: f64) -> Section {
    Section {
        rise_c: cementitious_kg_m3 * HYDRATION_KJ_KG / HEAT_CAPACITY_KJ_M3_K,
        half_m: thickness_mm / 2000.0,
        film_ln_sd: FILM_LN_SD,
    }
}

/// Parameters as expected, but for the film.
fn with_film(film_ln: f64) -> Parameters {
    [0.0, 0.0, film_ln, 0.0]
}

#[test]
fn a_slab_with_a_step_of_surface_temperature_follows_the_series_solution() {
    // Source: the Fourier series of a plane wall whose face is held at another temperature, as in any
    // heat-transfer textbook. Mark: common practice. At the middle:
    // theta = sum 4 / (pi (2n+1)) (-1)^n exp(-((2n+1) pi / 2)^2 Fo).
    let section = section(0.0, 400.0);
    let ripening = ripening_table(None);
    // So good a film holds the face at the air's temperature.
    let slab = Slab::new(&section, section.place(Some(200.0)), &with_film(12.0));
    let mut cells = slab.uniform(20.0, 0.0);
    let diffusivity_m2_h = CONDUCTIVITY_W_M_K * S_PER_H / (HEAT_CAPACITY_KJ_M3_K * 1000.0);
    for step in 1..=60 {
        slab.step(&mut cells, (60.0, 0.0), &ripening);
        let fourier =
            diffusivity_m2_h * f64::from(step) * STEP_H / (section.half_m * section.half_m);
        // Where the innermost cell has its middle, a sixth of the half thickness from the centre.
        let exact: f64 = (0..40)
            .map(|n| {
                let odd = f64::from(2 * n + 1);
                let root = odd * std::f64::consts::FRAC_PI_2;
                let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
                2.0 * sign / root * (root / 6.0).cos() * (-root * root * fourier).exp()
            })
            .sum();
        let exact_c = 60.0 - 40.0 * exact;
        let off_c = slab.sensor_c(&cells) - exact_c;
        // Three cells: within two per cent of the step of forty degrees everywhere.
        assert!(
            off_c.abs() < 0.7,
            "step {step}: {exact_c} °C, off by {off_c}"
        );
    }
}

#[test]
fn adiabatic_concrete_rises_by_the_heat_it_released() {
    let section = section(400.0, 300.0);
    let ripening = ripening_table(None);
    let slab = Slab::new(&section, section.place(None), &with_film(-60.0));
    let mut cells = slab.uniform(20.0, 0.5);
    let before = cells.share[0];
    for _ in 0..200 {
        slab.step(&mut cells, (-10.0, -10.0), &ripening);
    }
    let rise_c = cells.temperature_c[0] - 20.0;
    let released_c = slab.rise_c * (cells.share[0] - before);
    assert!((rise_c - released_c).abs() < 1e-9, "{rise_c} {released_c}");
    assert!(rise_c > 20.0);
}

#[test]
fn ten_minute_steps_follow_adiabatic_hydration_stepped_a_hundred_times_finer() {
    // Source: our computation of the same differential equation with steps of six seconds.
    let section = section(450.0, 300.0);
    let ripening = ripening_table(None);
    let slab = Slab::new(&section, section.place(None), &with_film(-60.0));
    let mut cells = slab.uniform(25.0, 0.2);
    let rate = |celsius: f64| {
        let inverse = |celsius: f64| 1.0 / (celsius + KELVIN_OFFSET);
        (ACTIVATION_ENERGY_J_MOL / GAS_CONSTANT_J_MOL_K * (inverse(REFERENCE_C) - inverse(celsius)))
            .exp()
    };
    let (mut fine_c, mut age_h) = (25.0f64, 0.2f64);
    for step in 1..=120 {
        slab.step(&mut cells, (0.0, 0.0), &ripening);
        for _ in 0..100 {
            let before = share_exact(age_h * slab.per_delay);
            age_h += rate(fine_c) * STEP_H / 100.0;
            fine_c += slab.rise_c * (share_exact(age_h * slab.per_delay) - before);
        }
        let off_c = cells.temperature_c[1] - fine_c;
        assert!(
            off_c.abs() < 0.25,
            "step {step}: {fine_c} °C, off by {off_c}"
        );
    }
}

/// A slab under air that warms by 12 °C/h for four hours, stepped so many times an hour: the hourly readings.
fn warmed(thickness_mm: f64, steps_per_h: u32) -> Vec<f64> {
    let section = section(400.0, thickness_mm);
    let ripening = ripening_table(None);
    let step_h = 1.0 / f64::from(steps_per_h);
    let slab = Slab::stepped(&section, section.place(Some(40.0)), &with_film(0.0), step_h);
    let mut cells = slab.uniform(20.0, 1.0);
    let air_c = |hours: f64| 15.0 + 12.0 * hours.min(4.0);
    let hourly = (0..8 * steps_per_h).filter_map(|step| {
        let from_h = f64::from(step) * step_h;
        let mean_c = f64::midpoint(air_c(from_h), air_c(from_h + step_h));
        slab.step(&mut cells, (mean_c, 10.0), &ripening);
        (step % steps_per_h == steps_per_h - 1).then(|| slab.sensor_c(&cells))
    });
    hourly.collect()
}

#[test]
fn half_hour_steps_under_warming_air_follow_those_of_a_minute() {
    for thickness_mm in [100.0, 200.0, 600.0] {
        let (fine, coarse) = (warmed(thickness_mm, 60), warmed(thickness_mm, 2));
        for (hour, (fine_c, coarse_c)) in fine.iter().zip(&coarse).enumerate() {
            let off_c = coarse_c - fine_c;
            assert!(
                off_c.abs() < 0.3,
                "{thickness_mm} mm, hour {}: {fine_c} °C, off by {off_c}",
                hour + 1
            );
        }
    }
}

#[test]
fn a_sensor_beyond_the_middle_reads_as_one_as_near_to_the_other_face() {
    let section = section(400.0, 300.0);
    let (near, far) = (section.place(Some(50.0)), section.place(Some(250.0)));
    assert_eq!(near.inner, far.inner);
    assert!((near.outer_share - far.outer_share).abs() < 1e-9);
}
