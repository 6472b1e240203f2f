//! What may be expected of each position of a pour, hour by hour, as text or JSON.

use daemon_api::ahead::{PositionAheadView, SpreadView};
use daemon_api::pour::PourView;
use daemon_api::series::SeriesAnswer;
use units::{Celsius, Megapascal, Show};

use super::send::{Desk, Plant, print};
use crate::words;

/// The past is not shown, so no more points of it are asked for than the fewest that a daemon gives.
const POINT_COUNT: usize = 2;

pub async fn ahead(desk: &Desk, named: &str, json: bool) -> anyhow::Result<()> {
    let plant = desk.plant().await?;
    let pour = plant.pour(named)?;
    let answer = desk.client.series(&pour.pour, POINT_COUNT).await?;
    if json {
        let text = serde_json::to_string_pretty(&answer.positions_ahead)?;
        return Ok(print(&(text + "\n"))?);
    }
    Ok(print(&pour_text(&plant, pour, &answer))?)
}

fn pour_text(plant: &Plant, pour: &PourView, answer: &SeriesAnswer) -> String {
    let mut text = format!(
        "{}\n    {}\n    {}\n",
        words::pour_heading(pour),
        pour.confirmation.words,
        words::forecast(&pour.forecast, plant.zone, plant.now),
    );
    if answer.positions_ahead.is_empty() {
        text.push_str("    Nothing is forecast, so nothing lies ahead.\n");
        return text;
    }
    text.push_str(
        "    Expected of each position, with the middle 8 of 10 futures: an estimate, only cylinders \
         confirm.\n",
    );
    for one in &answer.positions_ahead {
        text.push_str(&position_text(plant, pour, one));
    }
    text
}

fn position_text(plant: &Plant, pour: &PourView, ahead: &PositionAheadView) -> String {
    let units = plant.units;
    let of_position = |one: &&daemon_api::pour::PositionView| one.position == ahead.position;
    let required_mpa = pour
        .positions
        .iter()
        .find(of_position)
        .and_then(|one| one.required_mpa);
    let required = required_mpa.map_or_else(
        || "no release waits for it".to_owned(),
        |mpa| format!("required {}", Megapascal(mpa).show(units)),
    );
    let mut text = format!("  position {}, {required}\n", ahead.position);
    let maturity_unit = pour.curve.maturity_unit.as_deref().unwrap_or_default();
    for point in &ahead.points {
        text.push_str(&format!(
            "    {:>9}  {:<24}  {:<24}  {}\n",
            plant.zone.clock_near(point.at, plant.now),
            spread(&point.temperature_c, |c| Celsius(c).show(units)),
            format!(
                "{} {maturity_unit}",
                spread(&point.maturity, |one| format!("{one:.1}"))
            ),
            spread(&point.strength_mpa, |mpa| Megapascal(mpa).show(units)),
        ));
    }
    text
}

fn spread(spread: &SpreadView, told: impl Fn(f64) -> String) -> String {
    format!(
        "{} ({}–{})",
        told(spread.middle),
        told(spread.low),
        told(spread.high)
    )
}
