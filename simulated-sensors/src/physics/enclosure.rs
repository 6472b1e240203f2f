//! The air of a bed: above the concrete under the tarp, and below it around the form.
//!
//! The bed is cut into zones along its length, each with one node of air above and one below. The
//! end zones lose more, through the end curtains, so the ends of a bed are cold.

use super::section::Influx;

/// What a bed's enclosure is made of. All per metre of bed unless named otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnclosureSpec {
    pub width_m: f64,
    /// Heat capacity of the air above with its moisture and the tarp.
    pub air_j_m_k: f64,
    /// Heat capacity of the form and the air around it.
    pub form_j_m_k: f64,
    pub tarp_loss_w_m2_k: f64,
    /// Loss of the surface of an untarped bed.
    pub open_loss_w_m2_k: f64,
    pub form_loss_w_m2_k: f64,
    /// Loss through one end curtain, W/K.
    pub end_loss_w_k: f64,
    /// Exchange between the air above and below, past the edges of the form, W/(m K).
    pub across_w_m_k: f64,
    /// Stirring along the bed: exchange between neighbours times their distance, W m/K.
    pub stirring_w_m_k: f64,
}

/// A stretch of the bed whose air is taken as one.
#[derive(Debug, Clone, PartialEq)]
pub struct Zone {
    pub from_m: f64,
    pub to_m: f64,
    pub above_c: f64,
    pub below_c: f64,
    /// Share of the zone that is under its tarp now.
    pub tarped_share: f64,
}

impl Zone {
    pub fn length_m(&self) -> f64 {
        self.to_m - self.from_m
    }
}

/// A concrete column's share of a zone, and how its faces answer to the air there.
#[derive(Debug, Clone, Copy)]
pub struct Face {
    pub zone: usize,
    pub area_m2: f64,
    pub top: Influx,
    pub bottom: Influx,
}

/// Heat delivered to the whole bed.
#[derive(Debug, Clone, Copy, Default)]
pub struct Supply {
    pub above_w: f64,
    pub below_w: f64,
}

/// The weather, as the enclosure feels it.
#[derive(Debug, Clone, Copy)]
pub struct Outside {
    pub temperature_c: f64,
    pub wind_factor: f64,
}

/// The air of one bed.
#[derive(Debug, Clone)]
pub struct Enclosure {
    spec: EnclosureSpec,
    pub zones: Vec<Zone>,
    /// Work space: rows of the linear system, each with its right-hand side last.
    rows: Vec<Vec<f64>>,
}

impl Enclosure {
    /// Zones around the given stations, which must be sorted and lie within the bed.
    pub fn new(spec: EnclosureSpec, length_m: f64, stations_m: &[f64], start_c: f64) -> Self {
        let count = stations_m.len();
        let border = |index: usize| match index {
            0 => 0.0,
            index if index == count => length_m,
            index => f64::midpoint(stations_m[index - 1], stations_m[index]),
        };
        let zones = (0..count)
            .map(|index| Zone {
                from_m: border(index),
                to_m: border(index + 1),
                above_c: start_c,
                below_c: start_c,
                tarped_share: 0.0,
            })
            .collect();
        Self {
            spec,
            zones,
            rows: vec![vec![0.0; 2 * count + 1]; 2 * count],
        }
    }

    /// The zone that holds a station.
    pub fn zone_at(&self, station_m: f64) -> usize {
        self.zones
            .iter()
            .position(|zone| station_m < zone.to_m)
            .unwrap_or(self.zones.len() - 1)
    }

    /// Finds the air at the end of a step from supply, losses and the answers of the concrete.
    pub fn step(&mut self, period_s: f64, outside: Outside, supply: Supply, faces: &[Face]) {
        self.write_balance(period_s, outside, supply);
        let right = 2 * self.zones.len();
        for face in faces {
            let (above, below) = (2 * face.zone, 2 * face.zone + 1);
            for (row, influx) in [(above, face.top), (below, face.bottom)] {
                self.rows[row][above] += face.area_m2 * influx.per_top;
                self.rows[row][below] += face.area_m2 * influx.per_bottom;
                self.rows[row][right] -= face.area_m2 * influx.constant;
            }
        }
        eliminate(&mut self.rows);
        for (zone, pair) in self.zones.iter_mut().zip(self.rows.chunks(2)) {
            zone.above_c = pair[0][right];
            zone.below_c = pair[1][right];
        }
    }

    /// Losses to the weather, W/K: above and below.
    fn losses_w_k(&self, index: usize, outside: Outside) -> (f64, f64) {
        let zone = &self.zones[index];
        let spec = &self.spec;
        let roof_w_m2_k = zone.tarped_share * spec.tarp_loss_w_m2_k
            + (1.0 - zone.tarped_share) * spec.open_loss_w_m2_k;
        let curtains = usize::from(index == 0) + usize::from(index + 1 == self.zones.len());
        let area_m2 = spec.width_m * zone.length_m();
        let end_w_k = curtains as f64 * spec.end_loss_w_k / 2.0;
        let above_w_k = (roof_w_m2_k * area_m2 + end_w_k) * outside.wind_factor;
        let below_w_k = spec.form_loss_w_m2_k * area_m2 * outside.wind_factor + end_w_k;
        (above_w_k, below_w_k)
    }

    fn write_balance(&mut self, period_s: f64, outside: Outside, supply: Supply) {
        let count = self.zones.len();
        let length_m: f64 = self.zones.iter().map(Zone::length_m).sum();
        for row in &mut self.rows {
            row.fill(0.0);
        }
        for index in 0..count {
            let (above_w_k, below_w_k) = self.losses_w_k(index, outside);
            let zone = &self.zones[index];
            let zone_m = zone.length_m();
            let right = 2 * count;
            for (row, per_m, loss_w_k, from_c, supply_w) in [
                (
                    2 * index,
                    self.spec.air_j_m_k,
                    above_w_k,
                    zone.above_c,
                    supply.above_w,
                ),
                (
                    2 * index + 1,
                    self.spec.form_j_m_k,
                    below_w_k,
                    zone.below_c,
                    supply.below_w,
                ),
            ] {
                let store_w_k = per_m * zone_m / period_s;
                self.rows[row][row] += store_w_k + loss_w_k;
                self.rows[row][right] += store_w_k * from_c
                    + loss_w_k * outside.temperature_c
                    + supply_w * zone_m / length_m;
            }
            self.link(2 * index, 2 * index + 1, self.spec.across_w_m_k * zone_m);
            if index + 1 < count {
                let next = &self.zones[index + 1];
                let apart_m = (zone_m + next.length_m()) / 2.0;
                let stirring_w_k = self.spec.stirring_w_m_k / apart_m;
                self.link(2 * index, 2 * index + 2, stirring_w_k);
                self.link(2 * index + 1, 2 * index + 3, stirring_w_k);
            }
        }
    }

    fn link(&mut self, one: usize, other: usize, exchange_w_k: f64) {
        for (row, far) in [(one, other), (other, one)] {
            self.rows[row][row] += exchange_w_k;
            self.rows[row][far] -= exchange_w_k;
        }
    }
}

/// Gauss-Jordan elimination. The heat balance is diagonally dominant, so no pivot is sought.
fn eliminate(rows: &mut [Vec<f64>]) {
    let right = rows.len();
    for pivot in 0..right {
        let (before, rest) = rows.split_at_mut(pivot);
        let Some((pivot_row, after)) = rest.split_first_mut() else {
            return;
        };
        let scale = 1.0 / pivot_row[pivot];
        for value in &mut pivot_row[pivot..] {
            *value *= scale;
        }
        for row in before.iter_mut().chain(after) {
            let share = row[pivot];
            if share != 0.0 {
                for column in pivot..=right {
                    row[column] -= share * pivot_row[column];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::physics::hydration::{Hydrated, Hydration};
    use crate::physics::section::{Column, Films, Material};

    const SPEC: EnclosureSpec = EnclosureSpec {
        width_m: 2.4,
        air_j_m_k: 15_000.0,
        form_j_m_k: 60_000.0,
        tarp_loss_w_m2_k: 2.5,
        open_loss_w_m2_k: 14.0,
        form_loss_w_m2_k: 2.0,
        end_loss_w_k: 60.0,
        across_w_m_k: 4.0,
        stirring_w_m_k: 600.0,
    };
    const COLD: Outside = Outside {
        temperature_c: -2.0,
        wind_factor: 1.1,
    };

    #[test]
    fn supply_less_losses_is_the_heat_stored_in_air_and_concrete() {
        let hydration = Hydration {
            tau_h: 10.0,
            beta: 0.9,
            alpha_ultimate: 0.7,
            activation_j_mol: 40_000.0,
            reference_c: 20.0,
            heat_j_m3: 1.8e8,
        };
        let material = Material {
            conductivity_w_m_k: 1.9,
            heat_capacity_j_m3_k: 2.4e6,
        };
        let mut enclosure = Enclosure::new(SPEC, 60.0, &[3.0, 20.0, 40.0, 57.0], 15.0);
        for zone in &mut enclosure.zones {
            zone.tarped_share = 0.75;
        }
        let fresh = (22.0, Hydrated::default());
        let mut columns: Vec<Column> = (0..4)
            .map(|_| Column::new(material, hydration, 0.2, 12, fresh))
            .collect();
        let films = Films {
            top_w_m2_k: 8.0,
            bottom_w_m2_k: 9.0,
        };
        let supply = Supply {
            above_w: 30_000.0,
            below_w: 12_000.0,
        };
        for _ in 0..500 {
            let before = enclosure.zones.clone();
            let faces: Vec<Face> = columns
                .iter_mut()
                .enumerate()
                .map(|(zone, column)| {
                    let [top, bottom] = column.prepare(30.0, films);
                    let area_m2 = SPEC.width_m * enclosure.zones[zone].length_m();
                    Face {
                        zone,
                        area_m2,
                        top,
                        bottom,
                    }
                })
                .collect();
            enclosure.step(30.0, COLD, supply, &faces);
            let mut gap_w = supply.above_w + supply.below_w;
            for (index, (zone, column)) in enclosure.zones.iter().zip(&mut columns).enumerate() {
                column.finish(zone.above_c, zone.below_c);
                let (above_w_k, below_w_k) = enclosure.losses_w_k(index, COLD);
                gap_w -= above_w_k * (zone.above_c - COLD.temperature_c);
                gap_w -= below_w_k * (zone.below_c - COLD.temperature_c);
                let air_w_k = SPEC.air_j_m_k * zone.length_m() / 30.0;
                let form_w_k = SPEC.form_j_m_k * zone.length_m() / 30.0;
                gap_w -= air_w_k * (zone.above_c - before[index].above_c);
                gap_w -= form_w_k * (zone.below_c - before[index].below_c);
                for influx in [faces[index].top, faces[index].bottom] {
                    gap_w -= faces[index].area_m2 * influx.at(zone.above_c, zone.below_c);
                }
            }
            assert!(
                gap_w.abs() < 1e-6 * supply.above_w,
                "{gap_w} W are unaccounted for"
            );
        }
        assert!(enclosure.zones[1].above_c > 30.0);
    }

    #[test]
    fn the_ends_are_colder_and_a_lost_tarp_is_felt() {
        let mut enclosure = Enclosure::new(SPEC, 60.0, &[3.0, 20.0, 40.0, 57.0], 15.0);
        for zone in &mut enclosure.zones {
            zone.tarped_share = 1.0;
        }
        let supply = Supply {
            above_w: 30_000.0,
            below_w: 12_000.0,
        };
        for _ in 0..2000 {
            enclosure.step(30.0, COLD, supply, &[]);
        }
        let settled_c = enclosure.zones[1].above_c;
        assert!(enclosure.zones[0].above_c < settled_c - 2.0);
        assert!((enclosure.zones[0].above_c - enclosure.zones[3].above_c).abs() < 0.5);
        enclosure.zones[1].tarped_share = 0.0;
        for _ in 0..200 {
            enclosure.step(30.0, COLD, supply, &[]);
        }
        assert!(enclosure.zones[1].above_c < settled_c - 10.0);
    }
}
