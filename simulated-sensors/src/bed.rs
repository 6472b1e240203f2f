//! One simulated bed: its air, the concrete at its positions, and its cylinders.

use chrono::{DateTime, Utc};

use crate::fault::{FaultKind, Faults};
use crate::physics::cylinder::{Cylinder, MOULD};
use crate::physics::enclosure::{Enclosure, EnclosureSpec, Face, Outside, Supply};
use crate::physics::heat::Thermostat;
use crate::physics::hydration::{Hydrated, Hydration};
use crate::physics::section::{Column, Films, Material};
use crate::physics::strength::StrengthLaw;
use crate::plan::{self, BedPlan, LoadPlan};
use crate::scenario::{Bed, EnclosureWritten, Mix, Product, Scenario};

/// Cells through a section.
const CELL_COUNT: usize = 14;
/// How fast the air at a steam outlet follows the steam.
const OUTLET_MEMORY_S: f64 = 300.0;
/// How much hotter the outlet is than the air while steam comes.
const OUTLET_EXCESS_C: f64 = 22.0;

/// A bed as nature knows it.
#[derive(Debug)]
pub struct BedSim {
    pub plan: BedPlan,
    boiler: String,
    heat_w: f64,
    form_heat_share: f64,
    written: EnclosureWritten,
    enclosure: Enclosure,
    thermostat: Thermostat,
    positions: Vec<PositionSim>,
    enclosure_zone: usize,
    control_zone: usize,
    companion: CylinderSim,
    /// One stored cylinder for each load; the specimens of a load have its history.
    cylinders: Vec<CylinderSim>,
    /// Recent share of full steam, which the outlet feels.
    outlet_share: f64,
    faces: Vec<Face>,
}

#[derive(Debug)]
struct PositionSim {
    channel: String,
    zone: usize,
    thickness_m: f64,
    depth_m: f64,
    area_m2: f64,
    placed_at: DateTime<Utc>,
    concrete: Concrete,
    column: Option<Column>,
}

#[derive(Debug)]
struct CylinderSim {
    zone: usize,
    made_at: DateTime<Utc>,
    concrete: Concrete,
    cylinder: Option<Cylinder>,
}

/// The concrete of one load.
#[derive(Debug, Clone)]
struct Concrete {
    material: Material,
    hydration: Hydration,
    law: StrengthLaw,
    load: LoadPlan,
}

/// What is true at a position, which no instrument says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    pub temperature_c: f64,
    pub alpha: f64,
    pub strength_mpa: f64,
}

impl Concrete {
    fn new(mix: &Mix, load: &LoadPlan) -> Self {
        Self {
            material: mix.material(),
            hydration: mix.hydration(load.pace_factor),
            law: mix.strength_law(load.strength_factor),
            load: load.clone(),
        }
    }

    /// Temperature and hydration on arrival.
    fn fresh(&self, placed_at: DateTime<Utc>) -> (f64, Hydrated) {
        let fresh_c = self.load.fresh_c;
        let age_h = plan::age_when_placed_h(&self.load, placed_at) * self.hydration.rate(fresh_c);
        (fresh_c, Hydrated::fresh(&self.hydration, age_h, fresh_c))
    }

    fn truth(&self, temperature_c: f64, hydrated: &Hydrated) -> Truth {
        Truth {
            temperature_c,
            alpha: hydrated.alpha,
            strength_mpa: self.law.strength_mpa(&self.hydration, hydrated),
        }
    }
}

impl CylinderSim {
    fn advance(&mut self, now: DateTime<Utc>, air_c: f64, period_s: f64) {
        if self.cylinder.is_none() && now >= self.made_at {
            let fresh = self.concrete.fresh(self.made_at);
            let Concrete {
                material,
                hydration,
                ..
            } = self.concrete;
            self.cylinder = Some(Cylinder::new(MOULD, material, hydration, fresh));
        }
        if let Some(cylinder) = &mut self.cylinder {
            cylinder.advance(air_c, period_s);
        }
    }

    fn truth(&self) -> Option<Truth> {
        let cylinder = self.cylinder.as_ref()?;
        Some(
            self.concrete
                .truth(cylinder.temperature_c, &cylinder.hydrated),
        )
    }
}

impl BedSim {
    /// A bed before its pour. `bed`, `mix` and `product` are those that the plan names.
    pub fn new(scenario: &Scenario, bed: &Bed, plan: BedPlan, start_c: f64) -> Option<Self> {
        let mix = scenario.mix(&bed.mix)?;
        let product = scenario.product(&bed.product)?;
        let mut stations_m: Vec<f64> = bed
            .positions
            .iter()
            .map(|position| position.station_m)
            .collect();
        stations_m.sort_by(f64::total_cmp);
        stations_m.dedup_by(|one, other| (*one - *other).abs() < 0.5);
        let spec = enclosure_spec(&scenario.enclosure, product, bed.loss_factor);
        let enclosure = Enclosure::new(spec, bed.length_m, &stations_m, start_c);
        let cylinder = |station_m: f64, load_index: usize| CylinderSim {
            zone: enclosure.zone_at(station_m),
            made_at: plan.loads[load_index].placed_from_at,
            concrete: Concrete::new(mix, &plan.loads[load_index]),
            cylinder: None,
        };
        Some(Self {
            boiler: bed.boiler.clone(),
            heat_w: bed.heat_kw * 1e3,
            form_heat_share: bed.form_heat_share,
            written: scenario.enclosure.clone(),
            thermostat: Thermostat::new(plan.heat_schedule()),
            positions: position_sims(bed, mix, product, &plan, &enclosure)?,
            enclosure_zone: enclosure.zone_at(bed.enclosure.station_m),
            control_zone: enclosure.zone_at(bed.length_m / 2.0),
            companion: cylinder(bed.companion.station_m, bed.companion.load as usize - 1),
            cylinders: (0..plan.loads.len())
                .map(|load_index| cylinder(bed.cylinders.station_m, load_index))
                .collect(),
            outlet_share: 0.0,
            faces: Vec::with_capacity(bed.positions.len()),
            enclosure,
            plan,
        })
    }

    pub fn boiler(&self) -> &str {
        &self.boiler
    }

    /// Heat that the thermostat asks for now.
    pub fn demand_w(&mut self, now: DateTime<Utc>) -> f64 {
        let air_c = self.enclosure.zones[self.control_zone].above_c;
        if self.thermostat.call(now, air_c) {
            self.heat_w
        } else {
            0.0
        }
    }

    /// Lets time pass until `now` with the heat that the boiler grants.
    pub fn step(
        &mut self,
        now: DateTime<Utc>,
        period_s: f64,
        outside: Outside,
        granted_w: f64,
        faults: &Faults,
    ) {
        self.set_tarp(now, faults);
        self.faces.clear();
        for position in &mut self.positions {
            if position.column.is_none() && now >= position.placed_at {
                let concrete = &position.concrete;
                position.column = Some(Column::new(
                    concrete.material,
                    concrete.hydration,
                    position.thickness_m,
                    CELL_COUNT,
                    concrete.fresh(position.placed_at),
                ));
            }
            let Some(column) = &mut position.column else {
                continue;
            };
            let tarped_share = self.enclosure.zones[position.zone].tarped_share;
            let films = Films {
                top_w_m2_k: tarped_share * self.written.top_film_w_m2_k
                    + (1.0 - tarped_share) * self.written.untarped_film_w_m2_k,
                bottom_w_m2_k: self.written.bottom_film_w_m2_k,
            };
            let [top, bottom] = column.prepare(period_s, films);
            let area_m2 = position.area_m2;
            self.faces.push(Face {
                zone: position.zone,
                area_m2,
                top,
                bottom,
            });
        }
        let supply = Supply {
            above_w: granted_w * (1.0 - self.form_heat_share),
            below_w: granted_w * self.form_heat_share,
        };
        self.enclosure.step(period_s, outside, supply, &self.faces);
        for position in &mut self.positions {
            let zone = &self.enclosure.zones[position.zone];
            if let Some(column) = &mut position.column {
                column.finish(zone.above_c, zone.below_c);
            }
        }
        for cylinder in self.cylinders.iter_mut().chain([&mut self.companion]) {
            cylinder.advance(now, self.enclosure.zones[cylinder.zone].above_c, period_s);
        }
        let keep = (-period_s / OUTLET_MEMORY_S).exp();
        self.outlet_share = keep * self.outlet_share + (1.0 - keep) * granted_w / self.heat_w;
    }

    fn set_tarp(&mut self, now: DateTime<Utc>, faults: &Faults) {
        let is_on = now >= self.plan.tarp_on_at;
        let lost = faults.active(FaultKind::TarpOff, &self.plan.bed_id, now);
        let lost_m = lost.map(|fault| fault.span_m.unwrap_or([0.0, self.plan.length_m]));
        for zone in &mut self.enclosure.zones {
            let bare_m = lost_m.map_or(0.0, |[from_m, to_m]| {
                (to_m.min(zone.to_m) - from_m.max(zone.from_m)).max(0.0)
            });
            zone.tarped_share = if is_on {
                1.0 - bare_m / zone.length_m()
            } else {
                0.0
            };
        }
    }

    /// Truth at each position that holds concrete, in wiring order.
    pub fn truths(&self) -> impl Iterator<Item = (&str, Option<Truth>)> {
        self.positions.iter().map(|position| {
            let truth = position.column.as_ref().map(|column| {
                let temperature_c = column.temperature_c(position.depth_m);
                position
                    .concrete
                    .truth(temperature_c, &column.hydrated(position.depth_m))
            });
            (position.channel.as_str(), truth)
        })
    }

    /// Temperature at a position's sensor: of the concrete, or of the air while there is none.
    pub fn position_c(&self, index: usize) -> f64 {
        let position = &self.positions[index];
        match &position.column {
            Some(column) => column.temperature_c(position.depth_m),
            None => self.air_at_position_c(index),
        }
    }

    /// The air above a position, where a sensor that has slipped out hangs.
    pub fn air_at_position_c(&self, index: usize) -> f64 {
        self.enclosure.zones[self.positions[index].zone].above_c
    }

    /// Beside a steam outlet near a position.
    pub fn outlet_at_position_c(&self, index: usize) -> f64 {
        self.air_at_position_c(index) + OUTLET_EXCESS_C * self.outlet_share
    }

    /// The air at the enclosure channel.
    pub fn enclosure_c(&self) -> f64 {
        self.enclosure.zones[self.enclosure_zone].above_c
    }

    /// The companion cylinder's sensor; the air until the cylinder is made.
    pub fn companion_c(&self) -> f64 {
        let air_c = self.enclosure.zones[self.companion.zone].above_c;
        self.companion
            .truth()
            .map_or(air_c, |truth| truth.temperature_c)
    }

    /// The companion cylinder itself, once it is made.
    pub fn companion(&self) -> Option<Truth> {
        self.companion.truth()
    }

    /// The stored cylinders of a load, once they are made.
    pub fn cylinder(&self, load_index: usize) -> Option<Truth> {
        self.cylinders.get(load_index)?.truth()
    }
}

fn enclosure_spec(
    written: &EnclosureWritten,
    product: &Product,
    loss_factor: f64,
) -> EnclosureSpec {
    EnclosureSpec {
        width_m: product.width_m,
        air_j_m_k: written.air_j_m2_k * product.width_m,
        form_j_m_k: written.form_j_m2_k * product.width_m,
        tarp_loss_w_m2_k: written.tarp_loss_w_m2_k * loss_factor,
        open_loss_w_m2_k: written.open_loss_w_m2_k,
        form_loss_w_m2_k: written.form_loss_w_m2_k * loss_factor,
        end_loss_w_k: written.end_loss_w_k * loss_factor,
        across_w_m_k: written.across_w_m_k,
        stirring_w_m_k: written.stirring_w_m_k,
    }
}

/// The positions, each standing for its share of the concrete in its zone.
fn position_sims(
    bed: &Bed,
    mix: &Mix,
    product: &Product,
    plan: &BedPlan,
    enclosure: &Enclosure,
) -> Option<Vec<PositionSim>> {
    // A zone without, say, an instrumented flange still has flanges: all its concrete is
    // represented by the positions it has, in proportion to what each stands for.
    let girth_m: f64 = product.places.iter().map(|place| place.girth_m).sum();
    let zones: Vec<usize> = bed
        .positions
        .iter()
        .map(|position| enclosure.zone_at(position.station_m))
        .collect();
    let mut zone_girths_m = vec![0.0; enclosure.zones.len()];
    for (position, &zone) in bed.positions.iter().zip(&zones) {
        zone_girths_m[zone] += product.place(&position.place)?.girth_m;
    }
    bed.positions
        .iter()
        .zip(zones)
        .map(|(position, zone)| {
            let place = product.place(&position.place)?;
            let share = place.girth_m / zone_girths_m[zone];
            let load = &plan.loads[plan.load_index_at(position.station_m)];
            Some(PositionSim {
                channel: position.channel.clone(),
                zone,
                thickness_m: place.thickness_m,
                depth_m: position.depth_m,
                area_m2: enclosure.zones[zone].length_m() * girth_m * share,
                placed_at: plan.placed_at(position.station_m),
                concrete: Concrete::new(mix, load),
                column: None,
            })
        })
        .collect()
}
