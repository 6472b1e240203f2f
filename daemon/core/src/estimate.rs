//! Which curve a pour has, and the estimate at each of its positions.

use calibration::{
    Cured, CurveFile, CurveStanding, MaturityFunction, PreparedCurve, RequiredMaturity, Scatter,
    TimeZero, is_approval, standing_at,
};
use chrono::{DateTime, Utc};

use crate::assessment::{CurveUse, PositionEstimate, Standing};
use crate::config::{EstimateSettings, KnownCurve, PlantConfig};
use crate::pour::PourRecord;
use crate::time::UtcMs;

/// A curve made ready once, used by every pour of its mix.
#[derive(Debug, Clone)]
pub struct ReadyCurve {
    pub digest: String,
    pub name: String,
    pub maturity: MaturityFunction,
    pub time_zero: TimeZero,
    /// With the plant's own figure for the scatter from pour to pour: what forecasts start from.
    pub prepared: PreparedCurve,
    /// With the scatter that the curve's breaks show: what estimates are made from.
    pub estimating: PreparedCurve,
    /// Hottest temperature that its specimens saw, °C.
    pub temperature_max_c: f64,
    pub temperature_min_c: f64,
    pub cured: Cured,
}

impl ReadyCurve {
    /// Prepares a curve with the plant's scatter.
    #[must_use]
    pub fn new(curve: &KnownCurve, settings: &EstimateSettings) -> Self {
        let scatter = Scatter {
            pour_cv: settings.pour_cv,
            load_cv: settings.load_cv,
        };
        let file: &CurveFile = &curve.file;
        let prepared = PreparedCurve::new(file, scatter);
        Self {
            digest: curve.digest.clone(),
            name: file.name.clone(),
            maturity: file.maturity,
            time_zero: file.time_zero,
            estimating: prepared.clone(),
            prepared,
            temperature_max_c: file.range.temperature_max_c,
            temperature_min_c: file.range.temperature_min_c,
            cured: file.specimens.cured,
        }
    }

    /// True where the curve's data never reach that strength.
    #[must_use]
    pub fn never_reaches(&self, strength_mpa: f64) -> bool {
        matches!(
            self.prepared.required_maturity(strength_mpa),
            RequiredMaturity::Never | RequiredMaturity::BeyondData { .. }
        )
    }
}

/// Which curve the pour has and how it stands.
///
/// A pour keeps the version that was approved when it was opened; where none was, the first approved
/// since. A curve that was superseded later stays its curve; one that was withdrawn does not.
#[must_use]
pub fn curve_use(config: &PlantConfig, record: &PourRecord, now: UtcMs) -> CurveUse {
    let Some(now_utc) = now.to_utc() else {
        return CurveUse::default();
    };
    let Some(curve) = choose(config, record, now) else {
        return match &record.facts.curve {
            Some(digest) => CurveUse {
                digest: Some(digest.clone()),
                standing: Standing::Missing,
                note: format!("No curve file with digest {digest} is known: no estimate."),
                ..CurveUse::default()
            },
            None => CurveUse {
                note: format!("Mix {} has no curve: cylinders alone.", record.facts.mix),
                ..CurveUse::default()
            },
        };
    };
    let (mut standing, mut note) = curve_standing(config, curve, now);
    if standing == Standing::Superseded && !began_with(config, curve, record) {
        standing = Standing::NotApproved;
        note = format!(
            "Curve {} was superseded before this pour began: no estimate.",
            curve.file.name
        );
    }
    let since = match standing_of(config, curve, now_utc) {
        CurveStanding::Approved { at, .. }
        | CurveStanding::NotAccepted { at, .. }
        | CurveStanding::Expired { at }
        | CurveStanding::Superseded { at }
        | CurveStanding::Withdrawn { at, .. } => Some(UtcMs::from(at)),
        CurveStanding::Unapproved => None,
    };
    CurveUse {
        digest: Some(curve.digest.clone()),
        name: Some(curve.file.name.clone()),
        standing,
        maturity_unit: Some(curve.file.maturity.unit().symbol()),
        advisory: None,
        drift: None,
        since,
        note,
    }
}

/// Whether a pour may keep a curve that was superseded: not where it was so when the pour was opened.
fn began_with(config: &PlantConfig, curve: &KnownCurve, record: &PourRecord) -> bool {
    let opened_at = record.opened_recorded_at.to_utc();
    let standing = opened_at.map(|at| standing_of(config, curve, at));
    !matches!(standing, Some(CurveStanding::Superseded { .. }))
}

/// How a curve stands, and a sentence that says so.
#[must_use]
pub fn curve_standing(config: &PlantConfig, curve: &KnownCurve, now: UtcMs) -> (Standing, String) {
    let name = &curve.file.name;
    let Some(now_utc) = now.to_utc() else {
        return (Standing::None, String::new());
    };
    match standing_of(config, curve, now_utc) {
        CurveStanding::Approved { by, .. } => (
            Standing::Approved,
            format!("Curve {name}, approved by {by}."),
        ),
        CurveStanding::Superseded { .. } => (
            Standing::Superseded,
            format!("Curve {name} was superseded; this pour keeps the version it began with."),
        ),
        CurveStanding::Unapproved => (
            Standing::NotApproved,
            format!("Curve {name} is not approved: no estimate."),
        ),
        CurveStanding::NotAccepted { by, warnings, .. } => (
            Standing::NotApproved,
            format!(
                "Curve {name} was approved by {by} without accepting {}, which an approval must name: \
                 no estimate.",
                warnings.join(" and ")
            ),
        ),
        CurveStanding::Expired { .. } => (
            Standing::Expired,
            format!("Curve {name} has expired: no estimate."),
        ),
        CurveStanding::Withdrawn { why, .. } => (
            Standing::Withdrawn,
            format!("Curve {name} was withdrawn ({why}): go on by cylinders alone."),
        ),
    }
}

fn standing_of(config: &PlantConfig, curve: &KnownCurve, at: DateTime<Utc>) -> CurveStanding {
    standing_at(&curve.file, &curve.digest, &config.curve_records, at)
}

fn choose<'a>(config: &'a PlantConfig, record: &PourRecord, now: UtcMs) -> Option<&'a KnownCurve> {
    if let Some(digest) = &record.facts.curve {
        return config.curve(digest);
    }
    let of_mix = || {
        config
            .curves
            .iter()
            .filter(|one| one.file.mix == record.facts.mix)
    };
    let approvals = |until: UtcMs| {
        let approved_at =
            move |curve: &KnownCurve| match standing_of(config, curve, until.to_utc()?) {
                CurveStanding::Approved { at, .. } => Some(UtcMs::from(at)),
                _ => None,
            };
        of_mix()
            .filter_map(move |curve| Some((approved_at(curve)?, curve)))
            .max_by(|a, b| (a.0, &a.1.digest).cmp(&(b.0, &b.1.digest)))
            .map(|found| found.1)
    };
    approvals(record.opened_recorded_at)
        .or_else(|| first_approved_since(config, record, now))
        .or_else(|| of_mix().max_by_key(|one| (one.file.made_at, one.digest.clone())))
}

/// The curve whose approval came first after the pour was opened, so that later ones do not displace it.
fn first_approved_since<'a>(
    config: &'a PlantConfig,
    record: &PourRecord,
    now: UtcMs,
) -> Option<&'a KnownCurve> {
    config
        .curve_records
        .iter()
        .filter_map(|one| Some((one, config.curve(&one.digest)?)))
        .filter(|(one, curve)| is_approval(&curve.file, one))
        .filter(|(_, curve)| curve.file.mix == record.facts.mix)
        .map(|(one, curve)| (UtcMs::from(one.recorded_at), curve))
        .filter(|(at, _)| *at > record.opened_recorded_at && *at <= now)
        .min_by(|a, b| (a.0, &a.1.digest).cmp(&(b.0, &b.1.digest)))
        .map(|found| found.1)
}

/// The estimate at a maturity; `maturity_low` is brought up to nothing, `maturity` at least to it.
#[must_use]
pub fn estimate(curve: &ReadyCurve, maturity: f64, maturity_low: f64) -> PositionEstimate {
    // What cannot be overstated is there, so the believed value is never below it.
    let maturity = maturity.max(maturity_low);
    PositionEstimate::Some {
        strength: curve.estimating.estimate(maturity, maturity_low),
        maturity,
        maturity_low,
    }
}
