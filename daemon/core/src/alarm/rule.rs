//! One table of how each kind of alarm behaves: its delays, and whether it stays in sight when over.

/// How alarms of one kind behave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rule {
    pub kind: &'static str,
    /// The condition must last this long before it rings, min.
    pub on_delay_min: f64,
    /// Its on-delay counts from what the readings say, not from when it was first seen. What acts
    /// say may be told late and in parts: there the first look counts.
    pub is_by_readings: bool,
    /// The condition must be gone for this long before it is over, min.
    pub off_delay_min: f64,
    /// Over, it stays in sight until a person resets it: what happened cannot be undone.
    pub latches: bool,
}

const fn rule(kind: &'static str, on_delay_min: f64, off_delay_min: f64) -> Rule {
    Rule {
        kind,
        on_delay_min,
        is_by_readings: false,
        off_delay_min,
        latches: false,
    }
}

/// A kind whose condition only readings make.
const fn by_readings(kind: &'static str, on_delay_min: f64, off_delay_min: f64) -> Rule {
    Rule {
        is_by_readings: true,
        ..rule(kind, on_delay_min, off_delay_min)
    }
}

const fn latching(kind: &'static str, on_delay_min: f64, off_delay_min: f64) -> Rule {
    Rule {
        latches: true,
        ..rule(kind, on_delay_min, off_delay_min)
    }
}

/// A kind that has no row rings at once and is over at once.
const PLAIN: Rule = rule("", 0.0, 0.0);

/// The kinds whose conditions come and go by themselves, or that matter when they are over.
const RULES: [Rule; 34] = [
    latching("too-hot", 2.0, 10.0),
    latching("too-hot-before-set", 2.0, 10.0),
    latching("heated-too-early", 0.0, 0.0),
    rule("heating-too-fast", 0.0, 10.0),
    rule("cooling-too-fast", 0.0, 10.0),
    rule("difference-too-large", 5.0, 15.0),
    rule("too-cold", 5.0, 15.0),
    rule("enclosure-too-hot", 5.0, 15.0),
    rule("enclosure-too-cold", 10.0, 15.0),
    rule("enclosure-heating-too-fast", 5.0, 15.0),
    rule("losing-heat", 3.0, 5.0),
    rule("local-heat-loss", 0.0, 30.0),
    rule("heat-source-lost", 0.0, 15.0),
    // What people do is recorded one thing after the other: the switch may come a moment later.
    rule("heat-not-started", 2.0, 5.0),
    rule("heat-still-on", 5.0, 10.0),
    rule("too-hot-ahead", 20.0, 60.0),
    rule("cooling-too-fast-ahead", 30.0, 60.0),
    rule("late", 20.0, 5.0),
    rule("break-due", 5.0, 15.0),
    rule("signature-due", 0.0, 0.0),
    rule("overdue", 0.0, 0.0),
    rule("too-few-positions", 10.0, 10.0),
    // A logger's channels fall silent one after the other: the logger must have time to explain them.
    by_readings("sensor-silent", 5.0, 5.0),
    by_readings("logger-silent", 1.0, 2.0),
    by_readings("bed-silent", 1.0, 2.0),
    by_readings("sensor-open", 5.0, 10.0),
    by_readings("sensor-fault", 5.0, 10.0),
    by_readings("sensor-out-of-range", 5.0, 10.0),
    by_readings("sensor-step", 5.0, 30.0),
    by_readings("sensor-stuck", 5.0, 15.0),
    by_readings("sensor-reads-air", 10.0, 30.0),
    by_readings("sensor-conflict", 5.0, 30.0),
    rule("clock-wrong", 10.0, 30.0),
    latching("store-cannot-write", 0.0, 0.0),
];

/// An alarm of the highest urgency that nobody has seen rings again after this long, min.
pub const RINGS_AGAIN_MIN: f64 = 10.0;

/// Which of several alarms that are equally urgent and equally unseen goes first: what waits for a
/// decision, then heat and limits, then sensors and clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Concern {
    Decision,
    Concrete,
    Instrument,
}

const DECISIONS: [&str; 5] = [
    "break-failed",
    "release-withdrawn",
    "signature-due",
    "break-due",
    "overdue",
];
const INSTRUMENTS: [&str; 8] = [
    "bed-silent",
    "clock-wrong",
    "logger-conflict",
    "logger-silent",
    "position-unbound",
    "stamps-ahead",
    "too-few-positions",
    "unproven-high",
];

/// What an alarm of a kind is about.
#[must_use]
pub fn concern_of(kind: &str) -> Concern {
    if DECISIONS.contains(&kind) {
        Concern::Decision
    } else if INSTRUMENTS.contains(&kind) || kind.starts_with("sensor-") {
        Concern::Instrument
    } else {
        Concern::Concrete
    }
}

/// How alarms of a kind behave.
#[must_use]
pub fn rule_of(kind: &str) -> &'static Rule {
    RULES
        .iter()
        .find(|rule| rule.kind == kind)
        .unwrap_or(&PLAIN)
}
