//! The words in which screens and commands speak of pours, estimates, cylinders and trust.

use chrono::{DateTime, Utc};
use daemon_api::act::{ChannelRole, SetPurpose, SetStorage, StrengthAct};
use daemon_api::pour::{
    CylinderSetView, EstimateView, ForecastView, PourStatus, PourView, TrustView,
};
use daemon_api::trouble::{TroubleView, Urgency};
use units::{Celsius, Megapascal, Millimetre, Show, UnitSystem};

use crate::event::Loss;
use crate::times::Zone;

/// What must be remembered whenever strand is about to be cut; shown where a release is signed.
pub const RELEASE_CAUTIONS: [&str; 4] = [
    "The cylinders decide and a person signs: an estimate is no reason to cut.",
    "Cutting strand releases stored energy: everyone stands clear.",
    "Follow the engineer's detensioning sequence and your local codes.",
    "Concrete, forms and steam under the tarp are hot: lift it with care.",
];

/// The sentence that heads every list of estimates.
pub const ESTIMATES_CONFIRM_NOTHING: &str =
    "An estimate says when to break cylinders. They confirm; a person signs.";

/// Why a pour's curve is to be doubted though it may be used.
pub fn curve_doubts(pour: &PourView) -> Vec<String> {
    let advisory = pour.curve.advisory.map(|advisory| {
        format!(
            "The curve only advises here (standard-cured specimens, heated bed, {} of {} pours): the \
             lower bound is {:.0} % lower.",
            advisory.pour_count,
            advisory.needed_count,
            100.0 * advisory.margin
        )
    });
    advisory
        .into_iter()
        .chain(pour.curve.drift.clone())
        .collect()
}

pub fn status(status: PourStatus) -> &'static str {
    match status {
        PourStatus::Placing => "placing",
        PourStatus::Curing => "curing",
        PourStatus::BreakDue => "break due",
        PourStatus::Confirmed => "cylinders passed, not released",
        PourStatus::Released => "released",
        PourStatus::Stripped => "stripped",
        PourStatus::Abandoned => "abandoned",
    }
}

/// How the daemon was lost, to go after "the daemon at its address".
pub fn loss(loss: &Loss) -> String {
    match loss {
        Loss::Gone => "nothing answers".to_owned(),
        Loss::Silent => "it takes the connection but says nothing".to_owned(),
        Loss::Odd(sentence) => sentence.clone(),
    }
}

/// What is wrong, with the place in the bed where the sentence does not name it.
pub fn trouble(trouble: &TroubleView) -> String {
    match &trouble.place {
        Some(place) if !names(&trouble.what, place) => format!("{place}: {}", trouble.what),
        _ => trouble.what.clone(),
    }
}

/// True where a sentence names a place: a short name may stand in it by chance, as in "N. Shift".
fn names(sentence: &str, place: &str) -> bool {
    sentence.starts_with(place) || (place.len() > 2 && sentence.contains(place))
}

/// A trouble in one or two words, for letters that are read from across the room.
pub fn far(trouble: &TroubleView) -> String {
    let words = match trouble.kind.as_str() {
        "too-hot" | "too-hot-before-set" => "TOO HOT",
        "heated-too-early" => "TOO EARLY",
        "heating-too-fast" => "TOO FAST",
        "cooling-too-fast" => "COOLS FAST",
        "difference-too-large" => "UNEVEN",
        "enclosure-too-hot" => "AIR HOT",
        "enclosure-too-cold" => "AIR COLD",
        "enclosure-heating-too-fast" => "AIR FAST",
        "losing-heat" | "local-heat-loss" => "HEAT LOST",
        "heat-source-lost" => "NO STEAM",
        "heat-not-started" => "NO HEAT",
        "too-few-positions" => "UNREAD",
        "logger-silent" => "NO LOGGER",
        "bed-silent" => "UNREAD",
        "source-down" => "LINE DOWN",
        "sensor-silent"
        | "sensor-open"
        | "sensor-fault"
        | "sensor-out-of-range"
        | "sensor-step"
        | "sensor-stuck"
        | "sensor-reads-air"
        | "sensor-conflict" => "SENSOR",
        "store-cannot-write" => "NO RECORD",
        "disk-nearly-full" => "DISK LOW",
        "target-dead" => "NO CALLS",
        "curve-not-usable" => "NO CURVE",
        kind => return kind.replace('-', " ").to_uppercase(),
    };
    words.to_owned()
}

pub fn urgency(urgency: Urgency) -> &'static str {
    match urgency {
        Urgency::Now => "NOW",
        Urgency::Soon => "SOON",
        Urgency::Look => "LOOK",
    }
}

pub fn role(role: ChannelRole) -> &'static str {
    match role {
        ChannelRole::Concrete => "concrete",
        ChannelRole::Enclosure => "enclosure",
        ChannelRole::Ambient => "ambient",
        ChannelRole::Specimen => "specimen",
    }
}

pub fn purpose(purpose: SetPurpose) -> &'static str {
    match purpose {
        SetPurpose::Release => "release",
        SetPurpose::Later => "later age",
    }
}

pub fn storage(storage: SetStorage) -> &'static str {
    match storage {
        SetStorage::UnderTarp => "under the tarp",
        SetStorage::MatchCured => "match-cured",
        SetStorage::Standard => "standard curing",
    }
}

pub fn strength_act(act: StrengthAct) -> &'static str {
    match act {
        StrengthAct::PartialRelease => "partial release",
        StrengthAct::Release => "release",
        StrengthAct::Strip => "strip",
        StrengthAct::Ship => "ship",
    }
}

/// A cylinder set: what for, how kept, its size, what is left of it.
pub fn set_words(set: &CylinderSetView, units: UnitSystem) -> String {
    format!(
        "set {}: {}, {}, {} by {}, {} of {} left",
        set.made.set,
        purpose(set.made.purpose),
        storage(set.made.storage),
        Millimetre(set.made.diameter_mm).show(units),
        Millimetre(set.made.length_mm).show(units),
        set.left_count,
        set.made.specimens.len(),
    )
}

/// A strength, or a dash where there is none.
pub fn strength(strength_mpa: Option<f64>, units: UnitSystem) -> String {
    strength_mpa.map_or_else(|| "–".to_owned(), |mpa| Megapascal(mpa).show(units))
}

fn strength_number(strength_mpa: Option<f64>, units: UnitSystem) -> String {
    strength_mpa.map_or_else(|| "–".to_owned(), |mpa| Megapascal(mpa).show_number(units))
}

/// Estimate, lower bound and required strength together, without the unit: `22.1/20.4/24.1`.
pub fn strengths_short(pour: &PourView, units: UnitSystem) -> String {
    let required = strength_number(pour.release_strength_mpa, units);
    if pour.estimate_disagreed {
        return format!("disagreed/{required}");
    }
    match pour.estimate.kind.as_str() {
        "within" | "at-least" => format!(
            "{}{}/{}/{required}",
            if pour.estimate.kind == "at-least" {
                "≥"
            } else {
                ""
            },
            strength_number(pour.estimate.estimate_mpa, units),
            strength_number(pour.estimate.lower_90_mpa, units),
        ),
        "not-yet" => format!("not yet/{required}"),
        _ => format!("none/{required}"),
    }
}

/// The estimate of a pour in words; after cylinders that failed, that they disagree with it.
pub fn estimate_of(pour: &PourView, units: UnitSystem) -> String {
    estimate_at(pour, &pour.estimate, units)
}

/// The same of one position of the pour.
pub fn estimate_at(pour: &PourView, view: &EstimateView, units: UnitSystem) -> String {
    let told = estimate(view, units);
    if pour.estimate_disagreed {
        format!("no estimate counts: cylinders disagree with it ({told})")
    } else {
        told
    }
}

/// Estimate and lower bound in words, with the reason where there is none.
pub fn estimate(view: &EstimateView, units: UnitSystem) -> String {
    let lower = strength(view.lower_90_mpa, units);
    match view.kind.as_str() {
        "within" => {
            format!(
                "estimate {}, lower bound {lower}",
                strength(view.estimate_mpa, units)
            )
        }
        "at-least" => format!(
            "estimate at least {}, lower bound {lower}",
            strength(view.estimate_mpa, units)
        ),
        kind => {
            let what = if kind == "not-yet" {
                "no estimate yet"
            } else {
                "no estimate"
            };
            // The daemon's reason is a sentence, which may begin with these same words.
            let reason = view
                .reason
                .as_deref()
                .unwrap_or_default()
                .trim_end_matches('.');
            match reason.get(..what.len()) {
                _ if reason.is_empty() => what.to_owned(),
                Some(head) if head.eq_ignore_ascii_case(what) => {
                    format!("{what}{}", &reason[what.len()..])
                }
                _ => format!("{what}: {reason}"),
            }
        }
    }
}

/// True where a release would be signed without the support of an estimate.
pub fn lacks_estimate(pour: &PourView) -> bool {
    !pour.curve.usable || !matches!(pour.estimate.kind.as_str(), "within" | "at-least")
}

/// True while the pour is not confirmed by its cylinders: the daemon says so, nothing is judged here.
pub fn waits_for_cylinders(pour: &PourView) -> bool {
    !matches!(
        pour.confirmation.outcome.as_str(),
        "confirmed" | "released" | "failed-after-release"
    )
}

/// Coolest and hottest position that is believed now: `41..58`.
pub fn temperatures_short(pour: &PourView, units: UnitSystem) -> String {
    let temperatures = || {
        pour.positions
            .iter()
            .filter(|position| matches!(position.trust.verdict.as_str(), "good" | "suspect"))
            .filter_map(|position| position.temperature_c)
    };
    let coolest = temperatures().min_by(f64::total_cmp);
    let hottest = temperatures().max_by(f64::total_cmp);
    match (coolest, hottest) {
        (Some(coolest), Some(hottest)) => format!(
            "{}..{}",
            Celsius(coolest).show_number(units),
            Celsius(hottest).show_number(units)
        ),
        _ => "–".to_owned(),
    }
}

/// A temperature, or a dash.
pub fn temperature(temperature_c: Option<f64>, units: UnitSystem) -> String {
    temperature_c.map_or_else(|| "–".to_owned(), |c| Celsius(c).show(units))
}

/// Early, likely and late: `04:10–04:40–05:20`; where all of it is past and no cylinders have passed,
/// that nothing is proven.
pub fn window_short(forecast: &ForecastView, zone: Zone) -> String {
    let clock = |at: Option<DateTime<Utc>>| at.map_or_else(|| "?".to_owned(), |at| zone.clock(at));
    if forecast.likely_at.is_none() {
        return "no forecast".to_owned();
    }
    if let Some(since) = forecast.unproven_since {
        return format!("{}, not proven", zone.clock(since));
    }
    format!(
        "{}–{}–{}",
        clock(forecast.early_at),
        clock(forecast.likely_at),
        clock(forecast.late_at)
    )
}

/// The forecast in words, with the times at which a set may be broken.
pub fn forecast(view: &ForecastView, zone: Zone, now: DateTime<Utc>) -> String {
    let Some(likely_at) = view.likely_at else {
        let reason = view.reason.as_deref().unwrap_or("too little is known");
        return format!("no forecast: {reason}");
    };
    let clock = |at: Option<DateTime<Utc>>| {
        at.map_or_else(|| "unknown".to_owned(), |at| zone.clock_near(at, now))
    };
    let mut text = match view.unproven_since {
        Some(since) => format!(
            "likely since {}, not proven: break a set",
            zone.clock_near(since, now)
        ),
        None => format!(
            "forecast to required strength: early {}, likely {}, late {}",
            clock(view.early_at),
            zone.clock_near(likely_at, now),
            clock(view.late_at),
        ),
    };
    let times = break_times(view, zone, now);
    if !times.is_empty() {
        text.push_str(&format!("; a set broken {}", times.join("; ")));
    }
    text
}

/// Each time at which a set may be broken, with its chance: `now: 4 % to pass`, `at 05:40: …`.
pub fn break_times(view: &ForecastView, zone: Zone, now: DateTime<Utc>) -> Vec<String> {
    let is_told_now = view.break_times.iter().any(|time| time.at <= now);
    let at_once = view.pass_probability_now.filter(|_| !is_told_now);
    let at_once = at_once.map(|probability| format!("now: {} to pass", percent(probability)));
    let times = view.break_times.iter().map(|time| {
        if time.at <= now {
            format!("now: {}", time.words)
        } else {
            format!("at {}: {}", zone.clock_near(time.at, now), time.words)
        }
    });
    at_once.into_iter().chain(times).collect()
}

/// A pour by its bed, with how it stands: `N1: curing, mix DT-45, pour N1-77`.
pub fn pour_heading(pour: &PourView) -> String {
    format!(
        "{}: {}, mix {}, pour {}",
        pour.bed, pour.status_words, pour.mix, pour.pour
    )
}

/// A probability in per cent; what is nearly sure is never said to be sure.
pub fn percent(probability: f64) -> String {
    if probability > 0.99 {
        "more than 99 %".to_owned()
    } else if probability < 0.01 {
        "less than 1 %".to_owned()
    } else {
        format!("{:.0} %", probability * 100.0)
    }
}

/// Trust with its reason: `suspect: stuck`.
pub fn trust(view: &TrustView) -> String {
    let verdict = view.verdict.replace('-', " ");
    match &view.reason {
        Some(reason) => format!("{verdict}: {}", reason.replace('-', " ")),
        None => verdict,
    }
}

/// True where a channel is believed without reserve.
pub fn is_trusted(view: &TrustView) -> bool {
    view.verdict == "good"
}

/// Heat and tarp as last said.
pub fn heat_and_tarp(pour: &PourView, zone: Zone, now: DateTime<Utc>) -> String {
    let heat = match &pour.heat {
        Some(heat) => format!(
            "heat {} since {}",
            if heat.on { "on" } else { "off" },
            zone.clock_near(heat.since, now)
        ),
        None => "heat: nothing recorded".to_owned(),
    };
    let tarp = match &pour.tarp_lifted {
        Some(tarp) if tarp.on => format!("tarp LIFTED since {}", zone.clock_near(tarp.since, now)),
        Some(tarp) => format!("tarp back since {}", zone.clock_near(tarp.since, now)),
        None => "tarp: nothing recorded".to_owned(),
    };
    format!("{heat}; {tarp}")
}

/// `1 hold`, `2 holds`, counting what stands against release and what stands against shipping.
pub fn holds_short(pour: &PourView) -> String {
    match (pour.release_holds.len(), pour.piece_holds.len()) {
        (0, 0) => String::new(),
        (release, 0) => plural(release, "hold"),
        (0, piece) => plural(piece, "piece hold"),
        (release, piece) => format!("{}+{piece} piece", plural(release, "hold")),
    }
}

pub fn plural(count: usize, what: &str) -> String {
    if count == 1 {
        format!("1 {what}")
    } else {
        format!("{count} {what}s")
    }
}
