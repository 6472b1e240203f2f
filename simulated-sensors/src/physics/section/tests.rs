//! Checks of the conduction against the analytic slab, and of the heat balance.

use super::*;

const MATERIAL: Material = Material {
    conductivity_w_m_k: 1.9,
    heat_capacity_j_m3_k: 2.4e6,
};

fn inert() -> Hydration {
    Hydration {
        tau_h: 10.0,
        beta: 1.0,
        alpha_ultimate: 0.7,
        activation_j_mol: 40_000.0,
        reference_c: 20.0,
        heat_j_m3: 0.0,
    }
}

fn warm() -> Hydration {
    Hydration {
        heat_j_m3: 450e3 * 420.0,
        ..inert()
    }
}

fn column(hydration: Hydration, thickness_m: f64, cell_count: usize, start_c: f64) -> Column {
    Column::new(
        MATERIAL,
        hydration,
        thickness_m,
        cell_count,
        (start_c, Hydrated::default()),
    )
}

fn run(column: &mut Column, period_s: f64, steps: usize, films: Films, top_c: f64, bottom_c: f64) {
    for _ in 0..steps {
        column.prepare(period_s, films);
        column.finish(top_c, bottom_c);
    }
}

/// Roots of `zeta tan(zeta) = biot`, one in each half-open interval of length pi.
fn roots(biot: f64, count: usize) -> Vec<f64> {
    let root = |index: usize| {
        let mut low = index as f64 * std::f64::consts::PI;
        let mut high = low + std::f64::consts::FRAC_PI_2 - 1e-12;
        for _ in 0..200 {
            let middle = (low + high) / 2.0;
            if middle * middle.tan() < biot {
                low = middle
            } else {
                high = middle
            }
        }
        (low + high) / 2.0
    };
    (0..count).map(root).collect()
}

/// The part of a sudden step in the air that has not yet arrived, at `place` half-thicknesses
/// from the middle: the classic series for a slab with equal films on both faces.
fn remaining(biot: f64, fourier: f64, place: f64) -> f64 {
    let term = |zeta: &f64| {
        4.0 * zeta.sin() / (2.0 * zeta + (2.0 * zeta).sin())
            * (-zeta * zeta * fourier).exp()
            * (zeta * place).cos()
    };
    roots(biot, 60).iter().map(term).sum()
}

#[test]
fn a_slab_follows_the_analytic_series() {
    // Source: series solution of the heat equation with a film (textbook mathematics). Mark:
    // from memory, and proved against itself at time zero below.
    let half_m = 0.15;
    for (film, cell_count) in [(5.0, 16), (40.0, 16), (200.0, 64)] {
        let biot = film * half_m / MATERIAL.conductivity_w_m_k;
        assert!(
            (remaining(biot, 1e-3, 0.0) - 1.0).abs() < 2e-3,
            "series at time zero"
        );
        let films = Films {
            top_w_m2_k: film,
            bottom_w_m2_k: film,
        };
        for hours in [0.5, 2.0, 6.0] {
            let diffusivity = MATERIAL.conductivity_w_m_k / MATERIAL.heat_capacity_j_m3_k;
            let fourier = diffusivity * hours * 3600.0 / (half_m * half_m);
            let mut slab = column(inert(), 2.0 * half_m, cell_count, 20.0);
            run(&mut slab, 10.0, (hours * 360.0) as usize, films, 60.0, 60.0);
            for depth_m in [0.0, 0.03, 0.08, 0.15, 0.22, 0.30] {
                let place = (depth_m - half_m) / half_m;
                let expected_c = 60.0 - 40.0 * remaining(biot, fourier, place);
                let got_c = slab.temperature_c(depth_m);
                assert!(
                    (got_c - expected_c).abs() < 0.004 * 40.0,
                    "film {film}, {hours} h, depth {depth_m}: {got_c} and not {expected_c}"
                );
            }
        }
    }
}

#[test]
fn finer_cells_and_steps_come_closer_to_the_series() {
    let films = Films {
        top_w_m2_k: 25.0,
        bottom_w_m2_k: 25.0,
    };
    let biot = 25.0 * 0.15 / MATERIAL.conductivity_w_m_k;
    let fourier = MATERIAL.conductivity_w_m_k / MATERIAL.heat_capacity_j_m3_k * 7200.0 / 0.0225;
    let expected_c = 60.0 - 40.0 * remaining(biot, fourier, 0.0);
    let error_c = |cell_count: usize, period_s: f64| {
        let mut slab = column(inert(), 0.30, cell_count, 20.0);
        run(
            &mut slab,
            period_s,
            (7200.0 / period_s) as usize,
            films,
            60.0,
            60.0,
        );
        (slab.temperature_c(0.15) - expected_c).abs()
    };
    let coarse_c = error_c(12, 120.0);
    let fine_c = error_c(48, 5.0);
    assert!(fine_c < coarse_c / 8.0, "coarse {coarse_c}, fine {fine_c}");
}

#[test]
fn an_insulated_face_is_a_plane_of_symmetry() {
    let both = Films {
        top_w_m2_k: 12.0,
        bottom_w_m2_k: 12.0,
    };
    let one = Films {
        top_w_m2_k: 12.0,
        bottom_w_m2_k: 0.0,
    };
    let mut whole = column(warm(), 0.40, 32, 22.0);
    let mut half = column(warm(), 0.20, 16, 22.0);
    run(&mut whole, 30.0, 1200, both, 45.0, 45.0);
    run(&mut half, 30.0, 1200, one, 45.0, -40.0);
    for depth_m in [0.01, 0.05, 0.11, 0.18] {
        assert!((whole.temperature_c(depth_m) - half.temperature_c(depth_m)).abs() < 1e-8);
    }
}

#[test]
fn heat_in_and_heat_of_hydration_are_the_heat_stored() {
    let films = Films {
        top_w_m2_k: 9.0,
        bottom_w_m2_k: 21.0,
    };
    let hydration = warm();
    let mut slab = column(hydration, 0.25, 14, 24.0);
    let stored_j_m2 = |slab: &Column| {
        let sum_c: f64 = slab.temperature_c.iter().sum();
        sum_c * slab.cell_m * MATERIAL.heat_capacity_j_m3_k
    };
    let before_j_m2 = stored_j_m2(&slab);
    let mut through_faces_j_m2 = 0.0;
    for step in 0..2400 {
        let top_c = 30.0 + 25.0 * (f64::from(step) / 300.0).sin();
        let bottom_c = 5.0 + f64::from(step) / 100.0;
        let flows = slab.prepare(30.0, films);
        slab.finish(top_c, bottom_c);
        through_faces_j_m2 += 30.0
            * flows
                .map(|flow| flow.at(top_c, bottom_c))
                .iter()
                .sum::<f64>();
    }
    let alpha_sum: f64 = slab.hydrated.iter().map(|cell| cell.alpha).sum();
    let released_j_m2 = alpha_sum * slab.cell_m * hydration.heat_j_m3;
    let gained_j_m2 = stored_j_m2(&slab) - before_j_m2;
    let gap_j_m2 = gained_j_m2 - through_faces_j_m2 - released_j_m2;
    assert!(released_j_m2 > 1e6 && through_faces_j_m2.abs() > 1e6);
    assert!(gap_j_m2.abs() < 1e-9 * released_j_m2, "gap {gap_j_m2} J/m2");
}

#[test]
fn changing_a_film_takes_effect_at_the_next_step() {
    let mut slab = column(inert(), 0.10, 12, 50.0);
    let still = Films {
        top_w_m2_k: 0.0,
        bottom_w_m2_k: 0.0,
    };
    run(&mut slab, 30.0, 100, still, 0.0, 0.0);
    assert!((slab.temperature_c(0.05) - 50.0).abs() < 1e-9);
    run(
        &mut slab,
        30.0,
        100,
        Films {
            top_w_m2_k: 20.0,
            ..still
        },
        0.0,
        0.0,
    );
    assert!(slab.temperature_c(0.0) < 45.0);
}
